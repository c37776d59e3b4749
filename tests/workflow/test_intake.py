"""Taking in by groups: one bad file, a dead worker or another run never costs what others brought."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.errors import StoreError
from padbank.store.library import Library
from padbank.workflow.add import add
from padbank.workflow.health import check_library
from padbank.workflow.incoming import clear_leftovers, find_leftovers, incoming_folder
from padbank.workflow.ingest import IngestJob
from padbank.workflow.intake import take_in

RATE_HZ = 44100


def write(path: Path, frequency_hz: float) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    time_s = np.arange(RATE_HZ // 4) / RATE_HZ
    soundfile.write(path, 0.3 * np.sin(2 * np.pi * frequency_hz * time_s) * np.exp(-8 * time_s), RATE_HZ)
    return path


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "library") as opened:
        yield opened


@dataclass(frozen=True, slots=True, kw_only=True)
class Fatal(IngestJob):
    """Ends the process that receives it, as a decoder does that runs wild."""

    def __reduce__(self) -> tuple[object, tuple[int]]:
        return os._exit, (7,)


def test_a_file_that_kills_its_worker_is_refused_and_the_rest_is_taken(library: Library, tmp_path: Path) -> None:
    jobs = [IngestJob(path=str(write(tmp_path / f"c{i:02d}.wav", 200 + 30 * i))) for i in range(40)]
    jobs[21] = Fatal(path=str(tmp_path / "fatal.wav"))
    seen: list[int] = []
    report = take_in(library, jobs, workers=2, progress=lambda done, total, label: seen.append(done))
    assert [a.clip for a in report.added] == [f"c{i:02d}" for i in range(40) if i != 21]
    assert len(report.refused) == 1 and "makes the decoder crash" in report.refused[0].reason
    assert seen == [*range(1, 41), 40]
    assert not [f for f in check_library(library) if f.code != "rights-unknown"]


def test_the_folder_of_a_living_run_is_left_alone_and_a_dead_ones_is_cleared(tmp_path: Path) -> None:
    originals = tmp_path / "originals"
    dead = originals / "incoming" / "dead"
    dead.mkdir(parents=True)
    (dead / "half.wav").write_bytes(b"RIFF")
    dead.with_suffix(".lock").write_bytes(b"")
    (originals / "incoming" / "older-half").write_bytes(b"RIFF")
    with incoming_folder(originals) as living:
        (living / "whole.wav").write_bytes(b"RIFF")
        assert [p.name for p in find_leftovers(originals)] == ["dead", "older-half"]
        clear_leftovers(originals)
        assert find_leftovers(originals) == [] and (living / "whole.wav").exists()
    assert list((originals / "incoming").iterdir()) == []


def test_a_group_that_cannot_be_written_down_leaves_nothing_half_done(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs = [IngestJob(path=str(write(tmp_path / f"c{i}.wav", 200 + 30 * i))) for i in range(3)]
    import padbank.workflow.intake as module

    def no_room(folder: Path, arrivals: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(module.originals, "settle", no_room)
    with pytest.raises(StoreError, match="full"):
        take_in(library, jobs)
    monkeypatch.undo()
    assert library.catalogue.clips() == [] and library.catalogue.originals() == []
    assert [a.clip for a in take_in(library, jobs).added] == ["c0", "c1", "c2"]
    assert not [f for f in check_library(library) if f.code != "rights-unknown"]


def test_every_copy_is_synced_before_its_clip_is_written_down(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a power cut could take is synced first: the copies, then their folders, then the catalogue."""
    import padbank.store.originals as module

    order: list[str] = []
    for name in ("_sync_arrival", "_put", "_sync_folder"):
        real = getattr(module, name)

        def noted(*args: object, name: str = name, real: object = real) -> None:
            order.append(name)
            real(*args)  # type: ignore[operator]

        monkeypatch.setattr(module, name, noted)
    library.catalogue.db.conn.set_trace_callback(lambda text: order.append(text.split()[0].lower()))
    take_in(library, [IngestJob(path=str(write(tmp_path / f"c{i}.wav", 200 + 30 * i))) for i in range(3)])
    library.catalogue.db.conn.set_trace_callback(None)
    order = [step for step in order if step in ("_sync_arrival", "_put", "_sync_folder", "commit")]
    assert order[:3] == ["_sync_arrival"] * 3 and order[-1] == "commit" and order.count("commit") == 1
    moved = len(order) - 1 - order[::-1].index("_put")
    shelves = {p.parent for p in library.originals.glob("??/*")}
    assert order[moved + 1 : -1] == ["_sync_folder"] * len(shelves)  # each shelf, after the last move


ADD = """
import sys
from pathlib import Path
from padbank.store.library import Library
from padbank.workflow.add import add
if __name__ == "__main__":
    with Library(sys.argv[1]) as library:
        report = add(library, [Path(sys.argv[2])], workers=int(sys.argv[3]))
        print(len(report.added), len(report.already), len(report.refused))
"""


