"""Standard MIDI Files that nobody here made, read by us and by mido (MIT): the same notes and times.

The files are music21's own test files (BSD licence; ``midi/testPrimitive`` and
``omr`` of its wheel), unpacked into ``.tests-data/music21`` by
``.ci/fetch-sounds`` where it can; elsewhere this skips.
"""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest

from padbank.midi import read_take, write_take

pytestmark = pytest.mark.registry
DEFAULT = Path(__file__).resolve().parent.parent.parent / ".tests-data"
FOLDER = Path(os.environ.get("PADBANK_TEST_SOUNDS") or DEFAULT) / "music21"


def second_reading(mido, data):
    now, notes = 0.0, []
    for message in mido.MidiFile(file=io.BytesIO(data)):
        now += message.time
        if message.type in ("note_on", "note_off"):
            on = message.type == "note_on" and message.velocity > 0
            notes.append(
                (now, "on" if on else "off", message.channel + 1, message.note,
                 message.velocity if on else 0)
            )  # fmt: skip
    return notes, now


def test_files_of_others_read_alike():
    mido = pytest.importorskip("mido", reason="mido is not installed: pip install 'padbank[test]'")
    paths = sorted(FOLDER.rglob("*.mid"))
    if not paths:
        pytest.skip(f"no MIDI files in {FOLDER}: run .ci/fetch-sounds")
    n_notes = 0
    for path in paths:
        data = path.read_bytes()
        take = read_take(data, path.name)
        ours = [
            (e.time_s, e.kind, e.channel, e.note, e.velocity)
            for e in take.events
            if e.kind != "program"
        ]
        theirs, duration_s = second_reading(mido, data)
        assert [row[1:] for row in ours] == [row[1:] for row in theirs], path.name
        assert [row[0] for row in ours] == pytest.approx([row[0] for row in theirs], abs=1e-6)
        assert take.duration_s == pytest.approx(duration_s, abs=1e-6), path.name
        again = read_take(write_take(take.events), path.name)
        assert [e.note for e in again.events] == [e.note for e in take.events]
        n_notes += len(ours)
    print(f"{len(paths)} files, {n_notes} note messages alike")
    assert n_notes > 30_000
