"""Loudness windows: where they begin and end, gates, gain, silence and odd input."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padbank.dsp.energies import SlotGrid
from padbank.dsp.integrated import IntegratedMeter
from padbank.dsp.loudness import (
    LoudnessMeter,
    integrated_power,
    loudness_over_time,
    loudness_range_lu,
    power_to_lufs,
)
from padbank.dsp.measure import Meter, measure
from padbank.errors import InputError

RATES_HZ = (8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 37_800, 44_056, 44_100, 47_999,
            48_000, 50_000, 64_000, 88_200, 96_000, 176_400, 191_999, 192_000)  # fmt: skip


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_slots_make_whole_hops_of_100_ms(rate_hz: int) -> None:
    grid = SlotGrid.of(rate_hz)
    hops = np.arange(0, 500)
    wanted = np.floor(hops * rate_hz / 10 + 0.5)
    np.testing.assert_array_equal(grid.start(hops * grid.slots_per_hop), wanted)
    slots = np.diff(grid.start(np.arange(2_000))) / rate_hz
    assert slots.min() > 0.0019 and slots.max() < 0.0042
    for slot in (0, 1, 17, 999):
        first = int(grid.start(slot))
        assert grid.whole_slots(first) == slot
        assert slot == 0 or grid.whole_slots(first - 1) == slot - 1


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 47_999, 96_000])
def test_windows_are_those_of_the_definition(rate_hz: int) -> None:
    """Momentary and short-term curves against sums over a filtered sound, window by window."""
    from scipy.signal import sosfilt

    from padbank.dsp.kfilter import k_weighting

    rng = np.random.default_rng(1)
    sound = 0.1 * rng.standard_normal((int(3.7 * rate_hz), 2)) * np.linspace(0.1, 1, int(3.7 * rate_hz))[:, None]
    squares = (sosfilt(k_weighting(rate_hz), sound, axis=0) ** 2).sum(axis=1)
    over_time = loudness_over_time(sound, rate_hz)
    for curve, seconds in (("momentary_lufs", 0.4), ("short_term_lufs", 3.0)):
        values = getattr(over_time, curve)
        assert len(values) == pytest.approx((3.7 - seconds) / (over_time.start_s[1]), abs=3)
        for i in (0, 7, len(values) // 2, len(values) - 1):
            start = round(over_time.start_s[i] * rate_hz)
            end = round(over_time.end_s(curve)[i] * rate_hz)
            assert abs(end - start - seconds * rate_hz) <= 1
            wanted = -0.691 + 10 * math.log10(squares[start : start + round(seconds * rate_hz)].mean())
            assert values[i] == pytest.approx(wanted, abs=0.002)


def test_maxima_do_not_depend_on_where_a_clip_lies() -> None:
    rng = np.random.default_rng(5)
    hit = rng.standard_normal((6_000, 1)) * np.exp(-np.arange(6_000) / 900.0)[:, None] * 0.3
    alone = measure(hit, 44_100)
    for offset in (1, 50, 733, 4_411, 44_099):
        later = measure(np.concatenate([np.zeros((offset, 1)), hit]), 44_100)
        assert later.momentary_max_lufs == pytest.approx(alone.momentary_max_lufs, abs=0.03)
        assert later.short_term_max_lufs == pytest.approx(alone.short_term_max_lufs, abs=0.01)
        assert later.true_peak_dbtp == pytest.approx(alone.true_peak_dbtp, abs=1e-4)


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-30.0, 20.0), seed=st.integers(0, 1_000))
def test_gain_moves_every_level_by_as_much(gain_db: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    sound = 0.05 * rng.standard_normal((20_000, 2))
    plain, louder = measure(sound, 32_000), measure(sound * 10 ** (gain_db / 20), 32_000)
    for name in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "true_peak_dbtp", "sample_peak_dbfs"):
        assert getattr(louder, name) - getattr(plain, name) == pytest.approx(gain_db, abs=1e-3)


def test_gates_by_hand() -> None:
    """Two blocks at 0.01, one at 0.0001 (20 LU below: gated), one below -70 LUFS."""
    blocks = np.array([0.01, 0.0001, 0.01, 1e-9])
    assert integrated_power(blocks) == pytest.approx(0.01)
    assert integrated_power(np.array([1e-9])) == 0.0
    assert integrated_power(np.zeros(0)) == 0.0
    assert power_to_lufs(1.0) == -0.691
    assert power_to_lufs(0.0) is None
    # 10th and 95th percentile of 1 to 21 (dB over -30): values 3 and 20
    steps = 10.0 ** ((np.arange(1, 22) - 30) / 10.0)
    assert loudness_range_lu(steps) == pytest.approx(17.0)
    assert loudness_range_lu(np.array([1e-9])) is None


def test_range_needs_3_s_and_integrated_400_ms() -> None:
    rng = np.random.default_rng(2)
    sound = 0.1 * rng.standard_normal((3 * 48_000, 1))
    assert measure(sound[:-1], 48_000).loudness_range_lu is None
    assert measure(sound, 48_000).loudness_range_lu == 0.0
    assert measure(sound[:19_199], 48_000).integrated_lufs is None
    assert measure(sound[:19_200], 48_000).integrated_lufs is not None


@pytest.mark.parametrize("frames", [1, 2, 31, 33, 147, 480, 17_639, 17_641])
@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 192_000])
def test_odd_lengths_give_finite_figures(frames: int, rate_hz: int) -> None:
    sound = np.random.default_rng(frames).standard_normal((frames, 2)) * 0.2
    read = measure(sound, rate_hz)
    for name in ("momentary_max_lufs", "short_term_max_lufs", "true_peak_dbtp", "sample_peak_dbfs"):
        assert math.isfinite(getattr(read, name)), name
    assert read.true_peak_dbtp >= read.sample_peak_dbfs
    assert (read.integrated_lufs is None) == (frames < round(0.4 * rate_hz))


def test_dc_is_not_loud() -> None:
    """The high-pass takes a constant away; only its start is heard."""
    read = measure(np.full(10 * 48_000, 0.5), 48_000)
    assert read.sample_peak_dbfs == pytest.approx(-6.02, abs=0.01)
    assert read.integrated_lufs is None or read.integrated_lufs < -30
    noise = 0.01 * np.random.default_rng(3).standard_normal(10 * 48_000)
    # the constant comes in over a second, or its step would be the loudest thing
    rise = 0.25 - 0.25 * np.cos(np.pi * np.minimum(np.arange(len(noise)) / 48_000, 1.0))
    on_dc = measure(noise + rise, 48_000).integrated_lufs
    alone = measure(noise, 48_000).integrated_lufs
    assert on_dc == pytest.approx(alone, abs=0.001)


def test_silence_after_sound_leaves_no_denormal_numbers() -> None:
    """What rings on is forgotten in time, so silence never meets the processor's slow path."""
    meter = LoudnessMeter(48_000, 2)
    meter.feed(np.random.default_rng(4).standard_normal((48_000, 2)))
    seen = []
    for _ in range(60):
        meter.feed(np.zeros((24_000, 2)))
        seen.append(meter._part._state)
    for state in seen:
        magnitude = np.abs(state[state != 0])
        assert not magnitude.size or magnitude.min() > 1e-30
    assert not seen[-1].any()
    decaying = np.exp(-np.arange(480_000) / 1_000.0)[:, None]  # into denormal float32, then 0
    assert math.isfinite(measure(decaying.astype(np.float32), 48_000).momentary_max_lufs)


