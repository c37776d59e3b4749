"""Reading a card back: is every file there, whole, in its place, in form, and at its level.

Answers: would the hardware play what was planned. Nothing is taken from the
run that wrote the set: hashes, sizes and formats come from the files as they
are now, levels from an independent second meter, limits are worked out again
from the real sizes with the limits that travel in ``set.json`` (or those of a
rig that is given).

Tolerances: level ±0.1 LU (EBU Tech 3341's for meters) against the target, or
against the stated level where the file is reported short of its target; true
peak at most 0.05 dB above the ceiling (two true-peak meters with different
filters agree within that, common practice, no source).

Classes: ``SecondMeter``, ``VerifiedFile``, ``DeviceTotal``, ``VerifyReport``.
Functions: ``verify_set``, ``report_lines``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from padbank.cardlimits import SetLimits, card_room_bytes, limit_findings, memory_bytes
from padbank.domain import ExportPlan, Finding, Role
from padbank.errors import DecodeError, InputError
from padbank.files.oncard import State, read_set
from padbank.files.second_meter import Read, Section, joined, measure_section, sections_of
from padbank.files.setfile import SET_NAME, SetFile
from padbank.files.verify_checks import (
    Checked,
    Found,
    check_form,
    find_folder_limits,
    find_form,
    find_not_as_planned,
    find_numbering,
    find_presence,
    real_size,
    walk,
)
from padbank.files.wavfacts import WavFacts, read_samples
from padbank.progress import Progress, silent
from padbank.units import format_bytes, format_db, json_number

LEVEL_TOLERANCE_LU = 0.1
PEAK_TOLERANCE_DB = 0.05
_EPSILON = 1e-9

Run = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]
"""``map``, or an executor's ``map`` for several processes."""


class Reading(Protocol):
    """What the second meter read; None where there is no such value."""

    @property
    def integrated_lufs(self) -> float | None: ...
    @property
    def momentary_max_lufs(self) -> float | None: ...
    @property
    def true_peak_dbtp(self) -> float | None: ...


