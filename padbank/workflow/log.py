"""``log`` and ``rehearse``: what was played, and what would happen if it were.

A take (a Standard MIDI File) or the show's expected hits are played on the
newest layout, or on an earlier one, by the rehearsal's rules; ``log`` keeps what
a take hit, so that the next plan knows it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from padbank.domain import Finding, Layout
from padbank.errors import InputError
from padbank.midi import NoteMap, read_take
from padbank.rehearsal.hits import events_of_take, expected_events
from padbank.rehearsal.report import Rehearsal, rehearse, report_lines
from padbank.rehearsal.voices import Event
from padbank.store.library import Library
from padbank.workflow.plan import Judged, judge

MOST_TAKE_BYTES = 50_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """A take or expected hits on a layout: the rehearsal, in words too, and hits by (segment, clip)."""

    layout: int
    rehearsal: Rehearsal
    lines: tuple[str, ...]
    hits: dict[tuple[str, str], float]
    findings: tuple[Finding, ...]
    learns: bool = False
    """whether the show has a want that takes its hits from takes"""


def rehearse_show(
    library: Library, name: str, take: Path | None = None, *, number: int | None = None, first_bank: int = 1
) -> Played:
    """Play a take, or the show's expected hits, on the newest layout or the one of that number.

    Raises
    ------
    InputError
        when there is no such layout, no such first bank, or the take cannot be read
    """
    judged = judge(library, name, number)
    if not 1 <= first_bank <= judged.opened.rig.banks:
        raise InputError(f"there is no bank {first_bank}: rig {judged.opened.rig.name} has 1 to {judged.opened.rig.banks}")
    if take is None:
        rig, show = judged.opened.rig, judged.opened.show
        return _play(judged, expected_events(judged.layout, rig, show, judged.facts), ())
    try:
        if take.stat().st_size > MOST_TAKE_BYTES:
            raise InputError(f"{take}: is too large for a take of notes: choose a Standard MIDI File")
        data = take.read_bytes()
    except OSError as error:
        raise InputError(f"{take}: cannot be read ({error.strerror}): check the name") from error
    read = read_take(data, str(take))
    heard = events_of_take(
        read.events, NoteMap(judged.opened.rig, judged.layout.controls).pad, banks=judged.opened.rig.banks, first_bank=first_bank
    )
    odd = tuple(Finding(code="take-odd", severity="note", text=text, where=str(take)) for text in read.warnings)
    return _play(judged, heard.events, (*odd, *heard.findings), take)


CHECK_TAKE = "check that it is the right take, --first-bank, and the notes and channels of the rig"


def _play(judged: Judged, events: Iterable[Event], before: tuple[Finding, ...], take: Path | None = None) -> Played:
    done = rehearse(judged.opened.rig, judged.layout, judged.facts, events)
    if take and not done.hits:
        nothing = f"none of its hits falls on a clip of layout {judged.layout.number}: {CHECK_TAKE}"
        before = (*before, Finding(code="take-empty", severity="warning", text=nothing, where=str(take)))
    return Played(
        layout=judged.layout.number,
        rehearsal=done,
        lines=tuple(report_lines(done, judged.opened.rig, before)),
        hits=hits_by_segment(judged.layout, done),
        findings=(*before, *done.findings),
        learns=any(w.learn for s in judged.opened.show.segments for w in s.wants),
    )


def hits_by_segment(layout: Layout, rehearsal: Rehearsal) -> dict[tuple[str, str], float]:
    """Hits by (segment, clip); a bank that serves several segments shares them evenly."""
    found: dict[tuple[str, str], float] = defaultdict(float)
    for (bank, clip), count in rehearsal.hits:
        segments = layout.bank_segments[bank - 1] if bank <= len(layout.bank_segments) else ()
        for segment in segments:
            found[(segment, clip)] += count / len(segments)
    return dict(found)


def log_take(library: Library, name: str, take: Path, *, number: int | None = None, first_bank: int = 1) -> Played:
    """Keep what a take hit on the layout that was played: the newest, or the one of that number. The same file again replaces what it said before.

    Raises
    ------
    InputError
        as ``rehearse_show``, and for a take none of whose hits falls on a clip: it would teach that nothing was played
    """
    played = rehearse_show(library, name, take, number=number, first_bank=first_bank)
    if not played.hits:
        raise InputError(
            f"{take}: none of its hits falls on a clip of layout {played.layout}, so nothing was kept: {CHECK_TAKE}"
        )
    show = judge(library, name).opened.show.name
    with library.catalogue.atomic():
        library.catalogue.keep_hits(show, take.name, played.hits)
    return played
