"""The meter against BS.1770-5 itself and against two meters that nobody here wrote.

- A plain BS.1770-5, written here from the equations of Annex 1 and run sample
  by sample through scipy at 48 kHz with the table's own coefficients.
- pyloudnorm, with ``filter_class="DeMan"`` (its default class does not match
  the standard), on clips of 3 s and longer: it counts an incomplete last block.
- libebur128, through pyebur128, where that is installed.
"""

import math

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import lfilter

from padbank.dsp.measure import measure

# Rec. ITU-R BS.1770-5, Annex 1, tables 1 and 2: 48 kHz
SHELF = ([1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585])
HIGH_PASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])
WEIGHTS = {1: [1.0], 2: [1.0, 1.0], 5: [1.0, 1.0, 1.0, 1.41, 1.41], 6: [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]}


def plain_integrated(sound: np.ndarray, rate_hz: int = 48_000) -> float | None:
    """Annex 1, eq. 1 to 7, word for word."""
    weighted = lfilter(*HIGH_PASS, lfilter(*SHELF, sound, axis=0), axis=0)
    length, hop = round(0.4 * rate_hz), round(0.1 * rate_hz)
    powers = []
    for start in range(0, len(sound) - length + 1, hop):
        mean_squares = (weighted[start : start + length] ** 2).mean(axis=0)  # eq. 1
        powers.append(float(mean_squares @ WEIGHTS[sound.shape[1]]))
    loudness = [-0.691 + 10 * math.log10(p) if p > 0 else -math.inf for p in powers]  # eq. 2
    over = [p for p, level in zip(powers, loudness, strict=True) if level > -70.0]
    if not over:
        return None
    gate = -0.691 + 10 * math.log10(sum(over) / len(over)) - 10.0  # eq. 6
    kept = [p for p, level in zip(powers, loudness, strict=True) if level > -70.0 and level > gate]
    return -0.691 + 10 * math.log10(sum(kept) / len(kept))  # eq. 7


def clip(rng: np.random.Generator, seconds: float, channels: int, rate_hz: int = 48_000) -> np.ndarray:
    """Hits, a hum and hiss of uneven level: something for both gates to do."""
    frames = int(seconds * rate_hz)
    time_s = np.arange(frames) / rate_hz
    sound = 0.002 * rng.standard_normal((frames, channels))
    sound += 0.01 * np.sin(2 * np.pi * 50 * time_s)[:, None]
    for _ in range(int(2 * seconds)):
        start = int(rng.integers(frames))
        decay = np.exp(-(time_s[: frames - start]) / rng.uniform(0.02, 0.4))
        hit = np.sin(2 * np.pi * rng.uniform(60, 4_000) * time_s[: frames - start]) * decay
        sound[start:] += rng.uniform(0.02, 0.4) * hit[:, None] * rng.uniform(0.3, 1.0, channels)
    return sound


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_997_hz_at_full_scale_reads_minus_3_01(rate_hz: int) -> None:
    """BS.1770-5 Annex 1: 0 dBFS at 997 Hz in one front channel is -3.01 LKFS."""
    tone = np.sin(2 * np.pi * 997 / rate_hz * np.arange(2 * rate_hz))
    assert measure(tone, rate_hz).integrated_lufs == pytest.approx(-3.01, abs=0.005)
    both = np.stack([tone, tone], axis=1)
    assert measure(both, rate_hz).integrated_lufs == pytest.approx(0.0, abs=0.005)
    assert measure(tone, rate_hz, as_played=True).integrated_lufs == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("channels", [1, 2, 5, 6])
def test_plain_bs1770(channels: int) -> None:
    rng = np.random.default_rng(channels)
    for seconds in (0.4, 0.45, 1.09, 3.3, 7.34):
        sound = clip(rng, seconds, channels)
        assert measure(sound, 48_000).integrated_lufs == pytest.approx(
            plain_integrated(sound), abs=2e-5
        )


def test_incomplete_last_block_is_dropped() -> None:
    """1.09 s with its last 90 ms loud: the loud end lies in no complete block of 400 ms."""
    rng = np.random.default_rng(9)
    sound = 0.05 * rng.standard_normal((int(1.09 * 48_000), 1))
    sound[-4_300:] *= 8.0
    wanted = plain_integrated(sound)
    assert wanted is not None
    assert measure(sound, 48_000).integrated_lufs == pytest.approx(wanted, abs=2e-5)
    assert pyloudnorm.Meter(48_000, filter_class="DeMan").integrated_loudness(sound) > wanted + 2.0


