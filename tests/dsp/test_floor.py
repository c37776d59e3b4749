"""How far the halves of a stretch lie apart, by definition."""

from __future__ import annotations

import math

import numpy as np
import pytest

from padbank.dsp.floor import _halves_apart_db


@pytest.mark.parametrize("hops", [2, 8, 80])
def test_halves_apart(hops: int) -> None:
    half = hops // 2
    power = np.concatenate([np.full(half, 1e-6), np.full(half, 1e-5)])
    assert _halves_apart_db(power) == pytest.approx(10.0, abs=1e-9)
    assert _halves_apart_db(power[::-1]) == pytest.approx(10.0, abs=1e-9)
    noise = np.random.default_rng(2).exponential(size=hops)
    wanted = abs(10 * math.log10(float(np.mean(noise[:half])) / float(np.mean(noise[half:]))))
    assert _halves_apart_db(noise) == pytest.approx(wanted, abs=1e-9)
    assert _halves_apart_db(np.concatenate([np.zeros(half), np.ones(half)])) == math.inf
