"""How loud each clip becomes: pure numbers, before and without any rendering.

What it answers: the gain that a clip needs, what its true peak allows, how
much limiting that takes under the show's rule, by how much it falls short and
why; and the loudest target that every clip of a show can reach.

The rules, for a clip whose peak will not allow the target:

- ``short``: leave it quieter and say by how much.
- ``limit``: let the limiter take off up to so many dB of its peaks, then short.
- ``even``: lower the whole show's target to the loudest that every clip
  reaches without limiting (``even_target``); then nothing falls short. Resampling
  and other meters' filters may find a peak a hair higher than it was measured:
  up to ``EVEN_HAIR_DB`` the limiter evens that out.

A clip is levelled by the figure of its role (``Measurement.loudness_lufs``).
Loudness: ITU-R BS.1770-5; default target and ceiling are the show's.

Functions: ``clip_target_lufs``, ``plan_level``, ``even_target``, ``short_reason``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from padbank.domain import LevelRule, Measurement, Recipe, Role, Show
from padbank.errors import InputError
from padbank.units import format_db

NO_GAIN_DB = 0.02
"""A gain smaller than this is none at all, so that a finished clip passes bit for bit."""
EVEN_HAIR_DB = 0.3
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
    most = allows + limiting_allowed_db(level_rule, limit_max_db)
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


def limiting_allowed_db(level_rule: LevelRule, limit_max_db: float) -> float:
    """Gain reduction that the rule lets the limiter take."""
    return {"short": 0.0, "limit": limit_max_db, "even": EVEN_HAIR_DB}[level_rule]


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
