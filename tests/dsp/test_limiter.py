"""The limiter, checked by scipy.signal.resample_poly at 8 x and 4 x, which it does not use
to aim: ceiling, zero shift, slopes, untouched sound."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from padbank.dsp.gaincurve import (
    ATTACK_DB_PER_MS,
    RELEASE_DB_PER_MS,
    db_to_gains,
    joined,
    need_db,
    smooth_curve_db,
)
from padbank.dsp.limiter import AIM_DB, Limiter, limit
from padbank.dsp.overs import peaks_over

RATE = 48000


def peak_dbtp(samples, factor):
    return 20 * np.log10(np.abs(signal.resample_poly(samples, factor, 1, axis=0)).max())


def nasty():
    rng = np.random.default_rng(7)
    n = RATE // 2
    t = np.arange(n) / RATE
    sounds = {
        f"square {hz}": np.sign(np.sin(2 * np.pi * hz * t + 0.3))
        for hz in (60, 1000, 7919, 11025, 15000, 20000, 22000, 23000, 23900)
    }
    sounds["white noise"] = 0.5 * rng.standard_normal(n)
    sounds["clipped music"] = np.clip(
        3 * np.sin(2 * np.pi * 110 * t) + 2 * np.sin(2 * np.pi * 1234 * t), -1, 1
    )
    beat = t % 0.125
    sounds["hits"] = np.sin(2 * np.pi * 80 * t) * np.exp(-beat / 0.05) + 0.5 * rng.standard_normal(
        n
    ) * np.exp(-beat / 0.01)
    alternating = np.where(np.arange(n) % 2, 1.0, -1.0)
    sounds["alternating, turned"] = alternating * np.where((np.arange(n) // 97) % 2, 1, -1)
    sounds["lone frames"] = np.zeros(n)
    sounds["lone frames"][[0, 1000, 1001, n - 1]] = [1.0, 1.0, -1.0, -1.0]
    return sounds


@pytest.mark.parametrize("name", list(nasty()))
@pytest.mark.parametrize("drive_db", [0.5, 3.0, 12.0])
def test_ceiling_slopes_and_shift(name, drive_db):
    sound = (nasty()[name] * 10 ** (drive_db / 20))[:, None]
    limited = limit(sound, RATE, -1.0)
    for factor in (4, 8):
        assert peak_dbtp(limited.samples, factor) <= -1.0 + 0.05
    gain_db = 20 * np.log10(limited.gain)
    steps = np.diff(gain_db) * RATE / 1000
    assert -steps.min() <= ATTACK_DB_PER_MS * 1.001
    assert steps.max() <= RELEASE_DB_PER_MS * 1.001
    # zero shift: the output is the input times a gain, frame by frame
    assert np.allclose(limited.samples[:, 0], sound[:, 0] * limited.gain, rtol=1e-12, atol=0)
    assert limited.deepest_db == pytest.approx(-gain_db.min())
    assert (limited.gain <= 1.0).all()


@pytest.mark.parametrize("name", list(nasty()))
@pytest.mark.parametrize("rate", [RATE, 44100])
def test_peaks_that_were_not_looked_at_would_not_have_mattered(name, rate):
    # the same curve as from the peaks of every frame, at several drives
    sound = nasty()[name][:, None]
    limiter = Limiter(sound, rate, 0.05)
    step = limiter.step_frames
    frames = np.pad(peaks_over(sound, 0.0), (0, -len(sound) % step))
    every = frames.reshape(-1, step).max(axis=1)
    for drive in (0.9, 2.0, 8.0):
        drafted = limiter.draft(drive, -1.0)
        aim = 10 ** ((-1.0 - AIM_DB - limiter._between_db) / 20)
        curve_db = smooth_curve_db(need_db(every * drive, aim), rate / 1000 / step)
        assert drafted.deepest_db == pytest.approx(-curve_db.min(), abs=1e-4)
        expected = joined(db_to_gains(curve_db), step, len(sound))
        assert np.allclose(drafted.gain, expected, rtol=1e-5)


def test_no_more_than_needed():
    # One loud sine between soft ones: the deepest gain is what its peak needs
    t = np.arange(RATE) / RATE
    sound = 0.1 * np.sin(2 * np.pi * 997 * t)
    sound[RATE // 2 : RATE // 2 + 4800] *= 12.0
    limited = limit(sound[:, None], RATE, -1.0)
    needed = peak_dbtp(sound[:, None], 8) + 1.0
    assert limited.deepest_db == pytest.approx(needed, abs=0.06)
    touched = np.flatnonzero(limited.gain < 1.0)
    # attack at 1 dB/ms plus the corner, release at 0.05 dB/ms
    assert touched[0] >= RATE // 2 - (needed / ATTACK_DB_PER_MS / 1000 + 0.005) * RATE
    assert touched[-1] <= RATE // 2 + 4800 + (needed / RELEASE_DB_PER_MS / 1000 + 0.005) * RATE


def test_untouched_sound_is_bit_identical():
    rng = np.random.default_rng(3)
    sound = 0.1 * rng.standard_normal((RATE, 2))
    limited = limit(sound, RATE, -1.0)
    assert limited.deepest_db == 0.0
    assert limited.samples.tobytes() == sound.tobytes()
    sound[RATE // 2] = 1.5
    limited = limit(sound, RATE, -1.0)
    alike = (limited.samples == sound).all(axis=1)
    assert alike[: RATE // 2 - 1000].all()
    assert alike[-RATE // 4 :].all()
    assert not alike[RATE // 2]


def test_channels_are_linked():
    sound = np.full((RATE, 2), 0.2)
    sound[RATE // 2, 0] = 1.4
    limited = limit(sound, RATE, -1.0)
    gain = limited.samples / sound
    assert np.allclose(gain[:, 0], gain[:, 1], rtol=1e-12)


@pytest.mark.parametrize("rate", [8000, 11025, 22050, 44100, 96000, 192000])
def test_other_rates(rate):
    t = np.arange(rate // 2) / rate
    sound = (2.0 * np.sin(2 * np.pi * 0.11 * rate * t) * np.exp(-((t - 0.2) ** 2) / 0.001))[:, None]
    sound[rate // 10] = 1.7
    limited = limit(sound, rate, -1.0)
    for factor in (4, 8):
        assert peak_dbtp(limited.samples, factor) <= -1.0 + 0.05
    steps = np.diff(20 * np.log10(limited.gain)) * rate / 1000
    assert -steps.min() <= ATTACK_DB_PER_MS * 1.001
    assert steps.max() <= RELEASE_DB_PER_MS * 1.001
    assert np.allclose(limited.samples[:, 0], sound[:, 0] * limited.gain, rtol=1e-12, atol=0)


def test_odd_lengths_and_rates():
    for frames in (0, 1, 2, 5, 100):
        sound = np.full((frames, 1), 1.5)
        limited = limit(sound, 8000, -1.0)
        assert limited.samples.shape == (frames, 1)
        if frames:
            assert peak_dbtp(limited.samples, 8) <= -0.95
    assert Limiter(np.zeros((0, 2)), RATE).highest_peak == 0.0


def test_the_true_peak_of_band_limited_sound_by_fft():
    # 64 x interpolation by FFT of sound below 18 kHz: as near to the continuous truth as can be
    rng = np.random.default_rng(12)
    low = signal.firwin(401, 18_000, fs=RATE)
    for sound in (
        np.convolve(rng.standard_normal(8000), low, mode="same"),
        np.convolve(np.sign(rng.standard_normal(8000)), low, mode="same") * np.hanning(8000),
        np.sin(2 * np.pi * 17_500 / RATE * np.arange(8000) + 0.2),
    ):
        shaped = sound * signal.windows.tukey(8000, 0.1) * 2.0
        limited = limit(shaped[:, None], RATE, -1.0).samples
        padded = np.pad(limited[:, 0], 4000)
        peak = np.abs(signal.resample(padded, 64 * len(padded))).max()
        assert 20 * np.log10(peak) <= -1.0 + 0.05


def test_segments_do_not_show(monkeypatch):
    t = np.arange(3 * RATE) / RATE
    music = np.sin(2 * np.pi * 110 * t) * (1.2 + np.sin(2 * np.pi * 0.7 * t)) + 0.3 * np.random.default_rng(
        2
    ).standard_normal(len(t))
    sound = np.stack([music, 0.7 * music], axis=1)
    whole = limit(sound, RATE, -1.0)
    monkeypatch.setattr("padbank.dsp.limiter.SEGMENT_STEPS", 1777)
    parts = limit(sound, RATE, -1.0)
    assert len(list(parts.blocks())) > 10
    assert np.allclose(parts.gain, whole.gain, rtol=1e-6)
    assert np.allclose(parts.samples, whole.samples, rtol=1e-6, atol=0)
    assert parts.deepest_db == pytest.approx(whole.deepest_db, abs=1e-5)


@pytest.mark.parametrize("loop", [(0, 2 * RATE), (0, RATE), (RATE // 2, 2 * RATE), (20_000, 70_000)])
def test_the_gain_runs_on_over_a_loop_s_seam(loop):
    t = np.arange(2 * RATE) / RATE
    sound = 0.9 * np.sin(2 * np.pi * 220 * t)
    for at in (loop[1] - 900, loop[0] + 30_000 % (loop[1] - loop[0]), max(0, loop[0] - 500)):
        sound[at : at + 400] *= 2.0
    tied = Limiter(sound[:, None], RATE, loop=loop).apply(1.0, -1.0)
    gain_db = 20 * np.log10(np.append(tied.gain, tied.gain[-1]))
    assert gain_db.min() < -3.0
    # a step of the curve at its steepest: 1 dB/ms for a sixth of 1 ms
    assert abs(gain_db[loop[0]] - gain_db[loop[1]]) <= 0.17
    level_db = [gain_db[end - 2000 : end].mean() for end in loop if end > 2000]
    assert max(level_db) - min(level_db) <= 0.01  # and they come to it alike
    assert peak_dbtp(tied.samples, 8) <= -0.95
    assert np.abs(np.diff(20 * np.log10(tied.gain))).max() * RATE / 1000 <= ATTACK_DB_PER_MS * 1.001
