"""How loud each clip becomes: pure numbers, before and without any rendering.

What it answers: the gain that a clip needs, what its true peak allows, how
much limiting that takes under the show's rule, by how much it falls short and
why; and the loudest target that every clip of a show can reach.

The rules, for a clip whose peak will not allow the target:

- ``short``: leave it quieter and say by how much.
- ``limit``: let the limiter take off up to so many dB of its peaks, then short.
- ``even``: lower the whole show's target to the loudest that every clip
  reaches without limiting (``even_target``); then nothing falls short.

A clip is levelled by the figure of its role (``Measurement.loudness_lufs``).
Loudness: ITU-R BS.1770-5; default target and ceiling are the show's.

Functions: ``clip_target_lufs``, ``plan_level``, ``even_target``,
``before_and_after``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from padbank.domain import LevelRule, Measurement, Recipe, Role, Show
from padbank.errors import InputError
from padbank.units import format_db

NO_GAIN_DB = 0.02
"""A gain smaller than this is none at all, so that a finished clip passes bit for bit."""
PEAK_SLACK_DB = 0.02
"""A clip at its target whose peaks pass the ceiling by less than this is left as it is."""
SHORT_WORTH_SAYING_LU = 0.05
"""Falling short by less than this is within the tolerance that verify holds (0.1 LU)."""
QUIET_LUFS = -70.0
"""Absolute gate of BS.1770-5 Annex 1: below it a clip counts as silent and gets no gain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPlan:
    """What levelling would do to one clip.

    Attributes
    ----------
    target_lufs : what was asked for
    loudness_lufs, true_peak_dbtp : before, None for silence
    gain_db : gain to apply (before the limiter)
    peak_allows_db : the most gain that leaves the true peak at the ceiling
    limiting_db : gain reduction that the limiter would need at the highest peak
    short_lu : how far the clip stays below its target, 0 when it reaches it
    reason : why it falls short or gets no gain; empty when all is well
    """

    target_lufs: float
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    gain_db: float
    peak_allows_db: float | None
    limiting_db: float
    short_lu: float
    reason: str

    @property
    def after_lufs(self) -> float | None:
        """Expected loudness afterwards (a limiter's own small loss is made up when rendering)."""
        return None if self.loudness_lufs is None else self.target_lufs - self.short_lu

    @property
    def after_dbtp(self) -> float | None:
        if self.true_peak_dbtp is None:
            return None
        return self.true_peak_dbtp + self.gain_db - self.limiting_db


def clip_target_lufs(show: Show, recipe: Recipe) -> float:
    """Target of one clip: the show's, its offset for hits, and the clip's own offset."""
    hit_lu = show.hit_offset_lu if recipe.role == "hit" else 0.0
    return show.target_lufs + hit_lu + recipe.level_offset_lu


def plan_level(
    measurement: Measurement,
    *,
    role: Role,
    target_lufs: float,
    ceiling_dbtp: float,
    level_rule: LevelRule,
    limit_max_db: float,
) -> LevelPlan:
    """Gain, limiting and shortfall of one clip. ``measurement`` is of what will be heard.

    Under ``even`` the target is expected to be lowered already (``even_target``); a clip
    that still cannot reach it is left short.
    """
    if level_rule not in ("short", "limit", "even"):
        raise InputError(f"level rule {level_rule!r}: use 'short', 'limit' or 'even'")
    loudness, peak = measurement.loudness_lufs(role), measurement.true_peak_dbtp
    if loudness is None or peak is None or loudness < QUIET_LUFS:
        reason = (
            "silent: no gain"
            if peak is None
            else f"quieter than {format_db(QUIET_LUFS, 'LUFS')}: taken as silence, no gain"
        )
        return LevelPlan(
            target_lufs=target_lufs,
            loudness_lufs=None,
            true_peak_dbtp=peak,
            gain_db=0.0,
            peak_allows_db=None,
            limiting_db=0.0,
            short_lu=0.0,
            reason=reason,
        )
    wanted = target_lufs - loudness
    allows = ceiling_dbtp - peak
    most = allows + (limit_max_db if level_rule == "limit" else 0.0)
    gain = min(wanted, most)
    if abs(wanted) < NO_GAIN_DB and allows >= -PEAK_SLACK_DB:
        gain, allows, most = 0.0, max(0.0, allows), max(wanted, most)
    short = max(0.0, wanted - gain) if wanted > most else 0.0
    return LevelPlan(
        target_lufs=target_lufs,
        loudness_lufs=loudness,
        true_peak_dbtp=peak,
        gain_db=gain,
        peak_allows_db=allows,
        limiting_db=max(0.0, gain - allows),
        short_lu=short,
        reason=short_reason(short, ceiling_dbtp, level_rule, limit_max_db),
    )


