"""The meter: one pass, any block sizes, defined answers for every odd input."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from padbank.dsp.energies import SlotGrid
from padbank.dsp.integrated import IntegratedMeter
from padbank.dsp.measure import METHOD, Meter, measure
from padbank.errors import InputError

RATES_HZ = (8_000, 11_025, 22_050, 44_100, 48_000, 96_000)
LEVELS = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "sample_peak_dbfs",
)


def noise(frames: int, channels: int = 2, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    swell = 1.0 + 0.9 * np.sin(np.arange(frames) / 9000.0)
    return 0.1 * rng.standard_normal((frames, channels)) * swell[:, None]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_block_sizes_make_no_difference(rate_hz: int, channels: int) -> None:
    sound = noise(int(rate_hz * 4.3217), channels)
    whole = measure(sound, rate_hz)
    rng = np.random.default_rng(7)
    for largest in (7, 1_000, 70_000):
        meter = Meter(rate_hz, channels)
        at = 0
        if largest == 7:  # single frames, then the rest, to keep it quick
            for at in range(50):
                meter.feed(sound[at : at + 1])
            at = 50
        while at < len(sound):
            size = len(sound) if largest == 7 else int(rng.integers(1, largest))
            meter.feed(sound[at : at + size])
            at += size
            if rng.random() < 0.1:
                meter.result()  # looking in between must not disturb
        in_blocks = meter.result()
        for name in LEVELS:
            assert getattr(in_blocks, name) == pytest.approx(getattr(whole, name), abs=1e-6), name


@pytest.mark.parametrize("freq_hz", [10.0, 997.0, 9_700.0])
def test_block_sizes_make_no_difference_to_steady_tones(freq_hz: float) -> None:
    """The K filter takes 24 dB off 10 Hz: what float32 rounds off shows most there."""
    rate_hz = 44_100
    sound = 0.5 * np.sin(2 * np.pi * freq_hz / rate_hz * np.arange(rate_hz * 7) + 0.3)[:, None]
    sound[:900] *= np.linspace(0.0, 1.0, 900)[:, None]
    whole = measure(sound, rate_hz)
    alone = IntegratedMeter(rate_hz, 1)
    alone.feed(sound)
    for size in (997, 4_097, 65_535):
        meter, integrated = Meter(rate_hz, 1), IntegratedMeter(rate_hz, 1)
        for at in range(0, len(sound), size):
            meter.feed(sound[at : at + size])
            integrated.feed(sound[at : at + size])
        in_blocks = meter.result()
        for name in LEVELS:
            assert getattr(in_blocks, name) == pytest.approx(getattr(whole, name), abs=1e-6), name
        assert integrated.result() == alone.result()


def test_the_slots_of_a_rate_belong_to_the_method() -> None:
    """Maxima slide by slots: other slots move them by up to 0.03 LU, so they need another ``METHOD``."""
    assert METHOD == "bs1770-5/tech3342/padbank-3/tp-64tap-8x"
    slots = {8_000: 25, 11_025: 25, 22_050: 35, 32_000: 25, 37_800: 27, 44_100: 30, 48_000: 25, 96_000: 25}
    assert {rate_hz: SlotGrid.of(rate_hz).slots_per_hop for rate_hz in slots} == slots


def test_meters_of_several_threads_keep_out_of_each_others_way() -> None:
    sounds = [noise(30_000 + 7_000 * number, 2, number) for number in range(8)]
    alone = [measure(sound, 44_100) for sound in sounds]
    with ThreadPoolExecutor(4) as pool:
        for _ in range(3):
            assert list(pool.map(lambda sound: measure(sound, 44_100), sounds)) == alone


def test_meters_fed_in_turns_keep_out_of_each_others_way() -> None:
    sounds = [noise(150_000, 2, 1), 0.3 * noise(150_000, 2, 2)]
    alone = [measure(sound, 48_000) for sound in sounds]
    meters = [Meter(48_000, 2) for _ in sounds]
    for at in range(0, 150_000, 10_000):
        for meter, sound in zip(meters, sounds, strict=True):
            meter.feed(sound[at : at + 10_000])
            meter.result()
    for meter, whole in zip(meters, alone, strict=True):
        for name in LEVELS:
            assert getattr(meter.result(), name) == pytest.approx(getattr(whole, name), abs=1e-6), name


def test_no_frames_and_silence_have_no_levels() -> None:
    for sound in (np.zeros((0, 2)), np.zeros((1, 1)), np.zeros((100_000, 2)), np.full(5000, 1e-30)):
        m = measure(sound, 44_100)
        assert all(getattr(m, name) is None for name in LEVELS)
        assert m.frames == len(sound)
        assert m.method == METHOD


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30])
def test_what_is_no_number_is_refused_at_once(bad: float) -> None:
    meter = Meter(48_000, 2)
    block = np.zeros((100, 2))
    block[50, 1] = bad
    with pytest.raises(InputError, match="damaged"):
        meter.feed(block)


@pytest.mark.parametrize(
    ("rate_hz", "channels"), [(7_999, 1), (192_001, 1), (48_000, 0), (48_000, 7), (0, 1)]
)
def test_formats_out_of_range_are_refused(rate_hz: int, channels: int) -> None:
    with pytest.raises(InputError):
        Meter(rate_hz, channels)


def test_integers_and_other_channel_counts_are_refused() -> None:
    meter = Meter(48_000, 2)
    with pytest.raises(InputError, match="float"):
        meter.feed(np.zeros((10, 2), dtype=np.int16))
    with pytest.raises(InputError, match="channels"):
        meter.feed(np.zeros((10, 1)))


def test_integrated_needs_400_ms() -> None:
    rate_hz = 44_100
    tone = np.sin(2 * np.pi * 997 / rate_hz * np.arange(rate_hz))
    assert measure(tone[: 17_640 - 1], rate_hz).integrated_lufs is None
    just = measure(tone[:17_640], rate_hz)
    assert just.integrated_lufs is not None
    # at 400 ms both figures agree: no jump between them
    assert just.momentary_max_lufs == pytest.approx(just.integrated_lufs, abs=0.02)


def test_as_played_adds_3_01_lu_to_mono_only() -> None:
    mono = noise(48_000, 1)
    plain, played = measure(mono, 48_000), measure(mono, 48_000, as_played=True)
    both = measure(np.repeat(mono, 2, axis=1), 48_000)
    for name in LEVELS[:3]:
        assert getattr(played, name) == pytest.approx(getattr(plain, name) + 3.0103, abs=1e-4)
        assert getattr(played, name) == pytest.approx(getattr(both, name), abs=1e-6)
    assert played.true_peak_dbtp == plain.true_peak_dbtp
    assert both == measure(np.repeat(mono, 2, axis=1), 48_000, as_played=True)
    assert played.method != plain.method


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 11_025])
def test_loudest_second_of_a_loud_second_among_soft_ones(rate_hz: int) -> None:
    """997 Hz at full scale on one channel reads -3.01 LUFS (BS.1770-5 Annex 1, after table 3).

    Hence a second at 0.1 reads -23.01, wherever it lies; half a second in
    silence holds half the energy of a second, 3.01 LU less.
    """
    def tone(level: float, seconds: float) -> np.ndarray:
        return level * np.sin(2 * np.pi * 997 / rate_hz * np.arange(round(seconds * rate_hz)))

    def second_of(*parts: np.ndarray) -> float | None:
        meter = Meter(rate_hz, 1)
        meter.feed(np.concatenate(parts))
        return meter.result_and_second()[1]

    for lead_s in (0.0, 0.371, 5.0, 64.2):
        found = second_of(tone(0.001, lead_s), tone(0.1, 1.0), tone(0.001, 1.3))
        assert found == pytest.approx(-23.01, abs=0.03)
        found = second_of(tone(0.001, lead_s), tone(0.1, 0.5))
        assert found == pytest.approx(-26.02, abs=0.05)
    assert second_of(tone(0.1, 3.0)) == pytest.approx(-23.01, abs=0.02)
    assert second_of(np.zeros(3 * rate_hz)) is None


def test_loudest_second_lies_between_the_loudest_400_ms_and_3_s() -> None:
    rng = np.random.default_rng(9)
    swell = rng.standard_normal((48_000 * 8, 2)) * np.interp(
        np.arange(48_000 * 8), [0, 150_000, 170_000, 384_000], [0.001, 0.02, 0.2, 0.001]
    )[:, None]
    meter = Meter(48_000, 2)
    meter.feed(swell)
    read, second = meter.result_and_second()
    assert second is not None and read.momentary_max_lufs is not None
    assert read.short_term_max_lufs is not None
    assert read.short_term_max_lufs < second < read.momentary_max_lufs
