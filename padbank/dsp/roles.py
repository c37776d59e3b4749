"""Whether a clip is a ``hit`` or a ``phrase``, proposed from its envelope.

What it answers: by which figure the clip should be levelled. A *hit* is one
stroke that dies away: its loudness is that of its loudest 400 ms, because
the ear judges a stroke by its moment, and the silence or ring after it
would only make an average say less. A *phrase* goes on: speech, song sections,
loops and beds are judged over their whole length.

The rule, on the 5 ms envelope of the trimmed clip (figures are padbank's own:
common practice, no source). A clip is a hit when

1. it sounds for less than ``HIT_MAX_S`` above ``AUDIBLE_DB`` under its loudest,
2. ``HIT_ENERGY_SHARE`` of its energy lies within the 400 ms from where it is
   strongest (the window of BS.1770's momentary loudness),
3. it strikes: it comes within ``STRUCK_DB`` of its loudest in the first
   ``STRUCK_S`` (a spoken word's vowel takes longer to open), and
4. it has one stroke: no second rise of ``STROKE_RISE_DB`` or more that comes
   within ``STROKE_NEAR_DB`` of the loudest and ``STROKE_APART_S`` or more after
   the first.

Anything else is a phrase, as is what cannot be judged: a wrong *phrase* makes a
lone stroke too loud by what its tail takes from the average, never more than
the gate's 10 LU, while the peak ceiling still holds.

Below 400 ms both roles read the same, so a wrong guess costs nothing there.

Functions: ``propose_role``, ``propose_role_of``, ``role_difference_lu``,
``check_roles``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.domain import Measurement, Role
from padbank.dsp.edges import EdgeFinder, Edges
from padbank.dsp.envelope import Envelope, running_sums

HIT_MAX_S = 4.0
AUDIBLE_DB = 40.0
HIT_ENERGY_SHARE = 0.75
STRUCK_DB = 3.0
STRUCK_S = 0.050
STROKE_RISE_DB = 6.0
STROKE_NEAR_DB = 12.0
STROKE_APART_S = 0.060
WINDOW_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleProposal:
    """A role and the reason for it, in words with numbers."""

    role: Role
    reason: str


def propose_role(envelope: Envelope, edges: Edges) -> RoleProposal:
    """Role of the sound between its edges. ``envelope`` from the ``EdgeFinder`` of the sound."""
    if edges.silent or not len(envelope.power):
        return RoleProposal(role="phrase", reason="silent")
    first = edges.onset_frame // envelope.hop_frames
    last = max(first + 1, -(-edges.end_frame // envelope.hop_frames))
    power = envelope.power[first:last]
    top = float(power.max(initial=0.0))
    if top <= 0.0:
        return RoleProposal(role="phrase", reason="silent")
    loud = np.flatnonzero(power > top * 10 ** (-AUDIBLE_DB / 10))
    sounding_s = (int(loud[-1]) - int(loud[0]) + 1) * envelope.hop_s
    if sounding_s > HIT_MAX_S:
        return RoleProposal(role="phrase", reason=f"sounds for {sounding_s:.1f} s")
    window = max(1, round(WINDOW_S / envelope.hop_s))
    sums = running_sums(power)
    ends = np.minimum(np.arange(len(power)) + window, len(power))
    share = float((sums[ends] - sums[:-1]).max() / sums[-1])
    if share < HIT_ENERGY_SHARE:
        return RoleProposal(
            role="phrase", reason=f"only {100 * share:.0f} % of its energy lies in its loudest 400 ms"
        )
    smooth = _smooth(power, envelope.hop_s)
    loudest = np.flatnonzero(smooth >= smooth.max() * 10 ** (-STRUCK_DB / 10))
    rise_s = int(loudest[0]) * envelope.hop_s
    if rise_s > STRUCK_S:
        return RoleProposal(role="phrase", reason=f"takes {1000 * rise_s:.0f} ms to rise")
    strokes = count_strokes(power, envelope.hop_s)
    if strokes > 1:
        return RoleProposal(role="phrase", reason=f"{strokes} strokes")
    return RoleProposal(
        role="hit",
        reason=f"one stroke, {100 * share:.0f} % of its energy in its loudest 400 ms",
    )


def count_strokes(power: NDArray[np.float64], hop_s: float) -> int:
    """Rises of ``STROKE_RISE_DB`` that come near the loudest, at least ``STROKE_APART_S`` apart.

    The envelope is smoothed over 20 ms first, so that a low tone's own ripple is none.
    """
    smooth = _smooth(power, hop_s)
    floor = float(smooth.max()) * 10 ** (-60.0 / 10)
    level = 10.0 * np.log10(np.maximum(smooth, floor))
    near = float(level.max()) - STROKE_NEAR_DB
    strokes, lowest, last = 0, -np.inf, -np.inf
    armed = True
    for hop, value in enumerate(level.tolist()):  # plain numbers: three times as fast here
        if armed and value >= near and value >= lowest + STROKE_RISE_DB:
            if (hop - last) * hop_s >= STROKE_APART_S:
                strokes += 1
            last, armed, lowest = hop, False, value
        elif armed:
            lowest = min(lowest, value) if lowest > -np.inf else value
        else:
            lowest = max(lowest, value)  # the crest of the stroke that goes on
            if value <= lowest - STROKE_RISE_DB:
                armed, lowest = True, value
    return max(1, strokes)


def _smooth(power: NDArray[np.float64], hop_s: float) -> NDArray[np.float64]:
    """Mean of the last 20 ms at each hop."""
    width = max(1, round(0.020 / hop_s))
    return np.asarray(np.convolve(power, np.ones(width) / width)[: len(power)])


def propose_role_of(samples: NDArray[Any], sample_rate_hz: int) -> RoleProposal:
    """Role of a whole sound in memory, ``(frames, channels)``."""
    samples = np.asarray(samples)
    if samples.ndim == 1:
        samples = samples[:, None]
    finder = EdgeFinder(sample_rate_hz, samples.shape[1])
    finder.feed(samples)
    edges = finder.finish(lambda start, count: samples[start : start + count])
    return propose_role(finder.envelope, edges)


# ---------------------------------------------------------------- sanity without listening


def role_difference_lu(measurement: Measurement) -> float:
    """How much louder or softer a clip would be made under the other role; 0 when equal.

    It is momentary maximum less integrated: what a wrong role costs.
    """
    if measurement.momentary_max_lufs is None or measurement.integrated_lufs is None:
        return 0.0
    return measurement.momentary_max_lufs - measurement.integrated_lufs


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleCheck:
    """How proposals compare with what a listener or a folder's name says.

    ``misjudged`` are names whose role differs from the expected one;
    ``matters`` those of them where it changes the level by more than 1 LU.
    """

    clips: int
    misjudged: tuple[str, ...]
    matters: tuple[str, ...]
    worst_lu: float


def check_roles(rows: Iterable[tuple[str, Role, Role, Measurement]]) -> RoleCheck:
    """Compare ``(name, expected, proposed, measurement)`` rows."""
    clips, wrong, matters, worst = 0, [], [], 0.0
    for name, expected, proposed, measurement in rows:
        clips += 1
        if expected == proposed:
            continue
        wrong.append(name)
        cost = role_difference_lu(measurement)
        worst = max(worst, abs(cost))
        if abs(cost) > 1.0:
            matters.append(name)
    return RoleCheck(
        clips=clips, misjudged=tuple(wrong), matters=tuple(matters), worst_lu=worst
    )