def test_a_meter_can_be_read_at_any_time() -> None:
    sound = 0.1 * np.random.default_rng(6).standard_normal((5 * 44_100, 2))
    meter = Meter(44_100, 2)
    for at in range(0, len(sound), 10_000):
        meter.feed(sound[at : at + 10_000])
        so_far = measure(sound[: at + 10_000], 44_100)
        assert meter.result() == so_far


@pytest.mark.parametrize("bad", [np.nan, np.inf, 1e10])
def test_what_is_no_number_is_refused_at_once(bad: float) -> None:
    block = np.full((1_000, 2), 0.1, dtype=np.float32)
    block[500, 1] = bad
    with pytest.raises(InputError, match="damaged"):
        LoudnessMeter(48_000, 2).feed(block)


def test_memory_stays_flat() -> None:
    """Ten minutes leave 160 bytes a second behind, not the sound."""
    meter = LoudnessMeter(8_000, 1)
    block = 0.1 * np.random.default_rng(7).standard_normal((80_000, 1))
    for _ in range(60):
        meter.feed(block)
    timeline = meter._part._timeline
    kept = sum(part.nbytes for part in timeline._momentary.on_hops + timeline._short_term.on_hops)
    assert kept <= 160 * 600
    assert timeline._slots.nbytes < 200_000


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 37_800, 44_100, 44_056, 48_000, 95_750, 192_000])
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_integrated_alone_is_the_same_figure(rate_hz: int, channels: int) -> None:
    rng = np.random.default_rng(rate_hz + channels)
    frames = int(3.7 * rate_hz)
    sound = 0.1 * rng.standard_normal((frames, channels)) * np.linspace(0.02, 1, frames)[:, None]
    whole = measure(sound, rate_hz).integrated_lufs
    meter = IntegratedMeter(rate_hz, channels)
    at = 0
    while at < frames:
        size = int(rng.choice([1, 31, 32, 33, 977, 65_536]))
        meter.feed(sound[at : at + size])
        at += size
        if size == 977:
            meter.result()  # reading changes nothing
    assert meter.result() == pytest.approx(whole, abs=1e-6)


