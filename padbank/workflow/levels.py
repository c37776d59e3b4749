"""``level``: what levelling a show does to each clip, before any export.

Each clip is rendered exactly as an export would render it, so that the
limiting, and what it takes from the loudness, are real and not reckoned. The
loudest target that all can reach is given twice: without any limiting (from
loudness and true peak), and with the limiting that the show allows (from the
renderings).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from padbank.domain import Clip, Measurement, Show
from padbank.dsp.dose import Calibration, DoseEstimate, Jump, ShowSound, estimate_dose, find_jump
from padbank.dsp.level import EvenClip, EvenTarget, clip_target_lufs, even_target
from padbank.errors import InputError
from padbank.files.plot import PlotRow, draw_levels
from padbank.files.scratch import scratch_folder
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.workflow.facts import played_levels
from padbank.workflow.plan import wanted_clips
from padbank.workflow.render import RenderedFacts, level_settings, render_all, render_job
from padbank.workflow.shows import OpenShow, open_show

JUMP_WARNING_LU = 10.0
"""A loudest moment this far above the show's average is worth a caution (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRow:
    """One clip, before and after. None where a value does not exist (silence)."""

    clip: str
    role: str
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    target_lufs: float
    gain_db: float
    peak_allows_db: float | None
    """the most gain that leaves the true peak at the ceiling"""
    limiting_db: float
    after_lufs: float | None
    after_dbtp: float | None
    short_lu: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelReport:
    """Levels of every clip in play.

    ``reachable``: the loudest target that all reach without limiting.
    ``limited_lufs``, ``limited_by``: the same with the limiting that the show
    allows, and the clip that sets it; None when all reach the show's target.
    ``target_lufs``: in force (lowered under ``even``). ``jump``: the loudest
    second that any clip holds by itself, as rendered, against the average.
    """

    show: str
    target_lufs: float
    ceiling_dbtp: float
    level_rule: str
    rows: tuple[LevelRow, ...]
    reachable: EvenTarget
    limited_lufs: float | None
    limited_by: str | None
    jump: Jump | None


def clips_in_play(library: Library, opened: OpenShow) -> dict[str, tuple[Clip, int, int, str]]:
    """Clips with the channels, rate and device that the newest layout gives them.

    Without a layout: every clip that the show could place, on the first device.
    """
    found = library.catalogue.layout(opened.show.name)
    rig = opened.rig
    if found and found[0].rig == rig.name:
        return {
            p.clip: (opened.clips[p.clip], p.channels, p.sample_rate_hz, rig.pad(p.pad_id).device)
            for p in found[0].places
            if p.clip in opened.clips
        }
    device = rig.devices[0]
    return {
        name: (clip, min(clip.channels_played, device.max_channels), device.sample_rates_hz[0], device.name)
        for name, clip in wanted_clips(opened).items()
    }


def even_clips(show: Show, clips: Iterable[Clip], levels: dict[str, Measurement]) -> list[EvenClip]:
    return [
        EvenClip(
            name=c.name,
            measurement=levels[c.name],
            role=c.recipe.role,
            offset_lu=clip_target_lufs(show, c.recipe) - show.target_lufs,
        )
        for c in clips
    ]


def level_report(library: Library, name: str, *, progress: Progress = silent) -> LevelReport:
    """Level every clip in play as an export would, and say what came of it."""
    opened = open_show(library, name)
    show = opened.show
    in_play = clips_in_play(library, opened)
    clips = {name: clip for name, (clip, *_) in sorted(in_play.items())}
    levels = played_levels(library, clips.values(), progress)
    reachable = even_target(
        even_clips(show, clips.values(), levels), target_lufs=show.target_lufs, ceiling_dbtp=show.ceiling_dbtp
    )
    even_lufs = reachable.target_lufs if show.level_rule == "even" else None
    jobs = {}
    for clip_name, (clip, channels, rate_hz, device_name) in in_play.items():
        device = opened.rig.device(device_name)
        jobs[clip_name] = render_job(
            clip, library.original_file(clip), channels=channels, sample_rate_hz=rate_hz, bits=device.bits,
            as_played=device.mono_plays_both_sides, loop_chunk=False,
            settings=level_settings(show, clip.recipe, even_lufs=even_lufs),
        )  # fmt: skip
    with scratch_folder("level") as folder:
        done = render_all(list(jobs.values()), Path(folder), progress=progress)
    rows = [_row(clips[n], levels[n], done[jobs[n].key]) for n in clips]
    target = show.target_lufs if even_lufs is None else even_lufs
    shorts = [(r.short_lu, r.clip) for r in rows if r.short_lu > 0]
    worst = max(shorts, default=None)
    return LevelReport(
        show=show.name,
        target_lufs=target,
        ceiling_dbtp=show.ceiling_dbtp,
        level_rule=show.level_rule,
        rows=tuple(rows),
        reachable=reachable,
        limited_lufs=None if worst is None else target - worst[0],
        limited_by=None if worst is None else worst[1],
        jump=_jump(opened, clips, [done[jobs[n].key] for n in clips]),
    )


