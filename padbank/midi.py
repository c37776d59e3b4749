"""Takes and control hits as MIDI bytes: Standard MIDI Files in and out, notes to pads.

``read_take`` reads a Standard MIDI File of what was hit; ``write_take`` writes
the smallest one that says the same; ``NoteMap`` finds the pad of a note on a
rig; ``control_bytes`` is what a control hit sends. Pure: bytes in, values out.

Facts, by source: Standard MIDI Files 1.0 (header ``MThd``, length 6,
big-endian format, tracks, division; bit 15 of the division set: minus frames a
second and ticks a frame, −29 for 30 drop-frame; unknown chunks are skipped;
variable-length numbers of at most 4 bytes, so 0x0FFFFFFF; tempo ``FF 51 03`` in
microseconds a quarter note, 500,000 until the first; format 0 one track, 1
tracks at once, 2 tracks apart). MIDI 1.0 Detailed Specification 4.2.1 (status
bytes, running status, a note-on with velocity 0 is a note-off). Percussion on
channel 10: General MIDI Level 1. Program change n for bank n + 1: common
practice, no source.

Functions and types: ``Take``, ``TakeEvent``, ``read_take``, ``write_take``,
``NoteMap``, ``control_bytes``, ``note_bytes``.
"""

from __future__ import annotations

import math
import struct
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from padbank.domain import Control, ControlPlace, Pad, Rig, check_choice
from padbank.errors import InputError

TakeKind = Literal["on", "off", "program"]

NOTE_OFF, NOTE_ON, PROGRAM_CHANGE = 0x80, 0x90, 0xC0
DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
META, SYSEX, ESCAPE = 0xFF, 0xF0, 0xF7
META_END, META_TEMPO = 0x2F, 0x51

DEFAULT_TEMPO_US = 500_000
LONGEST_DELTA = 0x0FFF_FFFF
PERCUSSION_CHANNEL = 10
SMPTE_FRAMES_HZ = {24: 24.0, 25: 25.0, 29: 30000 / 1001, 30: 30.0}

TICKS_PER_QUARTER = 5000
"""With the default tempo a tick lasts 0.1 ms: a tenth of the time one note takes on the wire."""
TICKS_PER_SECOND = TICKS_PER_QUARTER * 1_000_000 // DEFAULT_TEMPO_US


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeEvent:
    """A note hit or let go, or a program change. ``velocity`` is 1–127 for a hit.

    ``channel`` counts from 1, as printed on hardware; ``program`` from 0, as sent.
    """

    time_s: float
    kind: TakeKind
    channel: int
    note: int = 0
    velocity: int = 0
    program: int = 0

    def __post_init__(self) -> None:
        check_choice("take event", self.kind, TakeKind)
        if not (math.isfinite(self.time_s) and self.time_s >= 0):
            raise InputError(f"a take event is at {self.time_s!r} s: use a time from 0 up")
        _check_byte("channel", self.channel, 1, 16)
        _check_byte("note", self.note, 0, 127)
        _check_byte("velocity", self.velocity, 1 if self.kind == "on" else 0, 127)
        _check_byte("program", self.program, 0, 127)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """What a Standard MIDI File holds of notes and programs, in time order.

    ``duration_s`` reaches to the end of the longest track. ``warnings`` say
    what was odd but readable.
    """

    events: tuple[TakeEvent, ...]
    format: int
    tracks: int
    duration_s: float
    warnings: tuple[str, ...] = ()


# ---------------------------------------------------------------- reading


