"""What things are. Frozen values, no input or output, checked when they are made.

Terms (one word, one meaning) are those of ``DEVELOPERS.md``: original, clip,
recipe, role, play mode, mute group, rig, control hit, show, segment, want,
layout, set, card, take, finding.

Conventions: quantities end in their unit; times are float seconds; a
``pad_id`` is ``"surface/number"`` as printed on the hardware; banks count
from 1. Tuples inside, never lists, so that values compare and hash.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import date
from typing import Literal, get_args

from padbank.errors import InputError

Role = Literal["hit", "phrase"]
PlayMode = Literal["one-shot", "gate", "loop"]
Channels = Literal["as-is", "mono", "left", "right"]
LevelRule = Literal["short", "limit", "even"]
Rights = Literal["cleared", "any"]
Limb = Literal["hand", "foot"]
Severity = Literal["error", "warning", "note"]
OverLap = Literal["overlap", "self-cut"]
WhenFull = Literal["oldest", "refuse"]

NAME_PATTERN = re.compile(r"^[a-z0-9][a-z0-9-]*\Z")


def check_name(kind: str, name: str) -> str:
    """Return ``name`` or raise InputError: lower-case letters, digits and hyphens."""
    if not NAME_PATTERN.match(name):
        raise InputError(
            f"{kind} name {name!r}: use lower-case letters, digits and hyphens, such as 'harbour-night'"
        )
    return name


def check_choice(what: str, value: str, choices: object) -> str:
    allowed = get_args(choices)
    if value not in allowed:
        raise InputError(f"{what} is {value!r}: use one of {', '.join(map(repr, allowed))}")
    return value


def _check_number(what: str, value: float, low: float, high: float = math.inf) -> None:
    if not (isinstance(value, (int, float)) and low <= value <= high and math.isfinite(value)):
        top = "" if high == math.inf else f" to {high:g}"
        raise InputError(f"{what} is {value!r}: use a number from {low:g}{top or ' up'}")


# ---------------------------------------------------------------- clips


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """How a clip is made from its original. Edits make a new recipe; undo is an older one.

    ``start_s`` and ``end_s`` are positions in the original; ``end_s`` None is
    its end. Loop points are positions in the original too.
    """

    start_s: float = 0.0
    end_s: float | None = None
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0
    channels: Channels = "as-is"
    role: Role = "phrase"
    level_offset_lu: float = 0.0
    play_mode: PlayMode = "one-shot"
    mute_group: str | None = None
    loop_start_s: float | None = None
    loop_end_s: float | None = None

    def __post_init__(self) -> None:
        _check_number("start", self.start_s, 0)
        if self.end_s is not None:
            _check_number("end", self.end_s, 0)
            if self.end_s <= self.start_s:
                raise InputError(
                    f"end {self.end_s:.3f} s is not after start {self.start_s:.3f} s: move one of them"
                )
        _check_number("fade in", self.fade_in_s, 0, 600)
        _check_number("fade out", self.fade_out_s, 0, 600)
        _check_number("level offset", self.level_offset_lu, -40, 20)
        check_choice("channels", self.channels, Channels)
        check_choice("role", self.role, Role)
        check_choice("play mode", self.play_mode, PlayMode)
        if self.mute_group is not None:
            check_name("mute group", self.mute_group)
        if (self.loop_start_s is None) != (self.loop_end_s is None):
            raise InputError("a loop needs both its start and its end: give the other one too")
        if self.loop_start_s is not None and self.loop_end_s is not None:
            _check_number("loop start", self.loop_start_s, 0)
            if self.loop_end_s <= self.loop_start_s:
                raise InputError("the loop's end is not after its start: move one of them")


@dataclass(frozen=True, slots=True, kw_only=True)
class Original:
    """The bytes as imported, never altered. ``sha256`` is its identity.

    ``sound_sha256`` hashes the decoded samples, so that the same sound in two
    containers is recognised. ``source`` says where it came from;
    ``source_start_s``/``source_end_s`` are set when it was cut from a longer
    recording or a video.
    """

    sha256: str
    sound_sha256: str
    suffix: str
    n_bytes: int
    frames: int
    sample_rate_hz: int
    channels: int
    source: str
    source_start_s: float | None = None
    source_end_s: float | None = None

    @property
    def duration_s(self) -> float:
        return self.frames / self.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """One clip of the library: an original with a recipe, a name, tags and rights."""

    name: str
    original: Original
    recipe: Recipe
    tags: tuple[str, ...] = ()
    licence: str | None = None
    credit: str | None = None

    def __post_init__(self) -> None:
        check_name("clip", self.name)

    @property
    def cleared(self) -> bool:
        """True when a licence is stated that is neither NONE nor NOASSERTION (SPDX)."""
        return self.licence is not None and self.licence not in ("NONE", "NOASSERTION")

    @property
    def duration_s(self) -> float:
        """Length that a pad would play, in seconds."""
        end_s = self.original.duration_s if self.recipe.end_s is None else self.recipe.end_s
        return max(0.0, min(end_s, self.original.duration_s) - self.recipe.start_s)

    @property
    def channels_played(self) -> int:
        """Channels after the recipe's channel choice: 1, or 2 at most."""
        return min(2, self.original.channels) if self.recipe.channels == "as-is" else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """What a meter read, with the method that read it. Different methods do not compare.

    None means that the value does not exist (such as integrated loudness below
    one gating block of 400 ms, BS.1770-5 Annex 1); digital silence has None
    for every level.
    """

    frames: int
    sample_rate_hz: int
    channels: int
    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    method: str

    @property
    def duration_s(self) -> float:
        return self.frames / self.sample_rate_hz

    def loudness_lufs(self, role: Role) -> float | None:
        """The figure that levels a clip of this role.

        ``phrase``: integrated, or the momentary maximum where there is no
        integrated value (below 400 ms both agree at the border). ``hit``:
        momentary maximum.
        """
        if role == "phrase" and self.integrated_lufs is not None:
            return self.integrated_lufs
        return self.momentary_max_lufs