def _row(clip: Clip, before: Measurement, facts: RenderedFacts) -> LevelRow:
    peak = before.true_peak_dbtp
    return LevelRow(
        clip=clip.name,
        role=clip.recipe.role,
        loudness_lufs=before.loudness_lufs(clip.recipe.role),
        true_peak_dbtp=peak,
        target_lufs=facts.settings.target_lufs,
        gain_db=facts.gain_db,
        peak_allows_db=None if peak is None else facts.settings.ceiling_dbtp - peak,
        limiting_db=facts.limited_db,
        after_lufs=facts.measurement.loudness_lufs(clip.recipe.role),
        after_dbtp=facts.measurement.true_peak_dbtp,
        short_lu=facts.short_lu,
        reason=facts.reason,
    )


def _jump(opened: OpenShow, clips: dict[str, Clip], rendered: Sequence[RenderedFacts]) -> Jump | None:
    hits: dict[str, float] = {}
    for segment in opened.show.segments:
        for want in segment.wants:
            names = [want.clip] if want.clip else [n for n, c in clips.items() if want.tag in c.tags]
            for each in names:
                hits[each] = hits.get(each, 0.0) + want.hits
    sounds = []
    for facts in rendered:
        loudest = facts.loudest_second_lufs
        average = facts.measurement.integrated_lufs
        if average is None:
            average = facts.measurement.momentary_max_lufs
        if loudest is not None and average is not None:
            sounds.append(
                ShowSound(
                    name=facts.clip,
                    average_lufs=average,
                    loudest_second_lufs=loudest,
                    duration_s=facts.measurement.duration_s,
                    hits=hits.get(facts.clip, 1.0),
                )
            )
    return find_jump(sounds)


def dose_of(report: LevelReport, *, level_dba: float, at_lufs: float, minutes: float) -> DoseEstimate | None:
    """Estimated listening dose of the show at its average level, from the user's own calibration."""
    if report.jump is None:
        return None
    return estimate_dose(Calibration(level_dba=level_dba, at_lufs=at_lufs), report.jump.average_lufs, minutes)


def check_plot_path(path: Path) -> None:
    """Raise InputError for a name that is no ``.png``, before the work that a plot takes."""
    if path.suffix.lower() != ".png":
        raise InputError(f"{path}: the plot is a .png: end the name with it")


def save_plot(report: LevelReport, path: Path) -> None:
    """Draw the report as a PNG.

    Raises
    ------
    InputError
        for a name that is no ``.png``, and where it cannot be written
    """
    check_plot_path(path)
    rows, seen = [], [report.target_lufs, report.ceiling_dbtp]
    for row in report.rows:
        note = f"{row.gain_db:+.1f} dB".replace("-", "−")
        if row.limiting_db >= 0.05:
            note += f", limited {row.limiting_db:.1f}"
        if row.short_lu >= 0.05:
            note += f", short {row.short_lu:.1f}"
        rows.append(PlotRow(row.clip, row.loudness_lufs, row.after_lufs, row.after_dbtp, note))
        seen += [v for v in (row.loudness_lufs, row.after_lufs, row.after_dbtp) if v is not None]
    draw_levels(
        path,
        f"{report.show}: levels before and after",
        rows,
        target_lufs=report.target_lufs,
        ceiling_dbtp=report.ceiling_dbtp,
        low=5.0 * (min(seen) // 5.0),
        high=5.0 * -(-max(seen) // 5.0),
    )