def short_reason(
    short_lu: float, ceiling_dbtp: float, level_rule: LevelRule, limit_max_db: float
) -> str:
    """One clause that says why a clip stays below its target; empty when it does not."""
    if short_lu < SHORT_WORTH_SAYING_LU:
        return ""
    amount = format_db(short_lu, "LU")
    ceiling = format_db(ceiling_dbtp, "dBTP")
    if level_rule == "limit":
        most = format_db(limit_max_db, "dB")
        return (
            f"{amount} short: its peaks would pass {ceiling} and the limiter may take off "
            f"{most} at most"
        )
    return f"{amount} short: its peaks would pass {ceiling}"


@dataclass(frozen=True, slots=True, kw_only=True)
class EvenClip:
    """A clip as ``even_target`` sees it; ``offset_lu`` is its target less the show's."""

    name: str
    measurement: Measurement
    role: Role
    offset_lu: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EvenTarget:
    """The loudest show target that every clip reaches, and the clip that sets it.

    ``reachable_lufs`` is None when no clip sounds. ``target_lufs`` is what to use: the
    show's own or the reachable one, whichever is lower. ``without_clip_lufs`` is what the
    others could reach.
    """

    target_lufs: float
    reachable_lufs: float | None
    set_by: str | None
    without_clip_lufs: float | None


def even_target(
    clips: Iterable[EvenClip],
    *,
    target_lufs: float,
    ceiling_dbtp: float,
    limit_max_db: float = 0.0,
) -> EvenTarget:
    """Loudest target that all clips reach, with at most ``limit_max_db`` of limiting (0: none).

    Silent clips do not count. Rounded down to 0.01 LU so that the same show gives the same
    target everywhere.
    """
    reach: list[tuple[float, str]] = []
    for clip in clips:
        loudness = clip.measurement.loudness_lufs(clip.role)
        peak = clip.measurement.true_peak_dbtp
        if loudness is None or peak is None or loudness < QUIET_LUFS:
            continue
        highest = loudness + ceiling_dbtp - peak + limit_max_db - clip.offset_lu
        reach.append((math.floor(highest * 100.0 + 1e-6) / 100.0, clip.name))
    reach.sort()
    if not reach:
        return EvenTarget(
            target_lufs=target_lufs, reachable_lufs=None, set_by=None, without_clip_lufs=None
        )
    reachable, name = reach[0]
    return EvenTarget(
        target_lufs=min(target_lufs, reachable),
        reachable_lufs=reachable,
        set_by=name,
        without_clip_lufs=reach[1][0] if len(reach) > 1 else None,
    )


# ---------------------------------------------------------------- before and after


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelBar:
    """One clip of a before-and-after plot. None: the value does not exist."""

    name: str
    role: Role
    before_lufs: float | None
    after_lufs: float | None
    before_dbtp: float | None
    after_dbtp: float | None
    gain_db: float
    limiting_db: float
    short_lu: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPicture:
    """All that a plot of a show's levels needs; whoever draws it decides how.

    ``spread_before_lu`` and ``spread_after_lu`` are loudest less quietest against each
    clip's own target; None with fewer than two clips that sound.
    """

    target_lufs: float
    ceiling_dbtp: float
    bars: tuple[LevelBar, ...]
    low_lufs: float
    high_lufs: float
    spread_before_lu: float | None
    spread_after_lu: float | None


def before_and_after(
    plans: Sequence[tuple[str, Role, LevelPlan]], *, target_lufs: float, ceiling_dbtp: float
) -> LevelPicture:
    """Values for a plot, in the order given, with an axis that holds them all."""
    bars = tuple(
        LevelBar(
            name=name,
            role=role,
            before_lufs=plan.loudness_lufs,
            after_lufs=plan.after_lufs,
            before_dbtp=plan.true_peak_dbtp,
            after_dbtp=plan.after_dbtp,
            gain_db=plan.gain_db,
            limiting_db=plan.limiting_db,
            short_lu=plan.short_lu,
            note=plan.reason,
        )
        for name, role, plan in plans
    )
    seen = [target_lufs, ceiling_dbtp]
    for bar in bars:
        for value in (bar.before_lufs, bar.after_lufs, bar.before_dbtp, bar.after_dbtp):
            if value is not None:
                seen.append(value)
    sounding = [plan for _, _, plan in plans if plan.loudness_lufs is not None]
    before = [p.loudness_lufs - p.target_lufs for p in sounding if p.loudness_lufs is not None]
    after = [-p.short_lu for p in sounding]
    return LevelPicture(
        target_lufs=target_lufs,
        ceiling_dbtp=ceiling_dbtp,
        bars=bars,
        low_lufs=5.0 * math.floor(min(seen) / 5.0),
        high_lufs=5.0 * math.ceil(max(seen) / 5.0),
        spread_before_lu=max(before) - min(before) if len(before) > 1 else None,
        spread_after_lu=max(after) - min(after) if len(after) > 1 else None,
    )
