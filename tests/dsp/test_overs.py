"""Where a sound goes over: against scipy's interpolation and the meter's own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from padbank.dsp.interpolate import taps_at
from padbank.dsp.overs import Overs, drift, peaks_over
from padbank.dsp.peak import oversampled


def both(samples):
    """Peak within a frame either way of each frame, by scipy at 8 x and by the meter's filter."""
    n = len(samples)
    short = np.abs(signal.resample_poly(samples, 8, 1, axis=0)).max(axis=1).reshape(n, 8)
    long = np.abs(oversampled(samples, 8)).max(axis=1).reshape(n, 8)
    after = np.maximum(short.max(axis=1), long.max(axis=1))
    peaks = after.copy()
    peaks[1:] = np.maximum(peaks[1:], after[:-1])
    return peaks


@pytest.mark.parametrize("frames", [2, 5, 23, 24, 25, 47, 48, 49, 1000, 5001])
@pytest.mark.parametrize("channels", [1, 2])
def test_as_two_interpolators_see_it(frames, channels):
    samples = np.random.default_rng(frames).standard_normal((frames, channels))
    peaks, expected = peaks_over(samples, 0.0), both(samples)
    # 5e-3: on the frames themselves scipy's filter is not exactly 1; the ends ring further
    assert np.allclose(peaks[1:-1], expected[1:-1], rtol=5e-3, atol=2e-6)
    assert peaks[0] >= expected[0] * 0.995
    assert peaks[-1] >= expected[-1] * 0.995


@pytest.mark.parametrize("threshold", [0.5, 1.0, 2.0, 3.5])
def test_nothing_over_the_threshold_is_missed(threshold):
    rng = np.random.default_rng(9)
    n = 20_000
    shape = np.abs(np.sin(np.arange(n) * 2e-3))[:, None] ** 4
    for samples in (
        rng.standard_normal((n, 2)) * shape,
        np.sign(rng.standard_normal((n, 1))) * shape * 2,
        np.sin(np.arange(n) * 0.01)[:, None] * shape * 4,
    ):
        whole, pruned = peaks_over(samples, 0.0), peaks_over(samples, threshold)
        over = whole >= threshold
        assert np.allclose(pruned[over], whole[over], rtol=1e-6)
        assert (pruned <= whole * (1 + 1e-6)).all()


def test_ends_ring_and_nothing_gives_nothing():
    assert len(peaks_over(np.zeros((0, 1)), 0.1)) == 0
    assert peaks_over(np.ones((1, 1)), 0.0)[0] == pytest.approx(1.0, abs=1e-3)
    # an abrupt end rings above the last samples
    step = np.ones((300, 1))
    assert peaks_over(step, 0.0)[-1] > 1.05


def test_no_group_passes_its_bound():
    rng = np.random.default_rng(4)
    n = np.arange(12_000)
    sounds = [rng.standard_normal(len(n)), np.sign(rng.standard_normal(len(n)))]
    sounds += [np.sin(2 * np.pi * share * n + 0.3) for share in (0.01, 0.2, 0.45, 0.47, 0.49, 0.4999)]
    sounds += [np.sign(np.sin(2 * np.pi * share * n + 0.1)) for share in (0.001, 0.11, 0.37, 0.47)]
    # what an interpolator would like best: every frame of the sign of its tap
    sounds += [np.pad(np.sign(taps_at(share)), 200) for share in np.linspace(0, 1, 33)]
    for sound in sounds:
        overs = Overs(sound[:, None])
        bounds = overs.bounds()
        overs.look(np.arange(overs.groups))
        highest = overs._spans.reshape(len(bounds), -1).max(axis=1)
        loud = highest > 1e-3 * highest.max()
        assert (highest[loud] <= bounds[loud]).all()


def test_what_is_far_below_a_level_is_bounded_loosely_and_the_rest_as_ever():
    """Decaying hits, of which the tails cannot matter: which groups may reach the level must not change."""
    rng = np.random.default_rng(7)
    n = np.arange(9_001)
    hit = np.exp(-(n % 3000) / 300.0) * rng.standard_normal(len(n))
    for sound in (np.stack([hit, 0.5 * hit[::-1]], axis=1), np.clip(40.0 * hit, -1, 1)[:, None]):
        overs = Overs(sound)
        closely = overs.bounds()
        for least in (0.0, 0.01, 0.3, 1.0, 10.0, 1e9):
            bounds = overs.bounds(least)
            may = closely >= least
            assert np.array_equal(bounds >= least, may) and np.allclose(bounds[may], closely[may], rtol=1e-5)
            assert (bounds >= closely * (1 - 1e-5)).all()


def test_drift_bounds_what_a_changing_gain_adds():
    rng = np.random.default_rng(5)
    sound = np.sign(rng.standard_normal((4000, 1)))
    change = 1e-4
    gain = 1.0 + change * (np.arange(4000) - 2000.0)[:, None]
    before, after = peaks_over(sound, 0.0), peaks_over(sound * gain, 0.0)
    near = np.abs(after - before * gain[:, 0])[100:-100]
    assert near.max() <= change * (drift() + before.max())  # and a frame's own step of the gain
