"""True peak against a 64-fold FFT interpolation, and the bounds that make it quick."""

import numpy as np
import pytest
from scipy.optimize import linprog

from padbank.dsp import halfway
from padbank.dsp import peak as peak_module
from padbank.dsp.interpolate import BEFORE, TAPS, frame_peaks, oversampled, taps_at, windowed_sinc
from padbank.dsp.peak import TruePeakMeter, sample_peak, true_peak

PAD = 2_048


def fft_truth(sound: np.ndarray, times: int = 64) -> float:
    """Largest magnitude of the band-limited sound, with silence around it, at ``times`` the rate."""
    largest = 0.0
    for channel in sound.T:
        padded = np.zeros(1 << int(np.ceil(np.log2(len(channel) + 2 * PAD))))
        padded[PAD : PAD + len(channel)] = channel
        spectrum = np.fft.rfft(padded)
        spectrum[-1] *= 0.5
        fine = np.fft.irfft(spectrum, len(padded) * times) * times
        largest = max(largest, float(np.abs(fine).max()))
    return largest


def band_limited(rng: np.random.Generator, frames: int, top: float, tilt: float) -> np.ndarray:
    """Noise up to ``top`` of the rate that begins and ends softly, falling by ``tilt``."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    freq = np.fft.rfftfreq(frames)
    spectrum[freq > top] = 0.0
    spectrum *= np.maximum(freq, 0.001) ** -tilt
    return np.fft.irfft(spectrum, frames)


def sounds(kind: str, rng: np.random.Generator, top: float) -> np.ndarray:
    """Sounds with nothing above ``top`` of the rate, ends included; peak 1.0."""
    frames = 3_000
    at = np.arange(frames)
    if kind == "tone":
        of_rate = top * (1.0 - 0.9 * rng.random() ** 2)
        sound = np.sin(2 * np.pi * of_rate * at + 7 * rng.random())
    elif kind == "impulse":
        spectrum = np.exp(-2j * np.pi * np.fft.rfftfreq(frames) * (frames / 2 + rng.random()))
        spectrum[np.fft.rfftfreq(frames) > top] = 0.0
        return np.fft.irfft(spectrum, frames)[:, None]
    elif kind == "bursts":
        sound = np.zeros(frames)
        for _ in range(30):
            of_rate, centre = (top - 0.01) * rng.random(), rng.uniform(800, frames - 800)
            width = rng.uniform(30.0, 150.0)
            shape = np.exp(-0.5 * ((at - centre) / width) ** 2)
            sound += rng.random() * shape * np.sin(2 * np.pi * of_rate * (at - centre))
    else:
        sound = band_limited(rng, frames, top, {"white": 0.0, "music": 0.7}[kind])
    # a window of 3,000 frames widens the band by 0.0007 of the rate only
    sound = sound * np.hanning(frames)
    return np.stack([sound, 0.3 * sound[::-1]], axis=1) / np.abs(sound).max()


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("kind", ["tone", "white", "music", "impulse", "bursts"])
def test_within_0_005_db_of_the_truth_below_20_khz(kind: str, rate_hz: int) -> None:
    rng = np.random.default_rng(rate_hz)
    for _ in range(6):
        sound = sounds(kind, rng, 20_000 / rate_hz)
        assert 20 * np.log10(true_peak(sound, rate_hz) / fft_truth(sound)) == pytest.approx(0, abs=0.005)


@pytest.mark.parametrize("kind", ["tone", "white", "impulse"])
def test_low_rates_hold_up_to_0_4535_of_the_rate(kind: str) -> None:
    rng = np.random.default_rng(8)
    for _ in range(4):
        sound = sounds(kind, rng, 0.4535)
        assert 20 * np.log10(true_peak(sound, 8_000) / fft_truth(sound)) == pytest.approx(0, abs=0.005)


def test_abrupt_ends_ring_as_in_a_converter() -> None:
    """A tone cut off at its crest overshoots after its last frame."""
    tone = np.sin(2 * np.pi * 0.2 * np.arange(500) + 1.0)[:, None]
    # the step has content up to half the rate, where 64 taps and the FFT part by 1 %
    assert true_peak(tone, 44_100) == pytest.approx(fft_truth(tone), rel=0.02)
    assert true_peak(tone, 44_100) > 1.02  # the tone itself reaches 1.0


def fine_peak(sound: np.ndarray) -> float:
    """The same interpolator everywhere, sixteen points a frame: no bounds, no parabola."""
    padded = np.concatenate([np.zeros((64, sound.shape[1])), sound, np.zeros((64, sound.shape[1]))])
    return float(np.abs(oversampled(padded, 16)).max())


@pytest.mark.parametrize("kind", ["white", "clicks", "square", "fade", "loud", "steady", "two tones"])
def test_bounds_never_hide_the_peak(kind: str) -> None:
    """The quick search finds what an interpolator run over every frame finds, on hard sounds.

    Content goes up to half the rate here, where nothing is promised about the
    truth, but the search may still not lose to the plain way by more than
    the step that the bounds allow.
    """
    rng = np.random.default_rng(11)
    frames = 60_000
    at = np.arange(frames)
    for trial in range(3):
        sound = {
            "white": lambda: 0.2 * rng.standard_normal(frames),
            "clicks": lambda: (rng.random(frames) < 0.002) * rng.standard_normal(frames),
            "square": lambda t=trial: np.sign(np.sin(2 * np.pi * at * (0.21 + 0.07 * t))) * 0.7,
            "fade": lambda: np.sin(2 * np.pi * 0.23 * at + 0.4) * np.exp(-at / 9_000.0),
            "loud": lambda: np.tanh(3 * band_limited(rng, frames, 0.4, 0.6) * 40),
            "steady": lambda t=trial: 0.5 * np.sin(2 * np.pi * (0.02 + 0.1 * t) * at),
            "two tones": lambda t=trial: 0.4 * np.sin(0.3 * at) + 0.4 * np.sin((2.1 + 0.3 * t) * at),
        }[kind]()[:, None].astype(np.float32)
        assert 20 * np.log10(true_peak(sound, 44_100) / fine_peak(sound)) > -0.005
        assert 20 * np.log10(true_peak(sound, 44_100) / fine_peak(sound)) < 0.03


def test_bound_of_step_1_holds_for_any_sound() -> None:
    """An interpolated value never exceeds the largest sharpened sample times the bound."""
    r, bound = peak_module._SHARPEN, peak_module._BOUND
    rng = np.random.default_rng(5)
    for _ in range(50):
        sharp = np.sign(rng.standard_normal(400)) * (rng.random(400) < 0.9)
        # the sound whose sharpened version this is: solve x - r (x[-1] + x[+1]) = sharp
        matrix = np.eye(400) - r * (np.eye(400, k=1) + np.eye(400, k=-1))
        sound = np.linalg.solve(matrix, sharp)
        assert np.abs(oversampled(sound, 16)[800:-800]).max() <= bound


def test_block_sizes_make_no_difference() -> None:
    sound = 0.3 * np.random.default_rng(1).standard_normal((50_000, 2))
    meter = TruePeakMeter(48_000, 2)
    rng = np.random.default_rng(2)
    at = 0
    while at < len(sound):
        size = int(rng.integers(1, 5_000))
        meter.feed(sound[at : at + size])
        meter.result()
        at += size
    assert meter.result() == pytest.approx(true_peak(sound, 48_000), rel=1e-7)


def test_small_sounds() -> None:
    assert true_peak(np.zeros((0, 2)), 44_100) == 0.0
    assert true_peak(np.zeros(500), 44_100) == 0.0
    assert true_peak(np.array([-0.5]), 44_100) == pytest.approx(0.5, rel=1e-6)
    assert true_peak(np.full(20_000, 0.25), 44_100) > 0.25  # its ends ring
    assert sample_peak(np.array([0.1, -0.7, 0.2])) == 0.7


def test_interpolator_is_as_flat_as_documented() -> None:
    """Response of every eighth of a frame up to 20 kHz at 44.1 kHz: within 7e-5 of 1."""
    angle = 2 * np.pi * np.linspace(0.0, 0.4535, 2_000)
    at = np.arange(TAPS) - BEFORE
    for fraction in np.arange(8) / 8:
        response = np.exp(1j * np.outer(angle, at - fraction)) @ taps_at(float(fraction))
        assert np.abs(response - 1.0).max() < 7e-5


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_oversampled_keeps_the_frames_and_shifts_nothing(factor: int) -> None:
    sound = np.random.default_rng(3).standard_normal((333, 2))
    fine = oversampled(sound, factor)
    assert fine.shape == (333 * factor, 2)
    np.testing.assert_allclose(fine[::factor], sound, atol=1e-12)
    tone = np.sin(2 * np.pi * 0.1 * np.arange(600))
    wanted = np.sin(2 * np.pi * 0.1 * np.arange(600 * factor) / factor)
    middle = slice(100 * factor, 500 * factor)
    np.testing.assert_allclose(oversampled(tone, factor)[middle, 0], wanted[middle], atol=1e-4)
    assert oversampled(sound.astype(np.float32), factor).dtype == np.float32


def test_frame_peaks_cover_every_point_once() -> None:
    sound = 0.5 * np.random.default_rng(6).standard_normal((777, 2))
    peaks = frame_peaks(sound, 8)
    assert peaks.shape == (777,)
    assert peaks.max() == pytest.approx(np.abs(oversampled(
        np.concatenate([np.zeros((64, 2)), sound, np.zeros((64, 2))]), 8)).max())
    fine = np.abs(oversampled(sound, 8)).max(axis=1)
    for frame in (1, 100, 400, 775):
        assert peaks[frame] == pytest.approx(fine[frame * 8 - 4 : frame * 8 + 5].max())
    assert (peaks >= np.abs(sound).max(axis=1) - 1e-12).all()
    assert frame_peaks(np.zeros((0, 2))).shape == (0,)


@pytest.mark.parametrize("kind", ["tone", "white", "hard limited"])
def test_ways_of_searching_chosen_from_chunks_before_hide_no_peak(kind: str) -> None:
    """Long enough for the search to settle on a way; then one crest in the middle beats all."""
    rng = np.random.default_rng(21)
    frames = 300_000
    sound = {
        "tone": lambda: 0.5 * np.sin(2 * np.pi * 0.2203 * np.arange(frames) + 0.3),
        "white": lambda: 0.1 * rng.standard_normal(frames),
        "hard limited": lambda: np.clip(0.5 * rng.standard_normal(frames), -0.5, 0.5),
    }[kind]()
    for at in (250_007, 181_003):
        louder = sound.copy()
        crest = np.sinc(0.7 * (np.arange(-200, 200) + 0.5)) * np.hanning(400)
        louder[at - 200 : at + 200] += 1.5 * crest
        louder = louder[:, None].astype(np.float32)
        # sixteen points without a parabola read up to 0.042 dB low at half the rate
        assert -0.005 < 20 * np.log10(true_peak(louder, 44_100) / fine_peak(louder)) < 0.03
    quiet = sound[:, None].astype(np.float32)
    assert -0.005 < 20 * np.log10(true_peak(quiet, 44_100) / fine_peak(quiet)) < 0.03


def everywhere(sound: np.ndarray) -> float:
    """What the search is for, looked for everywhere: the highest crest of eight points a frame.

    Float64, with the parabola through a crest's three points, and nothing ruled out.
    """
    largest = 0.0
    for channel in sound.T:
        points = np.abs(oversampled(np.concatenate([np.zeros(64), channel, np.zeros(64)]), 8)[:, 0])
        left, middle, right = points[:-2], points[1:-1], points[2:]
        bend = 2.0 * middle - left - right
        crest = (middle >= left) & (middle >= right) & (bend > 0.0)
        tops = middle[crest] + (right - left)[crest] ** 2 / (8.0 * bend[crest])
        largest = max(largest, float(tops.max()))
    return largest


@pytest.mark.parametrize("kind", ["tone", "slow tone", "16 bit", "swell", "mix", "band", "limited", "square", "steps"])
def test_search_reads_what_looking_everywhere_reads(kind: str) -> None:
    """To 1e-4 dB: the rest is rounding, and what lies beyond 0.4535 of the rate.

    Looks for a sound that slips through the bounds: crests that are all alike,
    flat tops, coarse steps, most of them faded in and out.
    """
    rng = np.random.default_rng(len(kind))
    frames = 20_000
    at = np.arange(frames)
    for trial in range(12):
        of_rate, phase = rng.uniform(0.001, 0.4535), 7.0 * rng.random()
        tone = np.sin(2 * np.pi * of_rate * at + phase)
        other = np.sin(2 * np.pi * rng.uniform(0.001, 0.4535) * at)
        sound = {
            "tone": lambda s=tone: s,
            "slow tone": lambda f=of_rate, p=phase: np.sin(2 * np.pi * 0.02 * f * at + p),
            "16 bit": lambda s=tone: np.round(s * 300.0),
            "swell": lambda s=tone, o=other: s * (1.0 + 0.05 * o),
            "mix": lambda s=tone, o=other: s + rng.random() * o,
            "band": lambda f=of_rate: band_limited(rng, frames, f, rng.random()),
            "limited": lambda f=of_rate: np.clip(40 * band_limited(rng, frames, f, 0.3), -1, 1),
            "square": lambda f=of_rate, p=phase: np.sign(np.sin(0.6 * np.pi * f * at + p)),
            "steps": lambda: np.repeat(rng.standard_normal(frames // 50), 50),
        }[kind]()
        if trial % 3:
            sound = sound * np.minimum(1.0, np.minimum(at, frames - 1 - at) / rng.integers(1, 3_000))
        sound = (0.5 * sound / np.abs(sound).max()).astype(np.float32)[:, None]
        found = true_peak(sound, 44_100)
        assert 20 * np.log10(found / everywhere(sound)) == pytest.approx(0.0, abs=1e-4)


def test_points_of_lines_are_those_of_plain_interpolation() -> None:
    """Whatever lies between the stretch's first frame and its last, its ends included."""
    rng = np.random.default_rng(12)
    first, count = halfway.SPAN, 1_344
    for crest in (64, 65, 70, 100, 1_000, 1_400, 1_406):
        line = 0.1 * rng.standard_normal(first + count + halfway.SPAN)
        line += np.sinc(0.8 * (np.arange(len(line)) - crest - 0.3))
        line = line.astype(np.float32)
        points = np.abs(oversampled(line.astype(np.float64), 8)[:, 0])
        points = points[8 * first - 1 : 8 * (first + count) + 2]
        left, middle, right = points[:-2], points[1:-1], points[2:]
        top = int(middle.argmax())
        rise = (right[top] - left[top]) ** 2 / (8.0 * (2.0 * middle[top] - left[top] - right[top]))
        for alike in (False, True):
            found, _ = halfway.highest_in_lines(line[np.newaxis], first, first + count, 0.0, alike)
            assert found == pytest.approx(middle[top] + rise, rel=6e-6)


