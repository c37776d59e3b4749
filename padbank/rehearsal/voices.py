"""What sounds when pads are hit: starts, stops and why, on one device with so many voices.

One written set of rules, shared word for word with the page's
``web/static/engine/voices.js`` and held together by ``cases.json``, which
drives both:

1. A sound holds its voices from its start up to but not including its end.
   A mono clip takes 1 voice, a stereo clip ``voices_per_stereo``. The fade after a
   cut is not counted.
2. ``one-shot`` plays to its end. ``gate`` plays while held, then rings
   ``release_s`` longer, never past its end. ``loop`` plays until its pad is hit
   again; that hit stops it and starts nothing.
3. A pad cannot be held twice: hitting a held gate pad lets it go first.
4. The same pad again: with ``self-cut`` what it sounds stops at once, with
   ``overlap`` it goes on. A clip on the same pad of several banks counts as
   the same pad.
5. A hit stops every sound of its mute group that other pads started, at once.
6. Too few free voices: the oldest sound that was let go is stolen first, then
   the oldest of the others, until there is room (``when_full="oldest"``); or
   the hit is refused and changes nothing else (``when_full="refuse"``). A clip
   that needs more voices than the device has is always refused.
7. A bank switch stops nothing: tails ring on, and letting go of a pad reaches
   what that pad started in another bank.

Sources of rule 6: the orders "oldest", "quietest", "lowest" and "none" of naad
1.1.0 (docs.rs, ``StealMode``), "off" and "first" of rsynth (docs.rs,
``StealMode``), and the released-before-held weighting of FluidSynth's overflow
settings (from memory). Which order a given device follows is for its
maker to say; rules 4 and 5 are common practice, no source.

Times within ``SAME_TIME_S`` count as the same instant, so that 0.1 + 0.2 s
meets 0.3 s. Events at one instant happen in the order given.

Functions and types: ``Limits``, ``limits_of``, ``PadSound``, ``Event``,
``Sounding``, ``Performance``, ``Allocator``, ``perform``, ``voices_in_use``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from padbank.domain import Device, Finding, OverLap, PlayMode, WhenFull, check_choice
from padbank.errors import InputError

EventKind = Literal["hit", "release", "bank", "stop"]
Reason = Literal[
    "end", "cut", "released", "stolen", "hit again", "refused", "stopped", "still sounding"
]

SAME_TIME_S = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one device can sound at once, and what it does when that is not enough."""

    voices: int
    voices_per_stereo: int = 2
    same_pad_again: OverLap = "overlap"
    release_s: float = 0.01
    when_full: WhenFull = "oldest"

    def __post_init__(self) -> None:
        if self.voices < 0 or self.voices_per_stereo < 1:
            raise InputError("voices start at 0 and voices per stereo clip at 1: check the device")
        if not (math.isfinite(self.release_s) and self.release_s >= 0):
            raise InputError(f"release is {self.release_s!r} s: use a number from 0 up")
        check_choice("same_pad_again", self.same_pad_again, OverLap)
        check_choice("when_full", self.when_full, WhenFull)


