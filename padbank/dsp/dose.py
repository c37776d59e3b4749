"""How much sound a player's ears take: estimates, from the player's own calibration.

What it answers: for a show of a stated level and length, what share of a
day's (NIOSH) or a week's (WHO-ITU) sound allowance it would use up, and how far the
loudest second stands above the average.

These are estimates and no measurement of anybody's ears. They rest on one
reading: with a sound of known loudness playing through the monitors, what a
sound level meter shows where the head is (dB(A), slow). Loudness is weighted by K,
a sound level meter by A, so for bass-heavy or very bright sound the two part
by several dB; drums themselves, the room and in-ear seals are not
in it at all. Local rules come first, and a hearing professional or
an occupational hygienist is the one to ask. H.870 itself leaves out professional audio
equipment: its allowance serves as guidance only.

Sources
-------
- NIOSH, "Criteria for a Recommended Standard: Occupational Noise Exposure",
  publication 98-126 (1998): 85 dBA for 8 h, 3 dB exchange rate,
  T = 480 / 2**((L - 85) / 3) minutes, D = 100 * sum(C / T),
  TWA = 10 * log10(D / 100) + 85 (as quoted by third parties).
- WHO-ITU H.870 (2018): 80 dBA for 40 h a week for adults (1.6 Pa2h), 75 dBA for
  40 h for sensitive users (0.506 Pa2h) (as quoted by third parties; the Pa2h
  follow from p = 20 uPa * 10**(L / 20)).
- Directive 2003/10/EC, article 3: action values 80 and 85 dB(A), limit 87 dB(A) as a daily
  (8 h) exposure; the limit counts hearing protectors, the action values do not.

Functions: ``niosh_minutes``, ``niosh_dose_percent``, ``niosh_twa_dba``,
``pascal_squared_hours``, ``weekly_share_percent``, ``daily_exposure_dba``,
``estimate_dose``, ``find_jump``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from padbank.errors import InputError
from padbank.units import format_db, power_to_db

NIOSH_DBA = 85.0
NIOSH_MINUTES = 480.0
EXCHANGE_DB = 3.0
REFERENCE_PA = 20e-6
WEEK_H = 40.0
WEEK_DBA = {"adult": 80.0, "sensitive": 75.0}
EU_DAILY_DBA = {"lower action value": 80.0, "upper action value": 85.0, "limit": 87.0}

Listener = Literal["adult", "sensitive"]

CAUTION = (
    "An estimate from your own calibration, without the drums themselves, the room or ear "
    "protection: local rules and a hearing professional have the last word."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """So many minutes at a steady (or energy-average) level."""

    level_dba: float
    minutes: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.level_dba) and 0 <= self.level_dba <= 194):
            raise InputError(f"level {self.level_dba!r} dBA: use a number from 0 to 194")
        if not (math.isfinite(self.minutes) and self.minutes >= 0):
            raise InputError(f"time {self.minutes!r} min: use a number from 0 up")


def niosh_minutes(level_dba: float) -> float:
    """Minutes a day at a level that make up 100 % of the NIOSH dose.

    >>> niosh_minutes(88.0)
    240.0
    """
    return float(NIOSH_MINUTES / 2.0 ** ((level_dba - NIOSH_DBA) / EXCHANGE_DB))


def niosh_dose_percent(exposures: Sequence[Exposure]) -> float:
    """Daily NIOSH dose of several exposures together; 100 is the recommended limit."""
    return 100.0 * sum(e.minutes / niosh_minutes(e.level_dba) for e in exposures)


def niosh_twa_dba(dose_percent: float) -> float:
    """8-hour time-weighted average of a daily dose; -inf for none."""
    return power_to_db(dose_percent / 100.0) + NIOSH_DBA


def pascal_squared_hours(exposures: Sequence[Exposure]) -> float:
    """A-weighted sound exposure in Pa2h."""
    return sum(
        (REFERENCE_PA * 10.0 ** (e.level_dba / 20.0)) ** 2 * e.minutes / 60.0 for e in exposures
    )


def weekly_share_percent(exposures: Sequence[Exposure], listener: Listener = "adult") -> float:
    """Share of the WHO-ITU weekly allowance (80 dBA, or 75 for sensitive, for 40 h)."""
    if listener not in WEEK_DBA:
        raise InputError(f"listener {listener!r}: use 'adult' or 'sensitive'")
    week = Exposure(level_dba=WEEK_DBA[listener], minutes=WEEK_H * 60.0)
    return 100.0 * pascal_squared_hours(exposures) / pascal_squared_hours([week])


def daily_exposure_dba(exposures: Sequence[Exposure]) -> float:
    """Daily exposure level L_EX,8h (energy average over 8 h), as 2003/10/EC uses; -inf for none."""
    day = sum(10.0 ** (e.level_dba / 10.0) * e.minutes for e in exposures)
    return power_to_db(day / NIOSH_MINUTES)


# ---------------------------------------------------------------- from loudness to a level


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One reading: this many dBA at the head while sound of this loudness plays."""

    level_dba: float
    at_lufs: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.level_dba) and 30 <= self.level_dba <= 140):
            raise InputError(
                f"calibration level {self.level_dba!r} dBA: use what the sound level meter showed, "
                "30 to 140"
            )
        if not (math.isfinite(self.at_lufs) and -70 <= self.at_lufs <= 0):
            raise InputError(
                f"calibration loudness {self.at_lufs!r} LUFS: use that of the sound that played, "
                "-70 to 0"
            )

    def expected_dba(self, loudness_lufs: float) -> float:
        """Level at the head for another loudness: decibel for decibel."""
        return self.level_dba + loudness_lufs - self.at_lufs


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseEstimate:
    """What a show would add up to, at its average level all the time (an upper estimate)."""

    level_dba: float
    minutes: float
    niosh_percent: float
    niosh_minutes_allowed: float
    weekly_adult_percent: float
    weekly_sensitive_percent: float
    daily_exposure_dba: float
    caution: str = CAUTION


