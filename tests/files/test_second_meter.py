"""The second meter against the standard's own figures and a plain BS.1770 written here."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from padbank.domain import Role
from padbank.errors import InputError
from padbank.files import second_meter
from padbank.files.encode import write_wav
from padbank.files.second_meter import (
    SecondReading,
    measure_again,
    measure_again_from,
    measure_file_again,
)

RATE = 48000

# Rec. ITU-R BS.1770-5, Annex 1, tables 1 and 2 (48 kHz).
SHELF = ([1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585])
HIGH_PASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])


def plain_bs1770(samples: np.ndarray) -> float:
    """Integrated loudness at 48 kHz straight from BS.1770-5 Annex 1, equations 1 to 7."""
    weighted = lfilter(*HIGH_PASS, lfilter(*SHELF, samples, axis=0), axis=0)
    block, hop = RATE * 4 // 10, RATE // 10
    z = []
    for start in range(0, len(samples) - block + 1, hop):  # the incomplete last block is left out
        z.append(np.mean(weighted[start : start + block] ** 2, axis=0).sum())
    powers = np.array(z)
    loudness = -0.691 + 10 * np.log10(np.maximum(powers, 1e-30))
    kept = powers[loudness >= -70]
    threshold = -0.691 + 10 * math.log10(kept.mean()) - 10
    kept = powers[(loudness >= -70) & (loudness > threshold)]
    return -0.691 + 10 * math.log10(kept.mean())


def sine(hz: float, seconds: float, dbfs: float, rate: int = RATE, phase: float = 0.0) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * t + phase)


def test_calibration_of_the_standard() -> None:
    """BS.1770-5 Annex 1: 997 Hz at 0 dBFS in one channel reads -3.01 LKFS."""
    mono = sine(997, 5, 0)
    assert measure_again(mono, RATE, as_played=False).integrated_lufs == pytest.approx(-3.01, abs=0.01)
    assert measure_again(mono, RATE, as_played=True).integrated_lufs == pytest.approx(0.0, abs=0.01)
    both = np.stack([mono, mono], 1)
    for as_played in (False, True):
        reading = measure_again(both, RATE, as_played=as_played)
        assert reading.integrated_lufs == pytest.approx(0.0, abs=0.01)
        assert reading.momentary_max_lufs == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("rate", [22050])
def test_gating_case_of_ebu_tech_3341(rate: int) -> None:
    """EBU Tech 3341 v4 (2023), case 3, via public tests of an open meter: -36, -23, -36 dBFS
    for 10, 60, 10 s of 1 kHz in both channels reads -23.0 +-0.1 LUFS; longer than one piece."""
    mono = np.concatenate([sine(1000, 10, -36, rate), sine(1000, 60, -23, rate), sine(1000, 10, -36, rate)])
    reading = measure_again(np.stack([mono, mono], 1), rate, as_played=True)
    assert reading.integrated_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("seconds", [0.4, 0.45, 0.5, 1.09, 1.0, 3.33, 21.77])
def test_agrees_with_plain_bs1770(seconds: float) -> None:
    """The trailing part of a block must not count, whatever the length and where pieces join."""
    rng = np.random.default_rng(7)
    samples = rng.normal(0, 0.05, (round(seconds * RATE), 2))
    samples *= (1 + np.sin(np.arange(len(samples)) / 9000.0))[:, None]
    samples[-round(0.09 * RATE) :] *= 8  # a loud last 90 ms
    reading = measure_again(samples, RATE, as_played=True)
    assert reading.integrated_lufs == pytest.approx(plain_bs1770(samples), abs=2e-3)


def test_no_integrated_value_below_one_block() -> None:
    short = sine(997, 0.399, -6)
    reading = measure_again(short, RATE, as_played=False)
    assert reading.integrated_lufs is None
    # A steady burst of d ms padded to 400 ms reads 10 log10(d/400): computed from the definition.
    for ms in (50, 100, 200):
        burst = measure_again(sine(997, ms / 1000, 0), RATE, as_played=True)
        expected = 10 * math.log10(ms / 400)
        assert burst.momentary_max_lufs == pytest.approx(expected, abs=0.1)


def test_silence_and_nothing_have_no_level() -> None:
    for n in (0, 10, 100_000):
        reading = measure_again(np.zeros((n, 2)), 44100, as_played=True)
        assert reading.integrated_lufs is None
        assert reading.momentary_max_lufs is None
        assert reading.true_peak_dbtp is None


def test_momentary_finds_a_burst_anywhere() -> None:
    """EBU Tech 3341 v4 (2023), in the manner of case 12 and 13, via public tests of an open meter:
    400 ms of tone at any offset in silence reads its own level."""
    tone = sine(1000, 0.4, -23)
    for offset_s in (0.0, 0.013, 0.155, 19.9, 20.123):
        mono = np.concatenate([np.zeros(round(offset_s * RATE)), tone, np.zeros(RATE)])
        reading = measure_again(np.stack([mono, mono], 1), RATE, as_played=True)
        assert reading.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(
    ("divisor", "phase_deg", "gain", "expected"),
    [(4, 0, 0.5, -6.0), (4, 45, 0.5, -6.0), (6, 60, 0.5, -6.0), (8, 67.5, 0.5, -6.0), (4, 45, 1.41, 3.0)],
)
def test_true_peak_cases(divisor: int, phase_deg: float, gain: float, expected: float) -> None:
    """EBU Tech 3341 v4 (2023), cases 15 to 19, via public tests of an open meter: +0.2/-0.4 dB."""
    t = np.arange(RATE // 2)
    mono = gain * np.sin(2 * np.pi * t / divisor + math.radians(phase_deg))
    fade = np.minimum(1, np.arange(len(t)) / 480.0)
    mono *= fade * fade[::-1]
    reading = measure_again(mono, RATE, as_played=False)
    assert reading.true_peak_dbtp is not None
    assert expected - 0.4 <= reading.true_peak_dbtp <= expected + 0.2


def test_true_peak_against_a_fourier_truth() -> None:
    """A 64 times zero-padded Fourier transform interpolates a band-limited loop exactly."""
    rng = np.random.default_rng(3)
    n = 4096
    spectrum = np.zeros(n // 2 + 1, complex)
    top = int(n * 0.45)  # flat part of the interpolator: below 0.45 of the rate
    spectrum[4:top] = rng.normal(size=top - 4) + 1j * rng.normal(size=top - 4)
    loop = np.fft.irfft(spectrum)
    fine = np.zeros(n * 32 + 1, complex)
    fine[: len(spectrum)] = spectrum
    truth = np.abs(np.fft.irfft(fine) * 64).max()
    tiled = np.tile(loop / truth, 40)  # more than one piece
    reading = measure_again(tiled, RATE, as_played=False)
    edge = 20 * math.log10(np.abs(tiled).max())
    assert edge < -0.1  # the sample peak alone would miss it
    assert reading.true_peak_dbtp == pytest.approx(0.0, abs=0.06)


def test_a_file_reads_like_its_array(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    pcm = np.clip(rng.normal(0, 3000, (45 * 22050 + 13, 1)), -32768, 32767).astype(np.int32)
    path = tmp_path / "long.wav"
    write_wav(path, pcm, 22050, 16)
    from_file = measure_file_again(path, as_played=True)
    from_array = measure_again(pcm / 32768.0, 22050, as_played=True)
    assert from_file == from_array
    assert from_file.integrated_lufs is not None


@pytest.mark.parametrize("level", [0.1, 1e-5])
@pytest.mark.parametrize(("rate", "channels"), [(11025, 1), (8000, 2)])
def test_sections_give_what_the_whole_gives(
    monkeypatch: pytest.MonkeyPatch, level: float, rate: int, channels: int
) -> None:
    """A loud frame pair on a seam, a loud stretch across another; also where no block passes the gate."""
    monkeypatch.setattr(second_meter, "SECTION_S", 20)
    rng = np.random.default_rng(12)
    samples = level * rng.uniform(-0.3, 0.3, (71 * rate + 123, channels))
    samples[20 * rate - 1 : 20 * rate + 1] = level * 6
    samples[40 * rate - 500 : 40 * rate + 3000] *= 4

    def measured(role: Role | None) -> SecondReading:
        read = lambda start, n: samples[start : start + n]  # noqa: E731
        return measure_again_from(read, len(samples), rate, channels, as_played=True, role=role)

    whole, phrase, hit = measured(None), measured("phrase"), measured("hit")
    assert len(second_meter.sections_of(len(samples), rate, "phrase")) == 4
    assert len(second_meter.sections_of(len(samples), rate, "hit")) == 1
    assert phrase.integrated_lufs == whole.integrated_lufs and phrase.true_peak_dbtp == whole.true_peak_dbtp
    assert hit.momentary_max_lufs == whole.momentary_max_lufs and hit.true_peak_dbtp == whole.true_peak_dbtp
    assert (whole.integrated_lufs is None) == (level < 1e-3)
    assert phrase.momentary_max_lufs == (whole.momentary_max_lufs if level < 1e-3 else None)


def test_no_numbers_are_refused() -> None:
    with pytest.raises(InputError, match="NaN"):
        measure_again(np.array([[0.1], [np.nan]]), RATE, as_played=False)
    with pytest.raises(InputError, match="6 channels"):
        measure_again(np.zeros((10, 6)), RATE, as_played=False)
