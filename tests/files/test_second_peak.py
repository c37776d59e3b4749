"""The second meter's true peak must be that of looking everywhere, whatever sound it is given."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import resample_poly

from padbank.files import second_peak
from padbank.files.second_peak import GROUP, HALF_FILTER_FRAMES, interpolator, true_peak

RATE = 48000


def everywhere(samples: np.ndarray) -> float:
    """The whole sound at 8 times its rate, silence on either side, by scipy and nothing else."""
    silence = np.zeros((2 * HALF_FILTER_FRAMES, samples.shape[1]))
    wide = np.concatenate([silence, samples, silence])
    return float(np.abs(resample_poly(wide, 8, 1, axis=0, window=interpolator())).max())


def peak_of(samples: np.ndarray) -> float:
    return true_peak(lambda start, n: samples[start : start + n], len(samples))


def sounds() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(4)
    n = 30_011
    t = np.arange(n)[:, np.newaxis] / RATE
    noise = rng.standard_normal((n, 2))
    decay = np.exp(-4.0 * t)
    return {
        "noise": 0.2 * noise,
        "noise as loud as it goes": np.sign(noise),
        "clipped noise": np.clip(noise, -0.3, 0.3),
        "walk": np.cumsum(noise, axis=0) / 500.0,
        "low tone": 0.5 * np.sin(2 * np.pi * 60.0 * t),
        "high tone": 0.5 * np.sin(2 * np.pi * 15_003.0 * t + 0.3),
        "hit": np.sin(2 * np.pi * 180.0 * t) * decay,
        "every other frame": np.cos(np.pi * np.arange(n))[:, np.newaxis],
        "clipped drum": np.clip(3.0 * np.sin(2 * np.pi * 90.0 * t) * decay, -0.9, 0.9),
        "ends in full swing": np.column_stack([noise[:, 0] * decay[::-1, 0], decay[:, 0]]),
        "one frame": np.array([[0.7, -0.2]]),
        "three channels": rng.standard_normal((700, 3)) * [0.01, 0.3, 0.1],
    }


@pytest.mark.parametrize("name", sounds())
def test_it_is_the_peak_of_looking_everywhere(name: str) -> None:
    samples = sounds()[name]
    assert peak_of(samples) == pytest.approx(everywhere(samples), rel=1e-12)


def test_pieces_and_stretches_leave_no_gap(monkeypatch: pytest.MonkeyPatch) -> None:
    """A lone peak between two frames, at every place around the seams of pieces."""
    monkeypatch.setattr(second_peak, "PIECE_FRAMES", 2 * GROUP)
    rng = np.random.default_rng(6)
    quiet = 0.05 * rng.standard_normal((6 * GROUP + 7, 1))
    for at in range(len(quiet) - 1):
        samples = quiet.copy()
        samples[at : at + 2] = 0.9  # between two equal frames the sound stands above both
        peak = peak_of(samples)
        assert peak > 1.0 and peak == pytest.approx(everywhere(samples), rel=1e-12), at


def test_no_sound_passes_its_bound() -> None:
    """The worst sound for a point is full scale with the signs of the interpolator's coefficients:
    for each of the eight phases its highest point must lie under its stretch's bound, and so must random sounds'."""
    reach = HALF_FILTER_FRAMES + 2 * GROUP
    rng = np.random.default_rng(8)
    h = interpolator()
    worst = []
    for eighth in range(8):
        tap = len(h) // 2 + eighth - 8 * (np.arange(2 * reach) - reach)
        inside = (tap >= 0) & (tap < len(h))
        worst.append(np.where(inside, np.sign(h[np.clip(tap, 0, len(h) - 1)]), 1.0))
    randoms = [np.sign(rng.standard_normal(2 * reach)) for _ in range(50)]
    tones = [np.sin(hz * np.arange(2 * reach) + 1.0) for hz in np.linspace(0.01, np.pi, 50)]
    for sound in [*worst, *randoms, *tones]:
        count = 5 * GROUP
        samples = sound[:, np.newaxis]
        lines = second_peak._lines(lambda start, n, s=samples: s[start : start + n], 0, count, len(sound))
        bounds = second_peak._bounds(lines, float(np.abs(sound).max()))
        for stretch in range(count // GROUP):
            highest = second_peak._look(second_peak._stretches(lines, np.array([stretch])))
            assert highest <= bounds[stretch]


def test_of_music_like_sound_next_to_nothing_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    looked = []
    look = second_peak._look

    def counting(rows: np.ndarray) -> float:
        looked.append(rows.size)
        return look(rows)

    monkeypatch.setattr(second_peak, "_look", counting)
    rng = np.random.default_rng(9)
    noise = 0.1 * rng.standard_normal((20 * RATE, 2))
    peak_of(noise)
    assert sum(looked) < 0.05 * noise.size