def test_bound_of_step_2_by_a_linear_programme() -> None:
    """The smallest weights that give any value back to 0.1 %, for all that the interpolator lets through."""
    error, reach = 0.001, 40
    angle = np.linspace(0.0, 2 * np.pi * 0.55, 160)
    points = np.arange(-reach, reach + 1)
    offsets = np.arange(-TAPS * 16, TAPS * 16 + 1) / 32
    let_through = np.abs(np.cos(np.outer(angle, offsets)) @ windowed_sinc(offsets)) / 32
    error_of_tone = error / let_through
    of_tone = (1.0 - 2.0 * halfway.SHARPEN * np.cos(angle / 2))[:, None] * np.exp(1j * np.outer(angle, points / 2))
    for at in np.arange(9) / 16:
        rows, limits = [], []
        for turn in np.exp(1j * np.pi * np.arange(8) / 4):  # an octagon within the circle of the error
            row = (of_tone * turn).real
            rows.append(np.hstack([row, -row]))
            limits.append((np.exp(1j * angle * at) * turn).real + error_of_tone * np.cos(np.pi / 8))
        weights = linprog(
            np.ones(2 * len(points)), A_ub=np.vstack(rows), b_ub=np.concatenate(limits), bounds=(0, None)
        )
        assert weights.success
        assert weights.fun / (1.0 - error) <= halfway.BOUND