def estimate_dose(calibration: Calibration, average_lufs: float, minutes: float) -> DoseEstimate:
    """Dose of ``minutes`` of sound at ``average_lufs``, counted as if it never paused."""
    level = calibration.expected_dba(average_lufs)
    exposure = [Exposure(level_dba=min(max(level, 0.0), 194.0), minutes=minutes)]
    return DoseEstimate(
        level_dba=level,
        minutes=minutes,
        niosh_percent=niosh_dose_percent(exposure),
        niosh_minutes_allowed=niosh_minutes(level),
        weekly_adult_percent=weekly_share_percent(exposure),
        weekly_sensitive_percent=weekly_share_percent(exposure, "sensitive"),
        daily_exposure_dba=daily_exposure_dba(exposure),
    )


# ---------------------------------------------------------------- jumps


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowSound:
    """One clip as the show plays it: how loud on the whole, at its loudest, how long, how often."""

    name: str
    average_lufs: float
    loudest_second_lufs: float
    duration_s: float
    hits: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """The loudest second against the energy average over all that is played."""

    average_lufs: float
    loudest_lufs: float
    name: str
    jump_lu: float

    def sentence(self) -> str:
        """``no jump above 3.2 LU: the loudest second is in siren, ...``"""
        return (
            f"no jump above {format_db(self.jump_lu, 'LU')}: the loudest second is in {self.name} "
            f"at {format_db(self.loudest_lufs, 'LUFS')}, the average is "
            f"{format_db(self.average_lufs, 'LUFS')}"
        )


def find_jump(sounds: Sequence[ShowSound]) -> Jump | None:
    """The show's loudest second against its average; None when nothing sounds.

    The average weighs each clip by how long it sounds and how often it is hit.
    """
    energy = time_s = 0.0
    for sound in sounds:
        weight = sound.duration_s * sound.hits
        energy += weight * 10.0 ** (sound.average_lufs / 10.0)
        time_s += weight
    if not sounds or time_s <= 0.0 or energy <= 0.0:
        return None
    loudest = max(sounds, key=lambda s: (s.loudest_second_lufs, s.name))
    average = power_to_db(energy / time_s)
    return Jump(
        average_lufs=average,
        loudest_lufs=loudest.loudest_second_lufs,
        name=loudest.name,
        jump_lu=loudest.loudest_second_lufs - average,
    )