def test_two_runs_beside_each_other_bring_every_file_in_once(tmp_path: Path) -> None:
    for i in range(120):
        write(tmp_path / "in" / f"cue {i % 60} of {i // 60}.wav", 150 + 5 * i)
        write(tmp_path / "in" / "again" / f"cue {i % 60} of {i // 60}.wav", 150 + 5 * i)
    script = tmp_path / "script.py"
    script.write_text(ADD, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    runs = [
        subprocess.Popen(
            [sys.executable, str(script), str(tmp_path / "library"), str(tmp_path / "in"), workers],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
        )
        for workers in ("2", "1")
    ]  # fmt: skip
    said = [run.communicate(timeout=120) for run in runs]
    assert all(run.returncode == 0 for run in runs), said
    counts = [[int(n) for n in out.split()] for out, _ in said]
    assert sum(added for added, _, _ in counts) == 120
    assert all(refused == 0 and added + already == 240 for added, already, refused in counts)
    with Library(tmp_path / "library") as library:
        assert len(library.catalogue.clips()) == 120
        assert not [f for f in check_library(library) if f.code != "rights-unknown"]


def test_odd_names_are_taken_in_and_shown_in_one_line_each(library: Library, tmp_path: Path) -> None:
    names = ["Καμπάνα.wav", "🔔.wav", "new\nline.wav", "\x1b[31mred.wav", "a:b*c?.wav", "trailing .wav", "--help.wav", "x" * 240 + ".wav"]
    if os.name == "nt":
        names = [n for n in names if not set(n) & set('\n\x1b:*?')]
    for index, name in enumerate(names):
        write(tmp_path / "in" / "s.wav", 200 + 40 * index).rename(tmp_path / "in" / name)
    if sys.platform == "linux":  # names are bytes there, in any encoding
        write(tmp_path / "in" / "s.wav", 900).rename(os.fsdecode(os.fsencode(tmp_path / "in") + b"/caf\xe9.wav"))
        names.append("caf\\xe9.wav")
    report = add(library, [tmp_path / "in"])
    assert len(report.added) == len(names) and not report.refused
    for entry in report.added:
        json.dumps(entry.path).encode("utf-8")
        entry.path.encode("utf-8")
        assert not set(entry.path) & set("\n\x1b")
    assert len(add(library, [tmp_path / "in"]).already) == len(names)  # and each is known again
    assert not [f for f in check_library(library) if f.code != "rights-unknown"]


def test_what_may_not_be_read_is_said_and_the_rest_is_taken(library: Library, tmp_path: Path) -> None:
    write(tmp_path / "in" / "a.wav", 300)
    write(tmp_path / "in" / "b.wav", 400).chmod(0)
    if os.access(tmp_path / "in" / "b.wav", os.R_OK):
        pytest.skip("permissions bind neither Windows nor root")
    write(tmp_path / "in" / "closed" / "c.wav", 500)
    (tmp_path / "in" / "closed").chmod(0)
    try:
        report = add(library, [tmp_path / "in"])
    finally:
        (tmp_path / "in" / "closed").chmod(0o755)
    assert [a.clip for a in report.added] == ["a"]
    assert {Path(r.path).name: r.reason for r in report.refused} == {
        "b.wav": "cannot be opened (permission denied)", "closed": "cannot be opened (permission denied)",
    }  # fmt: skip


def test_a_catalogue_that_is_held_elsewhere_is_said_in_one_sentence(library: Library, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", 300)
    library.catalogue.db.conn.execute("pragma busy_timeout = 50")
    with sqlite3.connect(library.catalogue.path) as other:
        other.execute("begin immediate")
        with pytest.raises(StoreError, match="another program is writing to it; wait"):
            add(library, [path])
        other.rollback()
    other.close()
    assert [a.clip for a in add(library, [path]).added] == ["a"]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="/dev/full stands for a full disk")
@pytest.mark.parametrize("way", ["in memory", "by a copy", "a section"])
def test_a_full_disk_ends_it_in_one_sentence_and_keeps_what_was_added(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    assert len(add(library, [write(tmp_path / "a.wav", 300)]).added) == 1
    path = write(tmp_path / "b.wav", 400)
    import padbank.store.originals as module
    from padbank.workflow import ingest

    def on_a_full_disk(incoming: Path, suffix: str = "") -> Path:
        for ending in (suffix, ".flac.part", ".wav.part"):
            (incoming / f"full{ending}").symlink_to("/dev/full")
        return incoming / f"full{suffix}"

    monkeypatch.setattr(module, "incoming_path", on_a_full_disk)
    if way == "by a copy":
        monkeypatch.setattr(ingest, "IN_MEMORY_BYTES", 10)
    with pytest.raises(StoreError, match=r"the disk of the library .*library\) is full; what was added is kept"):
        add(library, [path], start_s=0.1 if way == "a section" else None)
    monkeypatch.undo()
    assert [c.name for c in library.catalogue.clips()] == ["a"]
    assert not [f for f in check_library(library) if f.code != "rights-unknown"]
    assert len(add(library, [path]).added) == 1