def read_take(data: bytes, name: str = "the take") -> Take:
    """Read a Standard MIDI File of format 0 or 1.

    Parameters
    ----------
    data : the whole file
    name : how to call it in messages

    Returns
    -------
    Take : notes and program changes with their times in seconds.

    Raises
    ------
    InputError : not a Standard MIDI File, cut short, damaged, or of format 2.

    Examples
    --------
    >>> take = read_take(write_take([TakeEvent(time_s=1.5, kind="on", channel=10, note=38, velocity=90)]))
    >>> take.events[0].time_s
    1.5
    """
    reader = _Reader(data, name)
    if reader.take(4, "header") != b"MThd":
        raise InputError(f"{name} is not a Standard MIDI File: export the take as one (.mid)")
    header_bytes = reader.number(4, "header")
    if header_bytes < 6:
        raise InputError(f"{name}: its header is {header_bytes} bytes, not 6: export the take again")
    header = reader.take(header_bytes, "header")
    file_format, n_tracks, division = struct.unpack(">HHH", header[:6])
    if file_format == 2:
        raise InputError(
            f"{name} is of format 2, patterns that are apart: export the take as format 0 or 1"
        )
    if file_format > 2:
        raise InputError(f"{name} has the unknown format {file_format}: export it as format 0 or 1")
    if file_format == 0 and n_tracks != 1:
        raise InputError(f"{name} is of format 0 with {n_tracks} tracks, not 1: export it again")
    warnings: list[str] = []
    tracks: list[_Track] = []
    while len(tracks) < n_tracks:
        if reader.at_end:
            raise InputError(
                f"{name} is cut short: {len(tracks)} of its {n_tracks} tracks are there; copy it again"
            )
        kind = reader.take(4, "chunk")
        body = reader.take(reader.number(4, "chunk"), "chunk")
        if kind == b"MTrk":
            tracks.append(_read_track(body, f"{name}, track {len(tracks) + 1}", warnings))
    if not reader.at_end:
        warnings.append(f"{name}: {reader.left} bytes after the last track were ignored")
    to_seconds = _Clock(division, [t for track in tracks for t in track.tempos], name)
    events = [
        TakeEvent(
            time_s=to_seconds(tick),
            kind=kind,
            channel=channel,
            note=0 if kind == "program" else first,
            velocity=second,
            program=first if kind == "program" else 0,
        )
        for tick, kind, channel, first, second in sorted(
            (raw for track in tracks for raw in track.events), key=lambda raw: raw[0]
        )
    ]
    return Take(
        events=tuple(events),
        format=file_format,
        tracks=n_tracks,
        duration_s=max((to_seconds(track.end_tick) for track in tracks), default=0.0),
        warnings=tuple(warnings),
    )


class _Reader:
    """A cursor that names what was cut short."""

    def __init__(self, data: bytes, name: str) -> None:
        self.data, self.name, self.at = data, name, 0

    @property
    def at_end(self) -> bool:
        return self.at >= len(self.data)

    @property
    def left(self) -> int:
        return len(self.data) - self.at

    def take(self, n_bytes: int, what: str) -> bytes:
        if n_bytes > self.left:
            raise InputError(
                f"{self.name} is cut short in its {what}: {n_bytes} bytes are wanted and "
                f"{self.left} left; copy it again"
            )
        self.at += n_bytes
        return self.data[self.at - n_bytes : self.at]

    def number(self, n_bytes: int, what: str) -> int:
        return int.from_bytes(self.take(n_bytes, what), "big")

    def variable(self, what: str) -> int:
        """A number of 7 bits a byte, at most 4 bytes, top bit set on all but the last."""
        value = 0
        for _ in range(4):
            byte = self.take(1, what)[0]
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        raise InputError(f"{self.name}: a {what} of more than 4 bytes; export the take again")


_Raw = tuple[int, TakeKind, int, int, int]


@dataclass(slots=True)
class _Track:
    """Ticks from the start: (tick, kind, channel, first data byte, velocity), (tick, tempo)."""

    events: list[_Raw]
    tempos: list[tuple[int, int]]
    end_tick: int


def _read_track(body: bytes, name: str, warnings: list[str]) -> _Track:
    reader, track = _Reader(body, name), _Track([], [], 0)
    running: int | None = None
    interrupted = ended = False
    while not reader.at_end and not ended:
        track.end_tick += reader.variable("time")
        status = reader.take(1, "event")[0]
        if status == META:
            ended = _read_meta(reader, track)
            interrupted = running is not None
        elif status in (SYSEX, ESCAPE):
            reader.take(reader.variable("length"), "message")
            interrupted = running is not None
        elif status >= 0xF0:
            raise InputError(
                f"{name}: the byte {status:02X} has no place in a file; export the take again"
            )
        else:
            first: tuple[int, ...] = ()
            if status < 0x80:
                if running is None:
                    raise InputError(
                        f"{name}: a message begins with the data byte {status:02X}; export it again"
                    )
                if interrupted:
                    # The standard ends running status here; some writers go on with it.
                    text = f"{name}: running status goes on after a message that ends it"
                    if text not in warnings:
                        warnings.append(text)
                first, status = (status,), running
            else:
                running, interrupted = status, False
            rest = reader.take(DATA_BYTES[status & 0xF0] - len(first), "message")
            _note(track, status, (*first, *rest), name)
    if not ended:
        warnings.append(f"{name}: no end-of-track mark")
    elif not reader.at_end:
        warnings.append(f"{name}: {reader.left} bytes after its end were ignored")
    return track


