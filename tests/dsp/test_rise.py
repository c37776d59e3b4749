"""The odds of each beginning, held against the same sums written out place by place."""

from __future__ import annotations

import numpy as np
import pytest

from padbank.dsp import rise


@pytest.mark.parametrize("seed", range(8))
def test_odds_are_the_likelihoods_written_out(seed: int) -> None:
    """Gaussian noise and sound of variance ``E``: each bin's log-likelihood is ``-w (log E + seen / E)``."""
    rng = np.random.default_rng(seed)
    size, count = int(rng.integers(1, 12)), int(rng.integers(2, 60))
    end, rate_hz, over = size * count, 44100, float(rng.uniform(4, 100))
    reach = int(rng.integers(2, 2 + end))
    power = rng.standard_normal(end) ** 2
    power[end // 2 :] *= 1.0 + np.linspace(0.0, 1.0, end - end // 2) ** 2 * over
    places, odds = rise._odds(power, size, reach, over, rate_hz)

    seen = power.reshape(-1, size).mean(axis=1)
    width = max(4, rate_hz // 2000)
    local = np.array([power[max(0, i - width + 1) : i + 1].mean() for i in range(end)]).reshape(-1, size).mean(axis=1)
    softened = 1.0 / (1.0 + np.maximum(local - 1.0, 0.0) / rise.SOUND_SOFTENS) + rise.SOUND_WEIGHT
    expected = np.zeros(len(places))
    logs = np.empty((len(places), len(rise.POWERS), len(rise.GAINS)))
    for i, place in enumerate(places):
        for j, exponent in enumerate(rise.POWERS):
            for k, gain in enumerate(rise.GAINS):
                total = 0.0
                for at in range(count):
                    since = ((at + 0.5) * size - (end - place)) / place
                    variance = 1.0 + (over * gain * since ** (2.0 * exponent) if since > 0.0 else 0.0)
                    total -= 0.5 * rise.WEIGHT * size * softened[at] * (np.log(variance) + seen[at] / variance)
                logs[i, j, k] = total
    expected = np.exp(logs - logs.max()).sum(axis=(1, 2))
    np.testing.assert_allclose(odds, expected / expected.sum(), atol=1e-9)