# ---------------------------------------------------------------- rigs


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """One place to hit. Centre and size in millimetres on the rig's plot, y downwards."""

    surface: str
    number: int
    x_mm: float
    y_mm: float
    w_mm: float
    h_mm: float
    limb: Limb = "hand"
    note: int | None = None
    channel: int | None = None
    device: str = "main"
    max_clip_s: float | None = None
    max_clip_bytes: int | None = None

    @property
    def pad_id(self) -> str:
        return f"{self.surface}/{self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """A control hit: a pad whose job is its MIDI note. It takes a place and holds no sound.

    ``pad_id`` None: free to be placed by the planner. ``banks`` None: all banks.
    """

    label: str
    pad_id: str | None = None
    banks: tuple[int, ...] | None = None
    note: int | None = None
    channel: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One sound module: its memory, voices and the WAVs that it takes.

    ``memory_bytes`` counts sample data bytes, each distinct file once.
    ``voices_per_stereo`` is how many voices a stereo clip takes.
    ``sample_rates_hz`` in order of preference. ``when_full`` is what a hit
    does when no voice is free: it cuts off the ``oldest``, or is refused (``refuse``).
    """

    name: str
    memory_bytes: int
    voices: int
    voices_per_stereo: int = 2
    sample_rates_hz: tuple[int, ...] = (44100,)
    bits: int = 16
    max_channels: int = 2
    max_clip_s: float | None = None
    max_clip_bytes: int | None = None
    same_pad_again: OverLap = "overlap"
    release_s: float = 0.01
    loop_chunk: bool = False
    mono_plays_both_sides: bool = True
    when_full: WhenFull = "oldest"


@dataclass(frozen=True, slots=True, kw_only=True)
class NameRules:
    """How bank folders and files are named, and what the card can hold.

    Patterns take ``{bank}``, ``{pad}``, ``{segment}``, ``{clip}``,
    ``{surface}``, ``{device}`` with format widths such as ``{pad:02d}``.
    """

    bank_folder: str = "{bank:02d}_{segment}"
    file: str = "{pad:02d}_{clip}.wav"
    max_name_chars: int = 64
    max_files_per_folder: int = 999
    upper_case: bool = False
    card_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Home:
    """Where a limb rests between hits, in millimetres on the rig's plot."""

    limb: Limb
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """The hardware as data: surfaces of pads, devices, banks, naming, control hits."""

    name: str
    title: str
    banks: int
    pads: tuple[Pad, ...]
    devices: tuple[Device, ...]
    names: NameRules = field(default_factory=NameRules)
    controls: tuple[Control, ...] = ()
    homes: tuple[Home, ...] = ()
    bank_switch_s: float = 0.5
    min_rehit_s: float = 0.1
    notes: str = ""

    def pad(self, pad_id: str) -> Pad:
        for pad in self.pads:
            if pad.pad_id == pad_id:
                return pad
        raise InputError(
            f"rig {self.name} has no pad {pad_id!r}: its pads are "
            + ", ".join(p.pad_id for p in self.pads)
        )

    def device(self, name: str) -> Device:
        for device in self.devices:
            if device.name == name:
                return device
        raise InputError(f"rig {self.name} has no device {name!r}")

    def controls_in(self, bank: int) -> dict[str, Control]:
        """Fixed control hits of a bank, by pad."""
        return {
            c.pad_id: c
            for c in self.controls
            if c.pad_id is not None and (c.banks is None or bank in c.banks)
        }


# ---------------------------------------------------------------- shows


