"""What a rehearsal tells: the findings of a show played through, hit by hit.

``rehearse`` takes a layout, its rig, the clips' facts and events (a take's, or
the expected ones of ``hits``) and plays them on every device of the rig;
``report_lines`` says it in words. Pure.

Findings, by code:

- ``cut-by-voice-limit``, ``hit-refused``: a device had too few voices;
- ``cut-across-banks``: a mute group of the new bank cut a tail of the old one;
- ``cut-early``: a mute group cut a clip of which more than half, and at least
  a second, was still to come, or a loop;
- ``late-bank-switch``: a pad was hit shortly before the switch to the bank
  that holds its clip: nothing sounded, or the old bank's clip did and the same
  pad was the first to be hit after the switch;
- ``rushed-bank-switch``: the first hit after a switch came sooner than the rig
  says a switch takes;
- ``empty-pad``: a hit on a pad that holds nothing in that bank;
- ``faster-than-rig``: two hits of a pad closer than the rig's shortest re-hit,
  which the proof of voices rests on (or a double trigger);
- ``loop-out-of-reach``, ``loop-left-on``: a loop rang in a bank where no pad
  stops it, or was never stopped.

``LATE_S``, ``AGAIN_S`` and ``EARLY_S`` are our own choice, no source.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from padbank.domain import Finding, Layout, Rig, WhenFull
from padbank.errors import InputError
from padbank.rehearsal.hits import HeardClip, count_hits, pad_sounds
from padbank.rehearsal.voices import (
    Event,
    PadSound,
    Performance,
    Sounding,
    limits_of,
    perform,
)
from padbank.units import format_seconds

LATE_S = 2.0
AGAIN_S = 1.0
EARLY_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlHit:
    """A control hit that was played: its label, when, and where."""

    time_s: float
    bank: int
    pad_id: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """A show played through.

    ``performances`` go by device name, in the rig's order. ``hits`` count what
    was asked for by (bank, clip). Findings alike are told once, with how often.
    """

    performances: tuple[tuple[str, Performance], ...]
    controls: tuple[ControlHit, ...]
    hits: tuple[tuple[tuple[int, str], int], ...]
    duration_s: float
    findings: tuple[Finding, ...]

    @property
    def soundings(self) -> tuple[Sounding, ...]:
        """Of all devices, by start."""
        every = [s for _, performance in self.performances for s in performance.soundings]
        return tuple(sorted(every, key=lambda s: (s.start_s, s.bank, s.pad_id)))


@dataclass(frozen=True, slots=True)
class _Hit:
    """A hit with the bank it fell in and when that bank was switched to."""

    event: Event
    bank: int


def rehearse(
    rig: Rig,
    layout: Layout,
    clips: Mapping[str, HeardClip],
    events: Iterable[Event],
    *,
    when_full: WhenFull | None = None,
) -> Rehearsal:
    """Play events on a layout.

    Parameters
    ----------
    rig : its devices' voices, its pads and control hits
    layout : which clip lies on which pad
    clips : facts by clip name (length, play mode, mute group)
    events : hits, releases, bank switches; the bank is 1 until the first switch
    when_full : what the devices do when voices run out (see ``voices``); None: what the rig says of each

    Raises
    ------
    InputError : a hit on a pad that the rig does not have, a clip without facts.
    """
    ordered = sorted(events, key=lambda e: e.time_s)
    sounds = pad_sounds(layout, clips, rig=rig)
    by_pad = {(s.bank, s.pad_id): s for s in sounds}
    hits, controls, playable = _sort_out(rig, layout, ordered)
    device_of = {pad.pad_id: pad.device for pad in rig.pads}
    performances = tuple(
        (
            device.name,
            perform(
                limits_of(device, when_full=when_full),
                [s for s in sounds if device_of[s.pad_id] == device.name],
                [e for e in playable if not e.pad_id or device_of[e.pad_id] == device.name],
            ),
        )
        for device in rig.devices
    )
    soundings = [s for _, performance in performances for s in performance.soundings]
    findings = [f for _, performance in performances for f in performance.findings]
    late = _late_switches(hits, ordered, by_pad)
    told = {(f.where, f.number) for f in late}
    findings = [f for f in findings if not (f.code == "empty-pad" and (f.where, f.number) in told)]
    findings += late
    findings += _rushed_switches(rig, hits)
    findings += _muted(soundings, by_pad)
    findings += _fast_hits(rig, hits)
    findings += _loops(soundings, by_pad, ordered)
    return Rehearsal(
        performances=performances,
        controls=tuple(controls),
        hits=tuple(count_hits(soundings).items()),
        duration_s=max(
            [e.time_s for e in ordered] + [s.stop_s for s in soundings if s.stop_s is not None],
            default=0.0,
        ),
        findings=tuple(_told_once(findings)),
    )


def report_lines(rehearsal: Rehearsal, rig: Rig, before: Sequence[Finding] = ()) -> list[str]:
    """The rehearsal in words, for a terminal: totals, voices by device, findings (``before``: of the take itself)."""
    total = sum(n for _, n in rehearsal.hits)
    lines = [
        f"{total} hits on clips and {len(rehearsal.controls)} control hits in "
        f"{format_seconds(rehearsal.duration_s)}"
    ]
    for name, performance in rehearsal.performances:
        limit = rig.device(name).voices
        lines.append(f"{name}: at most {performance.peak_voices} of {limit} voices at once")
    findings = (*before, *rehearsal.findings)
    if not findings:
        lines.append("nothing found that would spoil the show")
    lines += [f"{f.severity}: {f.text} ({f.where})" for f in findings]
    return lines


def _sort_out(
    rig: Rig, layout: Layout, events: Sequence[Event]
) -> tuple[list[_Hit], list[ControlHit], list[Event]]:
    """Hits on sounds, control hits, and the events that devices see."""
    known = {pad.pad_id for pad in rig.pads}
    labels = {(c.bank, c.pad_id): c.label for c in layout.controls}
    for bank_number in range(1, rig.banks + 1):
        for pad_id, control in rig.controls_in(bank_number).items():
            labels.setdefault((bank_number, pad_id), control.label)
    hits: list[_Hit] = []
    controls: list[ControlHit] = []
    playable: list[Event] = []
    bank = 1
    for event in events:
        if event.kind in ("hit", "release") and event.pad_id not in known:
            raise InputError(
                f"rig {rig.name} has no pad {event.pad_id!r}, which was hit at {event.time_s:.3f} s"
            )
        if event.kind == "bank":
            bank = event.bank
        elif event.kind == "hit" and (bank, event.pad_id) in labels:
            controls.append(
                ControlHit(
                    time_s=event.time_s,
                    bank=bank,
                    pad_id=event.pad_id,
                    label=labels[bank, event.pad_id],
                )
            )
            continue
        elif event.kind == "hit":
            hits.append(_Hit(event, bank))
        playable.append(event)
    return hits, controls, playable


_Pads = Mapping[tuple[int, str], PadSound]


def _late_switches(hits: Sequence[_Hit], events: Sequence[Event], by_pad: _Pads) -> list[Finding]:
    """Hits that lie shortly before the switch to the bank they were meant for."""
    found = []
    switches = [e for e in events if e.kind == "bank"]
    switch_times_s = [e.time_s for e in switches]
    for index, hit in enumerate(hits):
        after = switches[bisect_left(switch_times_s, hit.event.time_s) :][:1]
        if not after or after[0].bank == hit.bank or after[0].time_s - hit.event.time_s > LATE_S:
            continue
        switch = after[0]
        meant = by_pad.get((switch.bank, hit.event.pad_id))
        played = by_pad.get((hit.bank, hit.event.pad_id))
        if meant is None or (played is not None and played.clip == meant.clip):
            continue
        early_s = switch.time_s - hit.event.time_s
        if played is None:
            outcome = f"bank {hit.bank} holds nothing there"
        elif played.play_mode != "loop" and _hit_again(hits[index + 1 : index + 2], hit.event.pad_id, switch):
            outcome = f"{played.clip} sounded, and the same pad was the first to be hit after it"
        else:
            continue
        found.append(
            Finding(
                code="late-bank-switch",
                severity="warning" if played is None else "note",
                text=f"{hit.event.pad_id} was hit {early_s:.3f} s before the switch to bank "
                f"{switch.bank}, where it holds {meant.clip}: {outcome}",
                where=f"bank {hit.bank}, {hit.event.pad_id}",
                number=hit.event.time_s,
            )
        )
    return found


def _hit_again(following: Sequence[_Hit], pad_id: str, switch: Event) -> bool:
    """The very next hit is on the same pad, soon after the switch.

    Any hit of the pad after the switch would be too weak a sign: in expected
    play of two shows it told of a dozen slips where there were none.
    """
    return any(
        h.event.pad_id == pad_id
        and h.bank == switch.bank
        and h.event.time_s - switch.time_s <= AGAIN_S
        for h in following
    )


def _rushed_switches(rig: Rig, hits: Sequence[_Hit]) -> list[Finding]:
    found = []
    for before, after in pairwise(hits):
        gap_s = after.event.time_s - before.event.time_s
        if before.bank != after.bank and gap_s < rig.bank_switch_s - 1e-9:
            found.append(
                Finding(
                    code="rushed-bank-switch",
                    severity="note",
                    text=f"only {gap_s:.3f} s between the last hit in bank {before.bank} and the first "
                    f"in bank {after.bank}; the rig says that a switch takes {rig.bank_switch_s:.3f} s",
                    where=f"bank {before.bank} to {after.bank}",
                    number=gap_s,
                    limit=rig.bank_switch_s,
                )
            )
    return found


def _muted(soundings: Iterable[Sounding], by_pad: _Pads) -> list[Finding]:
    """Cuts by mute groups that a player may not expect."""
    found = []
    everything = sorted(soundings, key=lambda s: s.start_s)
    starts: dict[tuple[str, float, str | None], Sounding] = {}
    for s in everything:
        starts.setdefault((s.pad_id, s.start_s, by_pad[s.bank, s.pad_id].mute_group), s)
    for cut in everything:
        if cut.reason != "cut" or cut.stop_s is None:
            continue
        sound = by_pad[cut.bank, cut.pad_id]
        cutter = starts.get((str(cut.by), cut.stop_s, sound.mute_group))
        left_s = sound.duration_s - (cut.stop_s - cut.start_s)
        where = f"bank {cut.bank}, {cut.pad_id}"
        name = cutter.clip if cutter else str(cut.by)
        group = f"mute group {sound.mute_group}"
        if cutter is not None and cutter.bank != cut.bank:
            text = f"{cut.clip} of bank {cut.bank} was cut by {name} of bank {cutter.bank} ({group})"
            found.append(
                Finding(code="cut-across-banks", severity="warning", text=text, where=where)
            )
        elif sound.play_mode == "loop":
            text = f"the loop {cut.clip} was stopped by {name} ({group})"
            found.append(Finding(code="cut-early", severity="note", text=text, where=where))
        elif left_s >= EARLY_S and left_s > sound.duration_s / 2:
            text = f"{cut.clip} was cut by {name} ({group}) with {left_s:.3f} s still to come"
            found.append(
                Finding(code="cut-early", severity="note", text=text, where=where, number=left_s)
            )
    return found


def _fast_hits(rig: Rig, hits: Iterable[_Hit]) -> list[Finding]:
    found = []
    last_s: dict[str, float] = {}
    for hit in hits:
        pad_id, time_s = hit.event.pad_id, hit.event.time_s
        gap_s = time_s - last_s.get(pad_id, -1e9)
        if gap_s < rig.min_rehit_s - 1e-9:
            found.append(
                Finding(
                    code="faster-than-rig",
                    severity="note",
                    text=f"two hits of {pad_id} came {gap_s:.3f} s apart, closer than the rig's "
                    f"{rig.min_rehit_s:.3f} s: a double trigger, or min_rehit_s is too long for the "
                    "proof of voices",
                    where=f"bank {hit.bank}, {pad_id}",
                    number=gap_s,
                    limit=rig.min_rehit_s,
                )
            )
        last_s[pad_id] = time_s
    return found


def _loops(
    soundings: Iterable[Sounding], by_pad: _Pads, events: Sequence[Event]
) -> list[Finding]:
    """Loops that no pad at hand could stop, or that nobody stopped."""
    found = []
    for loop in soundings:
        sound = by_pad[loop.bank, loop.pad_id]
        if sound.play_mode != "loop" or loop.reason == "refused":
            continue
        where = f"bank {loop.bank}, {loop.pad_id}"
        if loop.stop_s is None:
            text = f"the loop {loop.clip}, started at {loop.start_s:.3f} s, was never stopped"
            found.append(
                Finding(
                    code="loop-left-on", severity="warning", text=text, where=where,
                    number=loop.start_s,
                )
            )  # fmt: skip
        for switch in events:
            if switch.kind != "bank" or switch.time_s < loop.start_s:
                continue
            if loop.stop_s is not None and switch.time_s >= loop.stop_s:
                continue
            there = by_pad.get((switch.bank, loop.pad_id))
            if switch.bank != loop.bank and (there is None or there.clip != loop.clip):
                text = f"the loop {loop.clip} goes on in bank {switch.bank}, where no pad stops it"
                found.append(
                    Finding(
                        code="loop-out-of-reach", severity="note", text=text, where=where,
                        number=switch.time_s,
                    )
                )  # fmt: skip
                break
    return found


def _told_once(findings: Iterable[Finding]) -> list[Finding]:
    """Errors first; findings of one code and place as one, with how often."""
    order = {"error": 0, "warning": 1, "note": 2}
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.code, finding.where), []).append(finding)
    told = []
    for same in groups.values():
        more = len(same) - 1
        tail = "" if not more else " (and once more)" if more == 1 else f" (and {more} times more)"
        told.append(replace(same[0], text=same[0].text + tail))
    return sorted(told, key=lambda f: order[f.severity])
