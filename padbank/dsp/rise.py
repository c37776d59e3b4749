"""When a sound rose out of its noise: a likelihood over all places where it may have begun.

What it answers: given frames whose beginning holds only noise, and a frame by which the
sound is there for sure, how early may the sound have begun?

1. The noise is learned from the still stretch: its spectrum, by linear prediction, and its
   power. The frames are passed through the prediction's inverse (``whitened``), after which the
   noise is even over all frequencies and every frame tells as much as the next.
2. From the sure frame the search goes back to the last place where no excess over the
   noise is left (``_span``).
3. From there to where the sound stands ``OVER_NOISE`` times over the noise, the sound is taken
   to rise as a power of time: at ``t`` frames after its beginning its power is ``g t**(2 p)``.
   For a grid of beginnings, of ``p`` from 0 (a step) to 3 and of ``g`` the likelihood of
   the frames is reckoned, noise and sound being Gaussian with that variance; summed over
   ``p`` and ``g`` it gives the odds of each beginning (``_odds``).
4. The answer is the beginning that is earlier than all but ``LATE_ODDS`` of these odds: a
   sudden sound is known to a few frames, and of a slow one the attack's own slope says how far back
   its masked foot may reach.

What cannot be seen: a foot under the noise that a chord's beat parts from the rise. Rises of 50 ms
and more then start up to a fifth of their length late, in what lies below the noise.

Bayes' rule with a grid; the models and figures are padbank's own (common practice, no source).
Linear prediction by the autocorrelation method: Makhoul, "Linear prediction: a tutorial
review", Proc. IEEE 63(4), 1975 (from memory).

Functions: ``rise_start``, ``whitened``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.envelope import means_back, running_sums

Frames = NDArray[np.float64]

ORDER = 16
_APART = np.abs(np.arange(ORDER)[:, None] - np.arange(ORDER))
LEAST_STILL = 8 * ORDER
"""Fewer still frames cannot tell the noise's spectrum."""
FLOOR_OF_SPECTRUM = 1e-3
"""White noise added before predicting, as a share: an empty band is lifted by 30 dB at most."""
OVER_NOISE = 100.0
"""How far up the rise is looked at, in power; less where the sound itself goes less far."""
LEAST_OVER_NOISE = 4.0
STILL_BELOW = 2.0
"""A mean power under this, in noises, has no excess that could be told."""
LATE_ODDS = 0.06
POWERS = np.array([0.0, 0.5, 1.0, 2.0, 3.0])
GAINS = np.array([0.4, 0.65, 1.0, 1.5, 2.4])
PLACES = 56
BINS = 200
REACH = 2.6
"""A power of 3 has its beginning 1.9 times as far back as where it leaves the noise."""
WEIGHT = 0.5
SOUND_WEIGHT = 0.02
SOUND_SOFTENS = 4.0
"""Frames of noise tell something new each; those of a sound hang together (a tone, its beats), so they
count less the louder they are."""


def whitened(frames: Frames, still: int) -> Frames:
    """``frames`` less what the noise in the first ``still`` lets predict, scaled to a noise of power 1.

    Parameters
    ----------
    frames : ndarray (frames,), without DC
    still : how many of them, from the first on, hold noise alone
    """
    noise = frames[:still]
    if still >= LEAST_STILL:
        lags = np.array([noise[: still - lag] @ noise[lag:] for lag in range(ORDER + 1)])
        if lags[0] > 0.0:
            lags[0] *= 1.0 + FLOOR_OF_SPECTRUM
            predictor = np.linalg.solve(lags[_APART], lags[1:])
            frames = np.convolve(frames, np.concatenate([[1.0], -predictor]))[: len(frames)]
            noise = frames[ORDER:still]
    power = float((noise**2).mean()) if len(noise) else 0.0
    return np.asarray(frames / np.sqrt(power)) if power > 0.0 else frames