@dataclass(frozen=True, slots=True, kw_only=True)
class Want:
    """A clip, or "so many clips with this tag", with expected hits in a segment."""

    clip: str | None = None
    tag: str | None = None
    count: int = 1
    hits: float = 1.0
    must: bool = False
    value: float = 1.0
    learn: bool = False
    """take ``hits`` from logged takes once there are any; the typed figure until then"""

    def __post_init__(self) -> None:
        if (self.clip is None) == (self.tag is None):
            raise InputError("a want names either a clip or a tag: give one of them")
        _check_number("count", self.count, 1)
        _check_number("hits", self.hits, 0)
        _check_number("value", self.value, 0)
        if self.clip is not None and self.count != 1:
            raise InputError(f"want {self.clip!r}: count belongs to wants by tag; leave it out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A part of the show: a song, talk, or (``any_time``) what may be wanted at any moment."""

    name: str
    title: str = ""
    wants: tuple[Want, ...] = ()
    bank: int | None = None
    any_time: bool = False

    def __post_init__(self) -> None:
        check_name("segment", self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """This clip on this pad, in one bank or (``bank`` None) in every bank where it is placed."""

    clip: str
    pad_id: str
    bank: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """Price of each cost term, in seconds of the player's time. Shown in every result."""

    wish: float = 10.0
    """seconds that one unit of lost wish value is worth"""
    away: float = 1.0
    """per second of bank switching for hits away from the segment's own bank"""
    reach: float = 1.0
    """per second of expected movement"""
    moved: float = 0.5
    """per clip that leaves the pad where the hands know it"""
    mishit: float = 5.0
    """per expected hit that lands on a risky neighbour"""
    quality: float = 0.2
    """per dB of loss by mono or a lower rate"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Show:
    """A date, a rig, segments with wants, target level and rights rule."""

    name: str
    rig: str
    segments: tuple[Segment, ...]
    title: str = ""
    date: date | None = None
    target_lufs: float = -16.0
    ceiling_dbtp: float = -1.0
    hit_offset_lu: float = 0.0
    level_rule: LevelRule = "limit"
    limit_max_db: float = 3.0
    rights: Rights = "cleared"
    pins: tuple[Pin, ...] = ()
    apart: tuple[tuple[str, ...], ...] = ()
    together: tuple[tuple[str, ...], ...] = ()
    always_bank: int | None = None
    like: str | None = None
    """name of the show whose layout the hands know"""
    weights: Weights = field(default_factory=Weights)

    def __post_init__(self) -> None:
        check_name("show", self.name)
        _check_number("target_lufs", self.target_lufs, -60, 0)
        _check_number("ceiling_dbtp", self.ceiling_dbtp, -20, 0)
        _check_number("hit_offset_lu", self.hit_offset_lu, -20, 20)
        _check_number("limit_max_db", self.limit_max_db, 0, 24)
        check_choice("level_rule", self.level_rule, LevelRule)
        check_choice("rights", self.rights, Rights)


# ---------------------------------------------------------------- layouts and findings


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Place:
    """One clip under one pad of one bank, in the version that is stored for it."""

    bank: int
    pad_id: str
    clip: str
    channels: int
    sample_rate_hz: int


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class ControlPlace:
    """One control hit on one pad of one bank."""

    bank: int
    pad_id: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """(bank, pad) -> clip or control hit, with the segment that each bank serves.

    ``bank_segments[i]`` are the segments that bank ``i + 1`` serves. ``number``
    counts a show's layouts; 0 is not stored yet.
    """

    show: str
    rig: str
    places: tuple[Place, ...]
    controls: tuple[ControlPlace, ...] = ()
    bank_segments: tuple[tuple[str, ...], ...] = ()
    number: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that would spoil the show: what, where, the number and the limit."""

    code: str
    severity: Severity
    text: str
    where: str = ""
    number: float | None = None
    limit: float | None = None


# ---------------------------------------------------------------- what would be on the card


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFile:
    """One file of a set as planned: where it goes, what it holds, how it is stored.

    ``path`` is relative to the set's folder, with ``/`` between its parts.
    ``est_bytes`` is the whole file's size as expected, ``est_frames`` its
    length. ``source_key`` is filled in by whoever renders: equal keys promise
    equal bytes (it must cover the original, the recipe, the level rule and the
    renderer's version); empty means "not known, render and compare".
    """

    path: str
    bank: int
    pad_id: str
    pad_number: int
    clip: str
    channels: int
    sample_rate_hz: int
    bits: int
    device: str
    est_bytes: int
    est_frames: int = 0
    loop_chunk: bool = False
    mono_plays_both_sides: bool = True
    play_mode: PlayMode = "one-shot"
    mute_group: str | None = None
    segments: tuple[str, ...] = ()
    source_key: str = ""

    @property
    def rendering(self) -> tuple[str, int, int, int, bool, bool]:
        """Files with the same value hold the same bytes: rendered once, counted once."""
        return (
            self.clip,
            self.channels,
            self.sample_rate_hz,
            self.bits,
            self.loop_chunk,
            self.mono_plays_both_sides,
        )

    @property
    def est_data_bytes(self) -> int:
        """Bytes of sample data, which is what a device's memory counts."""
        return self.est_frames * self.channels * self.bits // 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportPlan:
    """A set as it would be written: every file with its place, and every limit that it breaks.

    ``folder`` is the name of the set's own folder inside the export folder.
    """

    show: str
    rig: Rig
    folder: str
    files: tuple[PlannedFile, ...]
    controls: tuple[ControlPlace, ...] = ()
    bank_segments: tuple[tuple[str, ...], ...] = ()
    layout_number: int = 0
    title: str = ""
    show_date: date | None = None
    findings: tuple[Finding, ...] = ()