def _read_meta(reader: _Reader, track: _Track) -> bool:
    """Note a tempo; True at the end of the track."""
    kind = reader.take(1, "meta event")[0]
    data = reader.take(reader.variable("length"), "meta event")
    if kind == META_TEMPO:
        if len(data) < 3 or not any(data[:3]):
            raise InputError(f"{reader.name}: a tempo of {data.hex() or 'nothing'}; export it again")
        track.tempos.append((track.end_tick, int.from_bytes(data[:3], "big")))
    return kind == META_END


def _note(track: _Track, status: int, data: Sequence[int], name: str) -> None:
    if any(byte > 127 for byte in data):
        raise InputError(
            f"{name}: a message {status:02X} is cut by the byte {max(data):02X}; export the take again"
        )
    kind, channel = status & 0xF0, (status & 0x0F) + 1
    if kind == NOTE_ON and data[1] > 0:
        track.events.append((track.end_tick, "on", channel, data[0], data[1]))
    elif kind in (NOTE_ON, NOTE_OFF):
        track.events.append((track.end_tick, "off", channel, data[0], 0))
    elif kind == PROGRAM_CHANGE:
        track.events.append((track.end_tick, "program", channel, data[0], 0))


class _Clock:
    """Ticks to seconds by the tempo map, or by frames where the division is SMPTE."""

    def __init__(self, division: int, tempos: list[tuple[int, int]], name: str) -> None:
        if division & 0x8000:
            frames, ticks = 256 - (division >> 8), division & 0xFF
            if frames not in SMPTE_FRAMES_HZ or ticks == 0:
                raise InputError(
                    f"{name} counts {frames} frames a second of {ticks} ticks: export it with "
                    "24, 25, 29 or 30 frames, or in ticks a quarter note"
                )
            self.starts, tempo_s = [0], [1.0 / (SMPTE_FRAMES_HZ[frames] * ticks)]
        elif division == 0:
            raise InputError(f"{name} has 0 ticks a quarter note: export the take again")
        else:
            self.starts, tempo_s = [0], [DEFAULT_TEMPO_US / 1e6 / division]
            for tick, tempo_us in sorted(tempos, key=lambda change: change[0]):
                self.starts.append(tick)  # of several at one tick the last one counts
                tempo_s.append(tempo_us / 1e6 / division)
        self.tick_s = tempo_s
        self.times_s = [0.0]
        for i in range(1, len(self.starts)):
            span = self.starts[i] - self.starts[i - 1]
            self.times_s.append(self.times_s[-1] + span * tempo_s[i - 1])

    def __call__(self, tick: int) -> float:
        i = bisect_right(self.starts, tick) - 1
        return self.times_s[i] + (tick - self.starts[i]) * self.tick_s[i]


# ---------------------------------------------------------------- writing


def write_take(events: Iterable[TakeEvent]) -> bytes:
    """The smallest Standard MIDI File of these events: format 0, ticks of 0.1 ms.

    Times are rounded to the nearest tick; events of one tick keep their order.
    Running status is used, and a note-off is written as a note-on of velocity
    0 where that keeps it running.

    Raises
    ------
    InputError : more than 26,843 s between two events (a delta holds 28 bits).
    """
    body = bytearray(b"\x00\xff\x51\x03" + DEFAULT_TEMPO_US.to_bytes(3, "big"))
    running, now = None, 0
    for event in sorted(events, key=lambda e: e.time_s):
        tick = math.floor(event.time_s * TICKS_PER_SECOND + 0.5)
        body += _variable(tick - now, event.time_s)
        now = tick
        if event.kind == "program":
            message = bytes((PROGRAM_CHANGE | event.channel - 1, event.program))
        else:
            velocity = event.velocity if event.kind == "on" else 0
            message = note_bytes(event.channel, event.note, velocity)
        body += message[1:] if message[0] == running else message
        running = message[0]
    body += b"\x00\xff\x2f\x00"
    header = struct.pack(">4sIHHH", b"MThd", 6, 0, 1, TICKS_PER_QUARTER)
    return header + struct.pack(">4sI", b"MTrk", len(body)) + bytes(body)