def test_integrated_alone_of_short_silent_and_damaged_sounds() -> None:
    short = IntegratedMeter(48_000, 2)
    assert short.result() is None
    short.feed(np.full((19_199, 2), 0.5))
    assert short.result() is None
    short.feed(np.full((1, 2), 0.5))
    assert short.result() is not None
    silent = IntegratedMeter(48_000, 2)
    silent.feed(np.zeros((96_000, 2)))
    assert silent.result() is None
    mono = IntegratedMeter(44_100, 1, as_played=True)
    mono.feed(np.sin(2 * np.pi * 997 / 44_100 * np.arange(441_000)))
    assert mono.result() == pytest.approx(0.0, abs=0.005)
    for value in (math.nan, math.inf, -math.inf, 1e12, 1e30):
        for frames in (1_000, 400_000):  # within a chunk, and across some
            damaged = np.full((frames, 2), 0.1, dtype=np.float32)
            damaged[500, 1] = value
            meter = IntegratedMeter(44_100, 2)
            with pytest.raises(InputError, match="damaged"):
                meter.feed(damaged)
                meter.result()


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
def test_single_precision_does_not_show(rate_hz: int) -> None:
    """Against the recursion in float64 (scipy's sosfilt): at -60 LUFS, and beside a constant 54 dB above."""
    from scipy.signal import sosfilt

    from padbank.dsp.kfilter import k_weighting

    rng = np.random.default_rng(9)
    frames = 5 * rate_hz
    noise = 5e-4 * rng.standard_normal((frames, 2))
    rise = 0.25 - 0.25 * np.cos(np.pi * np.minimum(np.arange(frames) / rate_hz, 1.0))[:, None]
    for sound in (200.0 * noise, noise, 2.0 * noise + rise):
        sound = sound.astype(np.float32)
        squares = (sosfilt(k_weighting(rate_hz), sound.astype(np.float64), axis=0) ** 2).sum(axis=1)
        hops = squares.reshape(50, -1).mean(axis=1)
        wanted = power_to_lufs(integrated_power(np.convolve(hops, np.full(4, 0.25), "valid")))
        meter = IntegratedMeter(rate_hz, 2)
        meter.feed(sound)
        assert meter.result() == pytest.approx(wanted, abs=1e-6)