def limits_of(device: Device, *, when_full: WhenFull | None = None) -> Limits:
    """The voice limits of a rig's device; ``when_full`` other than None overrides the device's own."""
    return Limits(
        voices=device.voices,
        voices_per_stereo=device.voices_per_stereo,
        same_pad_again=device.same_pad_again,
        release_s=device.release_s,
        when_full=when_full or device.when_full,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PadSound:
    """A clip on a pad of a bank, as far as its voices go. ``duration_s`` is its length."""

    bank: int
    pad_id: str
    clip: str
    duration_s: float
    channels: int = 2
    play_mode: PlayMode = "one-shot"
    mute_group: str | None = None

    def __post_init__(self) -> None:
        check_choice("play mode", self.play_mode, PlayMode)
        if not (math.isfinite(self.duration_s) and self.duration_s >= 0):
            raise InputError(f"clip {self.clip}: its length is {self.duration_s!r} s: measure it again")


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happens: a hit, letting go, a switch to ``bank``, or everything stopped."""

    time_s: float
    kind: EventKind
    pad_id: str = ""
    bank: int = 0
    velocity: float = 1.0

    def __post_init__(self) -> None:
        check_choice("event kind", self.kind, EventKind)
        if not math.isfinite(self.time_s):
            raise InputError(f"a {self.kind} has the time {self.time_s!r}: use seconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounding:
    """One start of a clip. ``stop_s`` None: still sounding when the events were over.

    ``by`` is the pad that cut it or took its voices. A refused hit has
    ``voices`` 0 and stops where it starts.
    """

    bank: int
    pad_id: str
    clip: str
    start_s: float
    stop_s: float | None
    reason: Reason
    by: str | None = None
    voices: int = 1

    @property
    def why(self) -> str:
        """The reason in words: ``cut by kit/2``, ``stolen by kit/5``, ``hit again``."""
        return f"{self.reason} by {self.by}" if self.by else self.reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Performance:
    """What came of the events: every sounding by start, voices over time, findings.

    ``usage`` are steps: from ``usage[i][0]`` seconds on, ``usage[i][1]`` voices sound.
    """

    soundings: tuple[Sounding, ...]
    usage: tuple[tuple[float, int], ...]
    peak_voices: int
    findings: tuple[Finding, ...]


@dataclass(slots=True)
class _Voice:
    """A sound that is going on; ``end_s`` is where it stops if nothing else happens."""

    order: int
    sound: PadSound
    start_s: float
    end_s: float
    voices: int
    held: bool
    released_s: float | None = None
    cut_short: bool = False


class Allocator:
    """The rules above as a machine: feed it hits in time order, it says what starts and stops.

    ``sounding`` are the voices going on, oldest first. Every method first lets
    what has ended by then go.
    """

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.sounding: list[_Voice] = []
        self.finished: list[Sounding] = []
        self._count = 0

    @property
    def in_use(self) -> int:
        """Voices held now."""
        return sum(voice.voices for voice in self.sounding)

    def voices_of(self, sound: PadSound) -> int:
        """Voices that one sounding of it takes; a clip of no length takes none."""
        if sound.duration_s <= 0:
            return 0
        return self.limits.voices_per_stereo if sound.channels > 1 else 1

    def advance(self, time_s: float) -> None:
        """Let everything go that has ended by ``time_s``."""
        for voice in [v for v in self.sounding if v.end_s <= time_s + SAME_TIME_S]:
            self._stop(voice, voice.end_s, "released" if voice.cut_short else "end")

    def hit(self, sound: PadSound, time_s: float) -> bool:
        """Hit a pad that holds ``sound``; True when it starts to sound."""
        self.advance(time_s)
        same = [v for v in self.sounding if _same_pad(v.sound, sound)]
        if sound.play_mode == "loop" and same:
            for voice in same:
                self._stop(voice, time_s, "hit again")
            return False
        for voice in same:
            self._let_go(voice, time_s)
        self.advance(time_s)  # with a release of 0 s what was held is over now
        same = [v for v in self.sounding if _same_pad(v.sound, sound)]
        again = same if self.limits.same_pad_again == "self-cut" else []
        muted = [
            v
            for v in self.sounding
            if sound.mute_group is not None
            and v.sound.mute_group == sound.mute_group
            and not _same_pad(v.sound, sound)
        ]
        need = self.voices_of(sound)
        room = self.limits.voices - self.in_use + sum(v.voices for v in again + muted)
        if need > self.limits.voices or (need > room and self.limits.when_full == "refuse"):
            self.finished.append(_sounding(sound, time_s, time_s, "refused", None, 0))
            return False
        for voice in again:
            self._stop(voice, time_s, "hit again")
        for voice in muted:
            self._stop(voice, time_s, "cut", sound.pad_id)
        while self.limits.voices - self.in_use < need:
            self._stop(min(self.sounding, key=_first_to_go), time_s, "stolen", sound.pad_id)
        if sound.duration_s <= 0:
            self.finished.append(_sounding(sound, time_s, time_s, "end", None, 0))
            return False
        end_s = math.inf if sound.play_mode == "loop" else time_s + sound.duration_s
        self._count += 1
        self.sounding.append(
            _Voice(self._count, sound, time_s, end_s, need, held=sound.play_mode == "gate")
        )
        return True

    def release(self, pad_id: str, time_s: float) -> None:
        """Let go of a pad: what it holds rings for the release and ends."""
        self.advance(time_s)
        for voice in self.sounding:
            if voice.sound.pad_id == pad_id:
                self._let_go(voice, time_s)
        self.advance(time_s)

    def stop_all(self, time_s: float) -> None:
        """Stop everything at once."""
        self.advance(time_s)
        for voice in list(self.sounding):
            self._stop(voice, time_s, "stopped")

    def close(self) -> None:
        """No more events: what ends by itself ends, a loop goes on for ever."""
        last_s = max((v.end_s for v in self.sounding if v.end_s < math.inf), default=0.0)
        self.advance(last_s)
        for voice in list(self.sounding):
            self._stop(voice, None, "still sounding")

    def _let_go(self, voice: _Voice, time_s: float) -> None:
        if voice.held:
            voice.held = False
            voice.released_s = time_s
            if time_s + self.limits.release_s < voice.end_s - SAME_TIME_S:
                voice.end_s = time_s + self.limits.release_s
                voice.cut_short = True

    def _stop(
        self, voice: _Voice, time_s: float | None, reason: Reason, by: str | None = None
    ) -> None:
        self.sounding.remove(voice)
        self.finished.append(
            _sounding(voice.sound, voice.start_s, time_s, reason, by, voice.voices)
        )


def perform(limits: Limits, sounds: Iterable[PadSound], events: Iterable[Event]) -> Performance:
    """Play events on pads and say what sounds.

    Parameters
    ----------
    limits : the device's voices
    sounds : what each pad of each bank holds; at most one clip a pad and bank
    events : in any order; sorted by time, those at one instant as given. The
        bank is 1 until the first switch.

    Raises
    ------
    InputError : two clips on one pad of one bank.

    Examples
    --------
    >>> sounds = [PadSound(bank=1, pad_id="kit/1", clip="gull", duration_s=2.0, channels=1)]
    >>> hits = [Event(time_s=0.0, kind="hit", pad_id="kit/1")]
    >>> perform(Limits(voices=1), sounds, hits).soundings[0].stop_s
    2.0
    """
    pads: dict[tuple[int, str], PadSound] = {}
    for sound in sounds:
        key = (sound.bank, sound.pad_id)
        if key in pads:
            raise InputError(
                f"bank {sound.bank}, pad {sound.pad_id} holds both {pads[key].clip} and "
                f"{sound.clip}: take one of them off"
            )
        pads[key] = sound
    allocator = Allocator(limits)
    findings: list[Finding] = []
    bank = 1
    for event in sorted(events, key=lambda e: e.time_s):
        if event.kind == "bank":
            bank = event.bank
        elif event.kind == "release":
            allocator.release(event.pad_id, event.time_s)
        elif event.kind == "stop":
            allocator.stop_all(event.time_s)
        elif (hit_sound := pads.get((bank, event.pad_id))) is None:
            findings.append(_empty(bank, event))
        else:
            allocator.hit(hit_sound, event.time_s)
    allocator.close()
    soundings = tuple(
        sorted(allocator.finished, key=lambda s: (s.start_s, s.bank, s.pad_id, s.voices))
    )
    usage = voices_in_use(soundings)
    lengths = {(s.bank, s.pad_id): s for s in pads.values()}
    for sounding in soundings:
        findings += _limit_findings(sounding, lengths[sounding.bank, sounding.pad_id], limits)
    return Performance(
        soundings=soundings,
        usage=usage,
        peak_voices=max((n for _, n in usage), default=0),
        findings=tuple(findings),
    )


def voices_in_use(soundings: Sequence[Sounding]) -> tuple[tuple[float, int], ...]:
    """Steps ``(time_s, voices from then on)``; empty when nothing sounds."""
    changes: list[tuple[float, int]] = []
    for sounding in soundings:
        stop_s = math.inf if sounding.stop_s is None else sounding.stop_s
        if stop_s > sounding.start_s:
            changes.append((sounding.start_s, sounding.voices))
            if stop_s < math.inf:
                changes.append((stop_s, -sounding.voices))
    changes.sort(key=lambda change: change[0])
    steps: list[tuple[float, int]] = []
    now = 0
    for time_s, change in changes:
        now += change
        if steps and time_s - steps[-1][0] <= SAME_TIME_S:
            steps[-1] = (steps[-1][0], now)
        else:
            steps.append((time_s, now))
    return tuple(
        step for i, step in enumerate(steps) if step[1] != (steps[i - 1][1] if i else 0)
    )


def _same_pad(one: PadSound, other: PadSound) -> bool:
    return one.pad_id == other.pad_id and (one.bank == other.bank or one.clip == other.clip)


def _first_to_go(voice: _Voice) -> tuple[int, float, int]:
    if voice.released_s is not None:
        return (0, voice.released_s, voice.order)
    return (1, voice.start_s, voice.order)


def _sounding(
    sound: PadSound,
    start_s: float,
    stop_s: float | None,
    reason: Reason,
    by: str | None,
    voices: int,
) -> Sounding:
    return Sounding(
        bank=sound.bank,
        pad_id=sound.pad_id,
        clip=sound.clip,
        start_s=start_s,
        stop_s=stop_s,
        reason=reason,
        by=by,
        voices=voices,
    )


def _where(bank: int, pad_id: str) -> str:
    return f"bank {bank}, {pad_id}"


def _empty(bank: int, event: Event) -> Finding:
    return Finding(
        code="empty-pad",
        severity="warning",
        text=f"{event.pad_id} was hit at {event.time_s:.3f} s in bank {bank}, which has nothing there",
        where=_where(bank, event.pad_id),
        number=event.time_s,
    )


def _limit_findings(sounding: Sounding, sound: PadSound, limits: Limits) -> list[Finding]:
    where = _where(sounding.bank, sounding.pad_id)
    if sounding.reason == "refused":
        need = limits.voices_per_stereo if sound.channels > 1 else 1
        return [
            Finding(
                code="hit-refused",
                severity="error",
                text=f"{sounding.clip}, hit at {sounding.start_s:.3f} s, did not sound: it needs "
                f"{need} of {limits.voices} voices and they were taken",
                where=where,
                number=need,
                limit=limits.voices,
            )
        ]
    if sounding.reason == "stolen" and sounding.stop_s is not None:
        played_s = sounding.stop_s - sounding.start_s
        rest = (
            "it was looping"
            if sound.play_mode == "loop"
            else f"{max(0.0, sound.duration_s - played_s):.3f} s of it were missing"
        )
        return [
            Finding(
                code="cut-by-voice-limit",
                severity="error",
                text=f"{sounding.clip} was cut at {sounding.stop_s:.3f} s because {sounding.by} "
                f"took its voices; {rest}",
                where=where,
                number=limits.voices,
                limit=limits.voices,
            )
        ]
    return []