def rise_start(power: Frames, rate: int, sure: int) -> float | None:
    """The frame, before which the sound began with odds of ``LATE_ODDS`` only.

    Parameters
    ----------
    power : ndarray (frames,): squares, in units of the noise's power
    rate : frames a second
    sure : a frame by which the sound is there

    Returns
    -------
    The frame (it may lie between two), or None where nothing stands out of the noise.
    """
    span = _span(power, rate, sure)
    if span is None:
        return None
    top, reach, over = span
    size = max(1, (reach + reach // 3) // BINS)
    count = min(top // size, (reach + reach // 3) // size + 1)
    if not count:
        return float(top)
    places, odds = _odds(power[top - count * size : top], size, reach, over, rate)
    back = float(np.interp(1.0 - LATE_ODDS, np.cumsum(odds), places))
    return max(0.0, top - back)


def _span(power: Frames, rate: int, sure: int) -> tuple[int, int, float] | None:
    """Where the rise tops what is looked at, how far back it may begin, and its power up there."""
    hop = max(1, rate // 200)
    low, stop = max(0, sure - 2 * hop), min(len(power), sure + hop + rate // 4)
    sums = running_sums(power[:stop])
    means = means_back(sums, hop)
    highest = float(means[max(0, sure - hop) :].max(initial=0.0))
    if highest < LEAST_OVER_NOISE:
        return None
    over = min(OVER_NOISE, max(highest / 4.0, LEAST_OVER_NOISE))
    peak = low + int(np.flatnonzero(means[low:] >= over)[0]) if (means[low:] >= over).any() else None
    if peak is None:
        return None
    width, last = hop, peak
    # the longer the rise, the longer the stretch that shows stillness; a beat of a chord is none
    for _ in range(4):
        under = np.flatnonzero(means_back(sums, width)[: min(peak, sure)] < STILL_BELOW)
        last = min(last, int(under[-1]) if len(under) else 0)
        wider = min(rate // 20, max(hop, (peak - last) // 3))
        if wider == width:
            break
        width = wider
    fine = max(2, rate // 10000, round(60 / over))
    begin = max(0, last - width)
    hits = np.flatnonzero(means_back(sums, fine)[begin : peak + 1] >= over)
    top = begin + int(hits[0]) if len(hits) else peak
    return top, min(top, int(REACH * max(top - last, 0)) + hop), over


def _odds(
    power: Frames, size: int, reach: int, over: float, rate: int
) -> tuple[Frames, Frames]:
    """Beginnings, in frames before the end of ``power``, nearest first; and the odds of each."""
    end = len(power)
    seen = power.reshape(-1, size).mean(axis=1)
    local = means_back(running_sums(power), max(4, rate // 2000))
    local = local.reshape(-1, size).mean(axis=1)
    weights = 0.5 * WEIGHT * size * (
        1.0 / (1.0 + np.maximum(local - 1.0, 0.0) / SOUND_SOFTENS) + SOUND_WEIGHT
    )
    time = (np.arange(len(seen)) + 0.5) * size
    places = np.geomspace(max(1.0, 0.5 * size), max(2.0, reach), PLACES)
    since = (time - (end - places[:, None])) / places[:, None]
    place, bin_of = (since > 0.0).nonzero()  # what lies after each beginning; before it there is noise alone
    begun, first = np.unique(place, return_index=True)
    logs, weight, power_of = np.log(since[place, bin_of]), weights[bin_of], seen[bin_of]
    noise = running_sums(seen * weights)[len(seen) - (since > 0.0).sum(axis=1)]
    fits = np.repeat(-noise[None, None, :], len(POWERS), axis=0).repeat(len(GAINS), axis=1)
    for row, exponent in enumerate(POWERS):
        expected = 1.0 + over * GAINS[:, None] * np.exp(2.0 * exponent * logs)
        misfits = (np.log(expected) + power_of / expected) * weight
        fits[row][:, begun] -= np.add.reduceat(misfits, first, axis=1)
    odds = np.exp(fits - fits.max()).sum(axis=(0, 1))
    return places, odds / odds.sum()
