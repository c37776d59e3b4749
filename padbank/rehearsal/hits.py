"""Where hits come from: a take, or what a show expects; and how often each clip was hit.

``events_of_take`` turns notes into hits on pads and bank switches;
``expected_events`` makes a whole show's worth of hits out of its wants, always
the same ones; ``pad_sounds`` says what each pad of a layout holds;
``count_hits`` counts what was played, for the log after a show.

A bank switch is the instant at which it is done. Where switches come from is
the caller's choice: program changes (n for bank n + 1: common practice, no
source), pads that step through the banks, or a list of times.

Pure. Clips and notes are taken by their fields (see the protocols below), so
this room needs neither the planner nor the MIDI reader.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from padbank.domain import Finding, Layout, PlayMode, Rig, Show, Want
from padbank.errors import InputError
from padbank.rehearsal.voices import Event, PadSound, Sounding

GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
"""Steps of this share of a span never fall together for long, so hits spread evenly."""


class HeardClip(Protocol):
    """What a rehearsal needs to know of a clip; ``layout.problem.ClipFacts`` has it."""

    @property
    def name(self) -> str: ...
    @property
    def duration_s(self) -> float: ...
    @property
    def play_mode(self) -> PlayMode: ...
    @property
    def mute_group(self) -> str | None: ...
    @property
    def tags(self) -> tuple[str, ...]: ...


class HeardNote(Protocol):
    """A note or program change with its time; ``midi.TakeEvent`` is one."""

    @property
    def time_s(self) -> float: ...
    @property
    def kind(self) -> str: ...
    @property
    def channel(self) -> int: ...
    @property
    def note(self) -> int: ...
    @property
    def velocity(self) -> int: ...
    @property
    def program(self) -> int: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeHits:
    """Events of a take in time order, and what in it could not be placed."""

    events: tuple[Event, ...]
    findings: tuple[Finding, ...]


def pad_sounds(
    layout: Layout, clips: Mapping[str, HeardClip], *, rig: Rig, device: str | None = None
) -> tuple[PadSound, ...]:
    """What the pads of a layout hold, of one device or (None) of all.

    Raises
    ------
    InputError : the layout places a clip that ``clips`` does not have.
    """
    sounds = []
    for place in layout.places:
        if device is not None and rig.pad(place.pad_id).device != device:
            continue
        if place.clip not in clips:
            raise InputError(
                f"the layout of {layout.show} places {place.clip!r}, which is not in the library: "
                "plan the show again"
            )
        clip = clips[place.clip]
        sounds.append(
            PadSound(
                bank=place.bank,
                pad_id=place.pad_id,
                clip=place.clip,
                duration_s=clip.duration_s,
                channels=place.channels,
                play_mode=clip.play_mode,
                mute_group=clip.mute_group,
            )
        )
    return tuple(sounds)


def events_of_take(
    notes: Iterable[HeardNote],
    pad_of: Callable[[int, int], str | None],
    *,
    banks: int,
    first_bank: int = 1,
    program_is_bank: bool = True,
    steps: Mapping[str, int] | None = None,
    switches: Iterable[tuple[float, int]] = (),
) -> TakeHits:
    """Hits, releases and bank switches of a take.

    Parameters
    ----------
    notes : of ``midi.read_take(...).events``
    pad_of : channel and note to ``pad_id`` or None: ``midi.NoteMap(rig).pad``
    banks : how many the rig has
    first_bank : the bank in use when the take begins
    program_is_bank : program change n (from 0) switches to bank n + 1
    steps : pads that step through the banks, such as ``{"pedals/2": 1, "pedals/1": -1}``;
        they stop at the first and the last bank
    switches : (time in seconds, bank) that no message tells of

    Returns
    -------
    TakeHits : with the findings ``unknown-note`` and ``bank-out-of-range``.
    """
    steps = steps or {}
    rows: list[tuple[float, int, HeardNote | int]] = []
    rows += [(time_s, 0, bank) for time_s, bank in switches]
    rows += [(note.time_s, 1, note) for note in notes]
    unknown: Counter[tuple[int, int]] = Counter()
    out_of_range: Counter[int] = Counter()
    bank = first_bank
    events = [Event(time_s=0.0, kind="bank", bank=bank)] if bank != 1 else []

    def switch(time_s: float, wanted: int) -> None:
        nonlocal bank
        if not 1 <= wanted <= banks:
            out_of_range[wanted] += 1
        elif wanted != bank:
            bank = wanted
            events.append(Event(time_s=time_s, kind="bank", bank=bank))

    for time_s, _, row in sorted(rows, key=lambda row: row[:2]):
        if isinstance(row, int):
            switch(time_s, row)
        elif row.kind == "program":
            if program_is_bank:
                switch(time_s, row.program + 1)
        elif (pad_id := pad_of(row.channel, row.note)) is None:
            unknown[row.channel, row.note] += row.kind == "on"
        elif row.kind == "on":
            if pad_id in steps:
                switch(time_s, min(max(1, bank + steps[pad_id]), banks))
            else:
                events.append(
                    Event(time_s=time_s, kind="hit", pad_id=pad_id, velocity=row.velocity / 127)
                )
        elif pad_id not in steps:
            events.append(Event(time_s=time_s, kind="release", pad_id=pad_id))
    findings = _unknown_notes(unknown) + [
        Finding(
            code="bank-out-of-range",
            severity="warning",
            text=f"the take switches {_times(n)} to bank {wanted}, and the rig has {banks}",
            where=f"bank {wanted}",
            number=wanted,
            limit=banks,
        )
        for wanted, n in sorted(out_of_range.items())
    ]
    return TakeHits(events=tuple(events), findings=tuple(findings))


NOTES_NAMED = 3
"""Unknown notes of one channel that are named one by one; more of them share a finding."""


def _unknown_notes(unknown: Mapping[tuple[int, int], int]) -> list[Finding]:
    hits: dict[int, dict[int, int]] = {}
    for (channel, note), n in sorted(unknown.items()):
        if n:
            hits.setdefault(channel, {})[note] = n
    found = []
    for channel, notes in hits.items():
        if len(notes) > NOTES_NAMED:
            listed, n = ", ".join(map(str, notes)), sum(notes.values())
            text = f"{len(notes)} notes on channel {channel} were hit {_times(n)} and belong to no pad of the rig: {listed}"
            found.append(_unknown(text, f"channel {channel}", n))
            continue
        for note, n in notes.items():
            text = f"note {note} on channel {channel} was hit {_times(n)} and belongs to no pad of the rig"
            text += ": give it to a pad, or leave it out of the take"
            found.append(_unknown(text, f"channel {channel}, note {note}", n))
    return found


def _unknown(text: str, where: str, n: int) -> Finding:
    return Finding(code="unknown-note", severity="warning", text=text, where=where, number=n)


def expected_events(
    layout: Layout,
    rig: Rig,
    show: Show,
    clips: Mapping[str, HeardClip],
    *,
    segment_s: float = 180.0,
    hold_s: float = 1.0,
    loop_s: float = 10.0,
) -> tuple[Event, ...]:
    """A show's worth of hits as its wants expect them, the same ones every time.

    The segments follow one another for ``segment_s`` each; wants of any-time
    segments are spread over the whole show. A clip is hit as often as its want
    says, rounded, at least once when it expects any, at even steps with an
    offset of its own. A gate pad is let go after ``hold_s``, a loop hit again
    after ``loop_s``. Where a hit lies in another bank than the one before, the
    switch and its ``rig.bank_switch_s`` come between; a pad is never hit again
    before ``rig.min_rehit_s``. Clips that the layout left out are not hit.
    """
    if not (math.isfinite(segment_s) and segment_s > 0):
        raise InputError(f"a segment of {segment_s!r} s: use seconds above 0")
    timed = [segment for segment in show.segments if not segment.any_time]
    whole_s = max(1, len(timed)) * segment_s
    wishes: list[tuple[float, str, int, str]] = []  # time, clip, bank, pad
    turn = 0
    for segment in show.segments:
        start_s = 0.0 if segment.any_time else timed.index(segment) * segment_s
        span_s = whole_s if segment.any_time else segment_s
        bank = _bank_of(layout, segment.name)
        for clip, hits in _hits_of(layout, segment.wants, clips, bank):
            place = _nearest_place(layout, clip, bank)
            if place is None or hits <= 0:
                continue
            turn += 1
            n = max(1, math.floor(hits + 0.5))
            offset = math.fmod(turn * GOLDEN, 1.0)
            wishes += [
                (start_s + span_s * (k + offset) / n, clip, place[0], place[1]) for k in range(n)
            ]
    acts: list[tuple[float, str, int, str]] = []  # time, kind, bank, pad
    for time_s, clip, bank, pad_id in wishes:
        acts.append((time_s, "hit", bank, pad_id))
        if clips[clip].play_mode == "gate":
            acts.append((time_s + min(hold_s, clips[clip].duration_s), "release", bank, pad_id))
        elif clips[clip].play_mode == "loop":
            acts.append((time_s + loop_s, "hit", bank, pad_id))
    return _playable(acts, rig)


def count_hits(soundings: Iterable[Sounding]) -> dict[tuple[int, str], int]:
    """How often each clip was asked for, by (bank, clip); refused hits count too.

    The hit that stops a loop is not counted.
    """
    return dict(sorted(Counter((s.bank, s.clip) for s in soundings).items()))


def _playable(acts: list[tuple[float, str, int, str]], rig: Rig) -> tuple[Event, ...]:
    """Put the switches in and push what no player could do in time."""
    events: list[Event] = []
    bank, now_s = 1, -math.inf
    last_hit_s: dict[str, float] = {}
    for time_s, kind, in_bank, pad_id in sorted(acts):
        if kind == "release":  # letting go needs no switch and no waiting
            now_s = max(now_s, time_s)
            events.append(Event(time_s=now_s, kind="release", pad_id=pad_id))
            continue
        if in_bank != bank:
            time_s = max(time_s, now_s + rig.bank_switch_s) if events else max(0.0, time_s)
        now_s = max(time_s, now_s, last_hit_s.get(pad_id, -math.inf) + rig.min_rehit_s)
        if in_bank != bank:
            bank = in_bank
            events.append(Event(time_s=now_s, kind="bank", bank=bank))
        last_hit_s[pad_id] = now_s
        events.append(Event(time_s=now_s, kind="hit", pad_id=pad_id))
    return tuple(events)


def _bank_of(layout: Layout, segment: str) -> int | None:
    for index, segments in enumerate(layout.bank_segments):
        if segment in segments:
            return index + 1
    return None


def _nearest_place(layout: Layout, clip: str, bank: int | None) -> tuple[int, str] | None:
    """Its place in the segment's own bank, else in the lowest bank that has it."""
    places = sorted((p.bank != bank, p.bank, p.pad_id) for p in layout.places if p.clip == clip)
    return places[0][1:] if places else None


def _hits_of(
    layout: Layout, wants: Iterable[Want], clips: Mapping[str, HeardClip], bank: int | None
) -> list[tuple[str, float]]:
    """(clip, hits) of a segment: named clips first, then those that tags bring in."""
    wants = tuple(wants)
    found = [(want.clip, want.hits) for want in wants if want.clip is not None]
    taken = {clip for clip, _ in found}
    in_bank = sorted({p.clip for p in layout.places if p.bank == bank})
    others = sorted({p.clip for p in layout.places} - set(in_bank))
    for want in wants:
        if want.tag is None:
            continue
        fitting = [
            clip
            for clip in in_bank + others
            if clip not in taken and clip in clips and want.tag in clips[clip].tags
        ][: want.count]
        taken.update(fitting)
        found += [(clip, want.hits) for clip in fitting]
    return found


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n} times"