def _variable(number: int, time_s: float) -> bytes:
    if number > LONGEST_DELTA:
        raise InputError(
            f"the event at {time_s:.1f} s comes more than {LONGEST_DELTA / TICKS_PER_SECOND:.0f} s "
            "after the one before it: split the take"
        )
    parts = [number & 0x7F]
    while number := number >> 7:
        parts.append(number & 0x7F | 0x80)
    return bytes(reversed(parts))


def note_bytes(channel: int, note: int, velocity: int) -> bytes:
    """A note-on of 3 bytes; velocity 0 lets go. Channel 1–16, note and velocity 0–127."""
    _check_byte("channel", channel, 1, 16)
    _check_byte("note", note, 0, 127)
    _check_byte("velocity", velocity, 0, 127)
    return bytes((NOTE_ON | channel - 1, note, velocity))


# ---------------------------------------------------------------- rigs


class NoteMap:
    """Which pad a note of a rig belongs to.

    A pad without a channel takes its note on any channel; a pad with the
    message's own channel goes first. A control hit with a note of its own is
    found by that note, on its own pad or, where the planner placed it, on the
    pad that ``placed`` gives it (the first one).

    Parameters
    ----------
    rig : its pads and control hits
    placed : the layout's control hits

    Raises
    ------
    InputError : two pads, or a pad and another pad's control hit, would answer to one note.
    """

    def __init__(self, rig: Rig, placed: Iterable[ControlPlace] = ()) -> None:
        self._pads: dict[tuple[int | None, int], str] = {}
        by_id = {pad.pad_id: pad for pad in rig.pads}
        for pad in rig.pads:
            if pad.note is not None:
                self._put(pad.channel, pad.note, pad.pad_id, rig)
        spots: dict[str, str] = {}
        for place in sorted(placed):
            spots.setdefault(place.label, place.pad_id)
        for control in rig.controls:
            pad_id = control.pad_id or spots.get(control.label)
            if pad_id in by_id and control.note is not None:
                pad = by_id[pad_id]
                channel = pad.channel if control.channel is None else control.channel
                self._put(channel, control.note, pad.pad_id, rig)

    def _put(self, channel: int | None, note: int, pad_id: str, rig: Rig) -> None:
        other = self._pads.setdefault((channel, note), pad_id)
        if other != pad_id:
            on = "any channel" if channel is None else f"channel {channel}"
            raise InputError(
                f"rig {rig.name}: {other} and {pad_id} both answer to note {note} on {on}: "
                "give one of them another note"
            )

    def pad(self, channel: int, note: int) -> str | None:
        """The ``pad_id``, or None for a note that no pad sends."""
        return self._pads.get((channel, note)) or self._pads.get((None, note))

    def __len__(self) -> int:
        return len(self._pads)


def control_bytes(control: Control, pad: Pad | None = None, *, velocity: int = 100) -> bytes:
    """What a control hit sends: its own note and channel, else its pad's, else channel 10.

    Raises
    ------
    InputError : neither the control hit nor its pad has a note.

    Examples
    --------
    >>> control_bytes(Control(label="lights", note=60, channel=1)).hex()
    '903c64'
    """
    note = control.note if control.note is not None or pad is None else pad.note
    channel = control.channel if control.channel is not None or pad is None else pad.channel
    if note is None:
        raise InputError(
            f"control hit {control.label!r} has no note, and neither has its pad: give one of them a note"
        )
    return note_bytes(PERCUSSION_CHANNEL if channel is None else channel, note, velocity)


def _check_byte(what: str, value: int, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise InputError(f"{what} is {value!r}: use a whole number from {low} to {high}")