@pytest.mark.parametrize(("index", "gain"), [(0, 1.0), (2, 1.0), (3, 0.0), (4, 1.41)])
def test_each_channel_of_5_1_has_its_weight(index: int, gain: float) -> None:
    """BS.1770-5 Annex 1, table 3; the LFE channel is left out."""
    tone = 0.1 * np.sin(2 * np.pi * 997 / 48_000 * np.arange(48_000))
    sound = np.zeros((48_000, 6))
    sound[:, index] = tone
    read = measure(sound, 48_000)
    if gain == 0.0:
        assert read.integrated_lufs is None
        assert read.momentary_max_lufs is None
        assert read.true_peak_dbtp == pytest.approx(-20.0, abs=0.01)  # heard, if not counted
    else:
        wanted = -23.01 + 10 * math.log10(gain)
        assert read.integrated_lufs == pytest.approx(wanted, abs=0.005)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_pyloudnorm_agrees_from_3_s_on(rate_hz: int) -> None:
    rng = np.random.default_rng(rate_hz)
    other = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    for tenths in (30, 47, 123):
        # a whole number of hops: elsewhere pyloudnorm counts the incomplete last block
        sound = clip(rng, tenths / 10, 2, rate_hz)
        within = 0.001 if rate_hz == 48_000 else 0.02  # at 44.1 kHz it bends the axis a little
        assert measure(sound, rate_hz).integrated_lufs == pytest.approx(
            other.integrated_loudness(sound), abs=within
        )


def fed_to_libebur128(sound: np.ndarray, rate_hz: int, *, poll: bool) -> dict[str, float]:
    """What libebur128 reads, asked for its momentary and short-term values every 20 ms."""
    lib = pytest.importorskip("pyebur128", reason="pyebur128 is not installed: pip install 'padbank[bench]'")
    modes = lib.MeasurementMode
    channels = sound.shape[1]
    mode = int(modes.MODE_I | modes.MODE_LRA | modes.MODE_TRUE_PEAK)
    state = lib.R128State(channels, rate_hz, mode)
    flat = sound.astype(np.float32).reshape(-1)
    step = rate_hz // 50 if poll else len(sound)
    momentary, short_term = -math.inf, -math.inf
    for at in range(0, len(sound), step):
        count = min(step, len(sound) - at)
        state.add_frames(flat[at * channels : (at + count) * channels], count)
        if poll:
            momentary = max(momentary, lib.get_loudness_momentary(state))
            short_term = max(short_term, lib.get_loudness_shortterm(state))
    true_peak = max(lib.get_true_peak(state, channel) for channel in range(channels))
    sample_peak = max(lib.get_sample_peak(state, channel) for channel in range(channels))
    return {
        "I": lib.get_loudness_global(state),
        "M": momentary,
        "S": short_term,
        "LRA": lib.get_loudness_range(state),
        "TP": 20 * math.log10(true_peak),
        "SP": 20 * math.log10(sample_peak),
    }


@pytest.mark.parametrize(("rate_hz", "channels"), [(44_100, 1), (44_100, 5), (48_000, 2)])
def test_libebur128_agrees(rate_hz: int, channels: int) -> None:
    sound = clip(np.random.default_rng(channels), 6.0, channels, rate_hz)
    theirs = fed_to_libebur128(sound, rate_hz, poll=True)
    read = measure(sound, rate_hz)
    assert read.integrated_lufs == pytest.approx(theirs["I"], abs=0.01)
    assert read.momentary_max_lufs == pytest.approx(theirs["M"], abs=0.05)
    assert read.short_term_max_lufs == pytest.approx(theirs["S"], abs=0.05)
    assert read.true_peak_dbtp == pytest.approx(theirs["TP"], abs=0.1)
    assert read.sample_peak_dbfs == pytest.approx(theirs["SP"], abs=1e-4)


def test_libebur128_agrees_on_the_range() -> None:
    """Over a minute and more; its values come once a second, ours ten times."""
    sound = clip(np.random.default_rng(2), 65.0, 1, 16_000)
    theirs = fed_to_libebur128(sound, 16_000, poll=False)
    assert measure(sound, 16_000).loudness_range_lu == pytest.approx(theirs["LRA"], abs=0.6)


def test_short_bursts_read_as_the_arithmetic_has_it() -> None:
    """A steady burst of d ms in a 400 ms window: 10 log10(d/400) below the steady tone (Annex 1)."""
    tone = np.sin(2 * np.pi * 2_000 / 48_000 * np.arange(48_000))
    steady = measure(tone, 48_000).momentary_max_lufs
    assert steady is not None
    for milliseconds, below in ((50, 9.03), (100, 6.02), (200, 3.01)):
        read = measure(tone[: milliseconds * 48], 48_000)
        assert read.integrated_lufs is None
        assert read.momentary_max_lufs == pytest.approx(steady - below, abs=0.05)
