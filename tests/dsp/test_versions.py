"""What mono or a lower rate would lose, against energies worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from padbank.dsp.versions import MOST_LOSS_DB, mono_loss_db, rate_loss_db

RATE_HZ = 44100
TIME_S = np.arange(RATE_HZ) / RATE_HZ


def tone(frequency_hz: float) -> np.ndarray:
    return np.sin(2 * np.pi * frequency_hz * TIME_S)


def test_mono_loses_the_side_signal() -> None:
    same = np.column_stack([tone(300), tone(300)])
    unrelated = np.column_stack([tone(300), tone(1234)])  # mid and side hold a quarter of each: ratio 2
    half = np.column_stack([tone(300), 0 * TIME_S])  # mid = side = half the tone: ratio 2
    assert mono_loss_db(same) == 0.0
    assert mono_loss_db(unrelated) == pytest.approx(10 * np.log10(2), abs=0.02)
    assert mono_loss_db(half) == pytest.approx(10 * np.log10(2), abs=1e-9)
    assert mono_loss_db(np.column_stack([tone(300), -tone(300)])) == MOST_LOSS_DB
    assert mono_loss_db(tone(300)[:, None]) == 0.0
    assert mono_loss_db(np.zeros((100, 2))) == 0.0


def test_a_lower_rate_loses_what_lies_above_it() -> None:
    low, high = tone(1000)[:, None], tone(15000)[:, None]
    assert rate_loss_db(low, RATE_HZ, (22050, 44100, 48000)) == pytest.approx({22050: 0, 44100: 0, 48000: 0}, abs=0.01)
    assert rate_loss_db(high, RATE_HZ, (22050,))[22050] == MOST_LOSS_DB
    # After a first difference a tone of f has 4·sin²(pi·f/rate) of its energy: scale the two to be equal there,
    # then half the energy is lost, 3.01 dB.
    weight = np.sin(np.pi * 1000 / RATE_HZ) / np.sin(np.pi * 15000 / RATE_HZ)
    assert rate_loss_db(low + weight * high, RATE_HZ, (22050,))[22050] == pytest.approx(10 * np.log10(2), abs=0.05)
    assert rate_loss_db(np.zeros((50, 1)), RATE_HZ, (22050,)) == {22050: 0.0}


def test_long_sounds_are_judged_on_blocks_spread_over_them() -> None:
    long = np.concatenate([tone(1000)] * 60 + [tone(15000)] * 60)[:, None]
    weight = np.sin(np.pi * 1000 / RATE_HZ) ** 2 / np.sin(np.pi * 15000 / RATE_HZ) ** 2
    expected = 10 * np.log10((weight + 1) / weight)
    assert rate_loss_db(long, RATE_HZ, (22050,))[22050] == pytest.approx(expected, abs=0.3)
