"""``set.json``: what a set on a card is, file by file, and the limits that it keeps to.

Answers: what should be in this folder. The file carries a hash of itself, so
that a changed or half-written list is recognised; the same set gives the same
bytes (keys in order, ``\\n`` line ends, UTF-8, figures rounded, no clock).

Classes: ``RenderedFile``, ``SetFile``, ``ExtraFile``, ``CardSet``.
Functions: ``to_bytes``, ``from_bytes``.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, fields
from functools import cache
from pathlib import Path
from types import UnionType
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from padbank import __version__
from padbank.cardlimits import PadLimits, SetLimits, StoredSize
from padbank.cardnames import path_fault, same_name_key
from padbank.domain import Device, ExportPlan, NameRules, PlannedFile, PlayMode, Role
from padbank.errors import CardError
from padbank.units import json_number

SCHEMA = 1
SET_NAME = "set.json"
_DIGITS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedFile:
    """One rendering: the WAV's bytes (or a file that holds them) and what the meter read of it.

    ``target_lufs`` is what this clip was levelled to, its role's and its own
    offset included; None when it has no level (digital silence). ``short_lu``
    above 0: it stayed that far below, for the reason given.
    """

    data: bytes | Path
    role: Role
    target_lufs: float | None
    ceiling_dbtp: float
    level_lufs: float | None
    true_peak_dbtp: float | None
    gain_db: float = 0.0
    limited_db: float = 0.0
    short_lu: float = 0.0
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFile:
    """One sound of a set. ``path`` is relative to the set's folder, ``/`` between parts."""

    path: str
    bank: int
    pad: str
    pad_number: int
    device: str
    clip: str
    channels: int
    sample_rate_hz: int
    bits: int
    frames: int
    n_bytes: int
    sha256: str
    role: Role
    target_lufs: float | None
    level_lufs: float | None
    ceiling_dbtp: float
    true_peak_dbtp: float | None
    gain_db: float
    limited_db: float
    short_lu: float
    reason: str
    mono_plays_both_sides: bool
    loop_chunk: bool
    play_mode: PlayMode
    mute_group: str | None
    segments: tuple[str, ...]
    source_key: str

    @property
    def stored(self) -> StoredSize:
        return StoredSize(
            path=self.path,
            bank=self.bank,
            pad_id=self.pad,
            clip=self.clip,
            device=self.device,
            channels=self.channels,
            sample_rate_hz=self.sample_rate_hz,
            bits=self.bits,
            frames=self.frames,
            n_bytes=self.n_bytes,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraFile:
    """A file of the set that is no sound, such as the pad sheet."""

    path: str
    n_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlHit:
    """A pad whose job is its MIDI note."""

    bank: int
    pad: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSet:
    """A set as its list has it. ``accepted`` are findings that the user took on by name."""

    show: str
    title: str
    date: str | None
    made: str | None
    made_by: str
    rig: str
    rig_title: str
    layout: int
    files: tuple[SetFile, ...]
    extras: tuple[ExtraFile, ...]
    controls: tuple[ControlHit, ...]
    bank_segments: tuple[tuple[str, ...], ...]
    accepted: tuple[str, ...]
    limits: SetLimits

    @property
    def sizes(self) -> dict[str, int]:
        """Size of every listed file by path, ``set.json`` itself left out."""
        return {f.path: f.n_bytes for f in self.files} | {f.path: f.n_bytes for f in self.extras}


def set_file(
    planned: PlannedFile, rendered: RenderedFile, *, frames: int, n_bytes: int, sha256: str
) -> SetFile:
    """Join what was planned with what was rendered; figures are rounded here."""

    def figure(value: float | None) -> float | None:
        rounded = json_number(value, _DIGITS)
        return None if rounded is None else rounded + 0.0  # no minus zero

    return SetFile(
        path=planned.path,
        bank=planned.bank,
        pad=planned.pad_id,
        pad_number=planned.pad_number,
        device=planned.device,
        clip=planned.clip,
        channels=planned.channels,
        sample_rate_hz=planned.sample_rate_hz,
        bits=planned.bits,
        frames=frames,
        n_bytes=n_bytes,
        sha256=sha256,
        role=rendered.role,
        target_lufs=figure(rendered.target_lufs),
        level_lufs=figure(rendered.level_lufs),
        ceiling_dbtp=figure(rendered.ceiling_dbtp) or 0.0,
        true_peak_dbtp=figure(rendered.true_peak_dbtp),
        gain_db=figure(rendered.gain_db) or 0.0,
        limited_db=figure(rendered.limited_db) or 0.0,
        short_lu=figure(rendered.short_lu) or 0.0,
        reason=rendered.reason,
        mono_plays_both_sides=planned.mono_plays_both_sides,
        loop_chunk=planned.loop_chunk,
        play_mode=planned.play_mode,
        mute_group=planned.mute_group,
        segments=planned.segments,
        source_key=planned.source_key,
    )


def card_set(
    plan: ExportPlan,
    files: tuple[SetFile, ...],
    extras: tuple[ExtraFile, ...],
    *,
    made: str | None = None,
    accepted: tuple[str, ...] = (),
) -> CardSet:
    """The list of a set that is about to be written."""
    return CardSet(
        show=plan.show,
        title=plan.title,
        date=None if plan.show_date is None else plan.show_date.isoformat(),
        made=made,
        made_by=f"padbank {__version__}",
        rig=plan.rig.name,
        rig_title=plan.rig.title,
        layout=plan.layout_number,
        files=tuple(sorted(files, key=lambda f: f.path)),
        extras=tuple(sorted(extras, key=lambda f: f.path)),
        controls=tuple(
            ControlHit(bank=c.bank, pad=c.pad_id, label=c.label) for c in sorted(plan.controls)
        ),
        bank_segments=plan.bank_segments,
        accepted=tuple(sorted(set(accepted))),
        limits=SetLimits.of(plan.rig),
    )


# ---------------------------------------------------------------- bytes


def _dump(value: Mapping[str, Any]) -> bytes:
    text = json.dumps(value, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def to_bytes(card: CardSet) -> bytes:
    """The bytes of ``set.json``; the same set gives the same bytes."""
    body: dict[str, Any] = {"schema": SCHEMA, **asdict(card)}
    body["sha256"] = hashlib.sha256(_dump(body)).hexdigest()
    return _dump(body)


def from_bytes(data: bytes, path: Path | str) -> CardSet:
    """Read ``set.json``.

    Raises
    ------
    CardError : it is not whole, was changed since it was written, comes from a
        newer padbank, or lists what no set can hold. The text names the field.
    """
    try:
        body = json.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise CardError(
            f"{path}: not a whole list of a set (it was cut short or overwritten)"
        ) from None
    if not isinstance(body, dict):
        raise CardError(f"{path}: not a list of a set")
    schema = body.get("schema")
    if isinstance(schema, int) and schema > SCHEMA:
        raise CardError(
            f"{path}: made by a newer padbank (form {schema}, this one reads {SCHEMA}); update padbank"
        )
    if schema != SCHEMA:
        raise CardError(f"{path}: schema is {schema!r}, not {SCHEMA}: not a list of a set")
    stated = body.pop("sha256", None)
    try:
        actual = hashlib.sha256(_dump(body)).hexdigest()
    except (ValueError, UnicodeEncodeError, RecursionError):
        actual = ""
    if stated != actual:
        raise CardError(f"{path}: was changed after padbank wrote it (its own hash does not fit)")
    body.pop("schema")
    try:
        card = _build(CardSet, body, "")
    except _Fault as fault:
        raise CardError(f"{path}: {fault}") from None
    _check(card, path)
    return card


def _check(card: CardSet, path: Path | str) -> None:
    seen: set[str] = {same_name_key(SET_NAME)}
    listed: list[SetFile | ExtraFile] = [*card.files, *card.extras]
    for file in listed:
        fault = path_fault(file.path)
        if fault:
            raise CardError(f"{path}: lists the path {file.path!r}, which no set can hold: {fault}")
        if same_name_key(file.path) in seen:
            raise CardError(f"{path}: lists {file.path!r} twice")
        seen.add(same_name_key(file.path))
        if file.n_bytes < 0:
            raise CardError(f"{path}: {file.path}: n_bytes is negative")
    for sound in card.files:
        for name in ("channels", "sample_rate_hz", "bits", "bank"):
            if getattr(sound, name) < 1:
                raise CardError(f"{path}: {sound.path}: {name} is below 1")


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


class _Fault(Exception):
    """What is wrong with one field."""


T = TypeVar("T")


def _build(kind: type[T], value: Any, where: str) -> T:
    """Make a dataclass of JSON values, checking every field against its annotation."""
    if not isinstance(value, dict):
        raise _Fault(f"{where or 'the list'} is not an object")
    hints = _hints(kind)  # type: ignore[arg-type]  # classes are hashable
    known = {f.name: f for f in fields(kind)}  # type: ignore[arg-type]
    unknown = sorted(set(value) - set(known))
    if unknown:
        raise _Fault(f"{where + '.' if where else ''}{unknown[0]} is not a field of a set")
    made = {}
    for name, field in known.items():
        place = f"{where}.{name}" if where else name
        if name in value:
            made[name] = _convert(hints[name], value[name], place)
        elif field.default is MISSING:
            raise _Fault(f"{place} is missing")
    return kind(**made)


def _convert(kind: Any, value: Any, where: str) -> Any:
    if kind in (SetFile, ExtraFile, ControlHit, SetLimits, PadLimits, Device, NameRules):
        return _build(kind, value, where)
    origin = get_origin(kind)
    if origin is tuple:
        if not isinstance(value, list):
            raise _Fault(f"{where} is not a list")
        return tuple(_convert(get_args(kind)[0], v, f"{where}[{i}]") for i, v in enumerate(value))
    if origin is UnionType or str(origin) == "typing.Union":
        if value is None:
            return None
        return _convert(next(k for k in get_args(kind) if k is not type(None)), value, where)
    if origin is Literal:
        if value not in get_args(kind):
            raise _Fault(f"{where} is {value!r}, not one of {', '.join(map(repr, get_args(kind)))}")
        return value
    if kind is float and isinstance(value, (int, float)) and not isinstance(value, bool):
        if not math.isfinite(value):
            raise _Fault(f"{where} is not a finite number")
        return float(value)
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise _Fault(f"{where} is {value!r}, not {kind.__name__}")
    return value
