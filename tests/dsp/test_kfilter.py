"""The K filter: the standard's response at every rate, in blocks as in one go.

Truth: the coefficients for 48 kHz of Rec. ITU-R BS.1770-5, Annex 1, tables 1
and 2, evaluated here on the unit circle.
"""

import numpy as np
import pytest
from scipy.signal import sosfilt

from padbank.dsp.kfilter import StateScan, block_filter, k_weighting

TABLE_1_AND_2 = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)


def response_db(sos: np.ndarray, rate_hz: float, freq_hz: np.ndarray) -> np.ndarray:
    z = np.exp(-2j * np.pi * freq_hz / rate_hz)
    powers = np.stack([np.ones_like(z), z, z**2])
    gains = [(section[:3] @ powers) / (section[3:] @ powers) for section in sos]
    return 20.0 * np.log10(np.abs(np.prod(gains, axis=0)))


def error_db(rate_hz: int) -> float:
    """Largest difference from the table from 10 Hz to 0.45 of the rate (the table ends at 24 kHz)."""
    top = 0.45 * rate_hz
    freq = np.concatenate([np.geomspace(10.0, top, 2_000), np.linspace(10.0, top, 2_000)])
    wanted = response_db(TABLE_1_AND_2, 48_000, np.minimum(freq, 24_000.0 - 1e-6))
    return float(np.abs(response_db(k_weighting(rate_hz), rate_hz, freq) - wanted).max())


@pytest.mark.parametrize(
    "rate_hz", [22_050, 24_000, 32_000, 37_800, 44_056, 44_100, 47_999, 48_000, 50_000, 64_000,
                88_200, 96_000, 128_000, 176_400, 191_999, 192_000],
)  # fmt: skip
def test_within_0_001_db_of_the_table(rate_hz: int) -> None:
    assert error_db(rate_hz) < 0.001


@pytest.mark.parametrize(
    ("rate_hz", "within_db"), [(16_000, 0.001), (12_000, 0.004), (11_025, 0.005), (8_000, 0.01)]
)
def test_low_rates_stay_within_what_is_documented(rate_hz: int, within_db: float) -> None:
    assert error_db(rate_hz) < within_db


def test_48_khz_is_the_table_itself() -> None:
    np.testing.assert_array_equal(k_weighting(48_000), TABLE_1_AND_2)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_minimum_phase_and_stable(rate_hz: int) -> None:
    for section in k_weighting(rate_hz):
        assert np.abs(np.roots(section[3:])).max() < 1.0
        assert np.abs(np.roots(section[:3])).max() < 1.0 + 1e-6


@pytest.mark.parametrize(("rate_hz", "block"), [(44_100, 49), (48_000, 48), (8_000, 32), (192_000, 48)])
def test_block_products_are_the_recursion(rate_hz: int, block: int) -> None:
    """Against scipy's sample-by-sample filter, over chunks of 3, 4 and 2 supergroups."""
    group, supergroup, most, channels = 4, 3, 4, 2
    rng = np.random.default_rng(4)
    sound = rng.standard_normal((channels, 9 * group * supergroup * block))
    wanted = sosfilt(k_weighting(rate_hz), sound)
    parts = block_filter(rate_hz, block)
    scan = StateScan(rate_hz, block, channels, group, supergroup, most)
    state = np.zeros((channels, 4), dtype=np.float32)
    got = []
    for chunk in np.split(sound, [sound.shape[1] // 3, sound.shape[1] // 9 * 7], axis=1):
        rows = chunk.reshape(channels, -1, block)
        additions = np.ascontiguousarray((rows @ parts.to_state).astype(np.float32))
        states, state = scan.states(additions, state)
        got.append((rows @ parts.direct + states @ parts.from_state).reshape(channels, -1))
    np.testing.assert_allclose(np.concatenate(got, axis=1), wanted, atol=3e-6)