class SecondMeter(Protocol):
    """A meter that shares nothing with the one that levelled the files."""

    def __call__(
        self, samples: NDArray[np.float64], rate_hz: int, /, *, as_played: bool
    ) -> Reading: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifiedFile:
    """One listed sound as it was found. Figures are None where the file could not be read."""

    path: str
    bank: int
    pad: str
    clip: str
    ok: bool
    n_bytes: int | None = None
    frames: int | None = None
    level_lufs: float | None = None
    target_lufs: float | None = None
    off_lu: float | None = None
    short_lu: float = 0.0
    true_peak_dbtp: float | None = None
    ceiling_dbtp: float = 0.0
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceTotal:
    """What one device's memory and card would hold."""

    device: str
    files: int
    memory_bytes: int
    memory_limit_bytes: int
    room_bytes: int
    room_limit_bytes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyReport:
    """Everything that was found, at once. ``ok``: no finding of severity ``error``."""

    folder: Path
    state: State
    text: str
    show: str | None = None
    rig: str | None = None
    layout: int | None = None
    files: tuple[VerifiedFile, ...] = ()
    totals: tuple[DeviceTotal, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def ok(self) -> bool:
        return not any(f.severity == "error" for f in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON; figures that do not exist are None."""
        body = asdict(self) | {"folder": str(self.folder), "ok": self.ok}
        for row in [*body["files"], *body["findings"]]:
            for name, value in row.items():
                if isinstance(value, float):
                    row[name] = json_number(value)
        return body


def verify_set(
    folder: Path,
    measure_again: SecondMeter | None = None,
    *,
    expected: ExportPlan | None = None,
    run: Run = map,
    progress: Progress = silent,
) -> VerifyReport:
    """Read a set back and compare it with its list, with the rig's limits, and with a second meter.

    Parameters
    ----------
    folder : the set's own folder (``card.find_sets`` finds those below a card)
    measure_again : the second meter, for an array; by default ``second_meter``,
        which reads in pieces so that memory stays flat
    expected : the plan that the set should be; its rig's limits are used too.
        Limits that were accepted by name at the export are warnings
    run : ``map``, or an executor's, over files; both arguments must then pickle
    progress : told after each file

    Returns
    -------
    VerifyReport. Nothing is raised for damage: every fault is a finding.
    """
    folder = Path(folder)
    on_card = read_set(folder)
    card = on_card.card
    if card is None or on_card.state == "interrupted":
        codes = {"interrupted": "set-interrupted", "damaged": "set-list"}
        finding = Finding(
            code=codes.get(on_card.state, "set-missing"),
            severity="error",
            text=on_card.text,
            where=str(folder),
        )
        return VerifyReport(
            folder=folder, state=on_card.state, text=on_card.text, findings=(finding,)
        )

    found = Found()
    if on_card.left:
        found.add("old-left", on_card.left, str(folder), severity="warning")
    there = walk(folder)
    total = 2 * len(card.files)
    checked: list[Checked] = []
    for result in run(partial(check_form, folder), card.files):
        checked.append(result)
        progress(len(checked), total, f"read {result.row.path}")
    limits = SetLimits.of(expected.rig) if expected is not None else card.limits

    find_presence(card, checked, there, folder, found)
    find_form(checked, found)
    find_numbering(card, limits, found)
    sizes = [real_size(c) for c in checked if c.facts is not None]
    extra_bytes = [e.n_bytes for e in card.extras] + [there.get(SET_NAME, 0)]
    found.findings += limit_findings(sizes, limits, extra_bytes)
    find_folder_limits(card, limits, found)
    found.accept(card.accepted)
    if expected is not None:
        find_not_as_planned(card, expected, found)
    rows = _find_levels(checked, folder, measure_again, run, progress, total, found)

    totals = tuple(
        DeviceTotal(
            device=d.name,
            files=sum(s.device == d.name for s in sizes),
            memory_bytes=memory_bytes(sizes, d.name),
            memory_limit_bytes=d.memory_bytes,
            room_bytes=card_room_bytes([s for s in sizes if s.device == d.name], extra_bytes),
            room_limit_bytes=limits.names.card_bytes,
        )
        for d in limits.devices
    )
    errors = sum(f.severity == "error" for f in found.findings)
    text = f"{len(card.files)} files read back, {errors or 'no'} fault{'s' if errors != 1 else ''}"
    return VerifyReport(
        folder=folder,
        state=on_card.state,
        text=text,
        show=card.show,
        rig=card.rig,
        layout=card.layout,
        files=tuple(
            replace(
                r, ok=not found.by_path.get(r.path), faults=tuple(found.by_path.get(r.path, ()))
            )
            for r in rows
        ),
        totals=totals,
        findings=tuple(found.findings),
    )


# ---------------------------------------------------------------- levels


@dataclass(frozen=True, slots=True)
class _Level:
    integrated_lufs: float | None
    momentary_max_lufs: float | None
    true_peak_dbtp: float | None


@dataclass(frozen=True, slots=True)
class _Job:
    """One section of a sound, to measure for one role."""

    path: Path
    facts: WavFacts
    as_played: bool
    role: Role
    section: tuple[int, int]

    def read(self, start: int, n_frames: int) -> NDArray[np.float64]:
        return read_samples(self.path, self.facts, start, n_frames)

    @property
    def sound(self) -> tuple[Read, int, int, int]:
        facts = self.facts
        return self.read, facts.frames, facts.sample_rate_hz, facts.channels


def _measure(meter: SecondMeter | None, job: _Job) -> Section | _Level | str:
    try:
        if meter is None:
            return measure_section(*job.sound, job.section, role=job.role)
        whole = read_samples(job.path, job.facts)
        return _level(meter(whole, job.facts.sample_rate_hz, as_played=job.as_played))
    except (DecodeError, InputError, OSError) as fault:
        return str(fault)


def _together(job: _Job, results: list[Section | _Level | str]) -> _Level | str:
    """The level of a sound from those of its sections."""
    sections = []
    for result in results:
        if not isinstance(result, Section):
            return result
        sections.append(result)
    try:
        return _level(joined(sections, *job.sound, as_played=job.as_played))
    except (DecodeError, InputError, OSError) as fault:
        return str(fault)


def _level(read: Reading) -> _Level:
    return _Level(
        json_number(read.integrated_lufs),
        json_number(read.momentary_max_lufs),
        json_number(read.true_peak_dbtp),
    )


_Way = tuple[str, bool, Role]


def _way(item: Checked) -> _Way | None:
    """What is measured: these bytes, heard and levelled so."""
    return (item.sha256, item.row.mono_plays_both_sides, item.row.role) if item.sha256 else None


def _find_levels(
    checked: list[Checked], folder: Path, meter: SecondMeter | None, run: Run, progress: Progress,
    total: int, found: Found,
) -> list[VerifiedFile]:  # fmt: skip
    """Measure each distinct sound once for each way of levelling it, then judge every file."""
    jobs: dict[_Way, list[_Job]] = {}
    for item in checked:
        way, facts = _way(item), item.facts
        if way is None or facts is None or not facts.frames or way in jobs:
            continue
        sections = [(0, facts.frames)]
        if meter is None:
            sections = sections_of(facts.frames, facts.sample_rate_hz, item.row.role)
        jobs[way] = [_Job(folder / item.row.path, facts, *way[1:], section) for section in sections]
    results = iter(run(partial(_measure, meter), [job for some in jobs.values() for job in some]))
    levels: dict[_Way | None, _Level | str] = {}
    for way, some in jobs.items():
        levels[way] = _together(some[0], [next(results) for _ in some])
        progress(total - len(jobs) + len(levels), total, f"measure {some[0].path.relative_to(folder).as_posix()}")
    return [_judge(item, levels.get(_way(item)), found) for item in checked]


def _judge(item: Checked, level: _Level | str | None, found: Found) -> VerifiedFile:
    row = item.row
    verified = VerifiedFile(
        path=row.path,
        bank=row.bank,
        pad=row.pad,
        clip=row.clip,
        ok=True,
        n_bytes=item.n_bytes,
        frames=None if item.facts is None else item.facts.frames,
        target_lufs=row.target_lufs,
        short_lu=row.short_lu,
        ceiling_dbtp=row.ceiling_dbtp,
    )
    if level is None:
        return verified
    if isinstance(level, str):
        found.add("wav-form", f"{row.path}: cannot be measured ({level}); export again", row.path)
        return verified
    loudness = level.momentary_max_lufs
    if row.role == "phrase" and level.integrated_lufs is not None:
        loudness = level.integrated_lufs
    _judge_level(row, loudness, found)
    peak = level.true_peak_dbtp
    if peak is not None and peak > row.ceiling_dbtp + PEAK_TOLERANCE_DB + _EPSILON:
        found.add(
            "true-peak",
            f"{row.path}: true peak {format_db(peak, 'dBTP', 2)}, the ceiling is "
            f"{format_db(row.ceiling_dbtp, 'dBTP', 2)}; export again",
            row.path,
            peak,
            row.ceiling_dbtp,
        )
    off = (
        None
        if loudness is None or row.target_lufs is None
        else json_number(loudness - row.target_lufs)
    )
    return replace(verified, level_lufs=loudness, off_lu=off, true_peak_dbtp=peak)


def _judge_level(row: SetFile, loudness: float | None, found: Found) -> None:
    target = row.target_lufs
    if target is None:
        if loudness is not None and row.level_lufs is None:
            found.add(
                "level",
                f"{row.path}: sounds at {format_db(loudness, 'LUFS')} and is listed as silent; export again",
                row.path,
                loudness,
            )
        return
    if loudness is None:
        found.add(
            "level",
            f"{row.path}: is silent and should be at {format_db(target, 'LUFS')}; export again",
            row.path,
            None,
            target,
        )
        return
    if row.short_lu > 0:
        aim = target - row.short_lu if row.level_lufs is None else row.level_lufs
        found.add(
            "short",
            f"{row.clip}: {row.reason or format_db(row.short_lu, 'LU') + ' short: its peaks allow no more'}",
            row.path,
            row.short_lu,
            severity="note",
        )
    else:
        aim = target
    if abs(loudness - aim) > LEVEL_TOLERANCE_LU + _EPSILON:
        what = "is listed" if row.short_lu > 0 else "its target is"
        found.add(
            "level",
            f"{row.path}: the second meter reads {format_db(loudness, 'LUFS', 2)} and {what} "
            f"{format_db(aim, 'LUFS', 2)}; export again",
            row.path,
            loudness,
            aim,
        )


def report_lines(report: VerifyReport) -> list[str]:
    """The report in plain words, one line each: for the command line and logs."""
    lines = [f"{report.folder}: {report.text}"]
    for total in report.totals:
        room = f", {format_bytes(total.room_bytes)} on the card"
        if total.room_limit_bytes is not None:
            room += f" of {format_bytes(total.room_limit_bytes)}"
        lines.append(
            f"{total.device}: {total.files} files, memory {format_bytes(total.memory_bytes)} of "
            f"{format_bytes(total.memory_limit_bytes)}{room}"
        )
    lines += [f"{f.severity}: {f.text}" for f in report.findings]
    return lines