def test_energy_bound_holds_for_any_sound() -> None:
    """Cauchy and Schwarz: no interpolated value of a group beats the bound of its energy."""
    matrix, gain = peak_module._energy_bound()
    size, block = peak_module.GROUP, peak_module.BLOCK
    rng = np.random.default_rng(6)
    tightest = 9.0
    for _ in range(200):
        sound = rng.standard_normal(3 * block)
        if rng.random() < 0.7:  # the hardest: the taps themselves, somewhere in the block
            first, fraction = int(rng.integers(0, block)), float(rng.integers(0, 17)) / 16
            sound = 0.01 * sound
            sound[first : first + TAPS] += taps_at(fraction)
        parts = (sound.reshape(3, block) ** 2) @ matrix.astype(np.float64)
        parts = parts.reshape(3, 3, -1)
        energy = parts[0, 0] + parts[1, 1] + parts[2, 2]
        fine = np.abs(oversampled(sound, 16)[:, 0])
        for group, of_group in enumerate(energy):
            start = (peak_module.MIDDLE + group * size) * 16
            reached = fine[start : start + size * 16 + 1].max()
            assert reached <= np.sqrt(gain * of_group)
            tightest = min(tightest, np.sqrt(gain * of_group) / reached)
    assert tightest < 1.5  # and it is worth having
