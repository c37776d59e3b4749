"""Units and the only rounding rules: decibels and gains, seconds and frames, bytes.

A *frame* is one instant across all channels; a *sample* is one channel's
value. Time is ``float`` seconds in the domain and ``int`` frames inside
``dsp``; ``seconds_to_frames`` is the one place where it is rounded.

Functions: ``db_to_gain``, ``gain_to_db``, ``power_to_db``,
``seconds_to_frames``, ``json_number``,
``format_bytes``, ``format_db``, ``format_change``, ``format_seconds``.
"""

from __future__ import annotations

import math

MONO_ON_BOTH_SIDES_LU = 10.0 * math.log10(2.0)
"""A mono clip played on both sides reads this much louder than as one channel (+3.01 LU):
BS.1770-5 eq. 2 sums the mean squares of the channels."""


def db_to_gain(level_db: float) -> float:
    """Amplitude ratio of a level in dB; ``-inf`` gives 0."""
    return 0.0 if level_db == -math.inf else 10.0 ** (level_db / 20.0)


def gain_to_db(gain: float) -> float:
    """Level in dB of an amplitude ratio (its magnitude); 0 gives ``-inf``."""
    gain = abs(gain)
    return -math.inf if gain == 0.0 else 20.0 * math.log10(gain)


def power_to_db(power: float) -> float:
    """Level in dB of a power ratio; 0 or less gives ``-inf``."""
    return -math.inf if power <= 0.0 else 10.0 * math.log10(power)


def seconds_to_frames(time_s: float, rate_hz: int) -> int:
    """Nearest frame, halves upward; the same on every platform."""
    return math.floor(time_s * rate_hz + 0.5)


def json_number(value: float | None, digits: int = 4) -> float | None:
    """A number that JSON can hold: NaN and infinities become None, the rest is rounded."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def format_bytes(n_bytes: int | float) -> str:
    """Decimal units, as cards are sold: ``12.3 MB``."""
    value = float(n_bytes)
    for unit in ("B", "kB", "MB", "GB"):
        if abs(value) < 1000 or unit == "GB":
            return f"{value:.0f} {unit}" if unit == "B" else f"{value:.1f} {unit}"
        value /= 1000
    raise AssertionError("unreachable")


def format_db(value: float | None, unit: str, digits: int = 1) -> str:
    """``-16.0 LUFS``; None and infinities are shown as ``none``."""
    if value is None or not math.isfinite(value):
        return "none"
    text = f"{round(value, digits) + 0.0:.{digits}f}"  # no −0.0
    return f"{text.replace('-', '−')} {unit}" if unit else text.replace("-", "−")


def format_change(value: float, unit: str, digits: int = 1) -> str:
    """A difference with its sign: ``+0.5 dB``, ``−2.0 LU``."""
    return f"{value:+.{digits}f} {unit}".replace("-", "−").strip()


def format_seconds(time_s: float | None) -> str:
    """``0.350 s`` below a minute, ``12:05.0`` from there on."""
    if time_s is None or not math.isfinite(time_s):
        return "none"
    if time_s < 60:
        return f"{time_s:.3f} s" if time_s < 10 else f"{time_s:.1f} s"
    minutes, rest = divmod(round(time_s, 1), 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours}:{minutes:02d}:{rest:04.1f}" if hours else f"{minutes}:{rest:04.1f}"
