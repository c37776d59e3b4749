"""Dither: its statistics against theory, its stream against FIPS 202, the same bytes everywhere."""

from __future__ import annotations

import hashlib
import subprocess
import sys

import numpy as np
import pytest

from padbank.dsp.dither import BLOCK_VALUES, is_on_grid, noise_counts, quantise, to_float
from padbank.errors import InputError


def test_the_generator_is_shake_128():
    # FIPS 202 example value: SHAKE128 of the empty message begins 7f9c2ba4e88f827d616045507605853e
    # (NIST CSRC, "SHA-3 examples with intermediate values"; from memory)
    assert hashlib.shake_128(b"").hexdigest(16) == "7f9c2ba4e88f827d616045507605853e"
    stream = hashlib.shake_128(b"seed" + bytes(8)).digest(8)
    words = [int.from_bytes(stream[i : i + 2], "little") for i in range(0, 8, 2)]
    assert noise_counts(b"seed", 2).tolist() == [words[0] - words[1], words[2] - words[3]]


def test_blocks_do_not_show():
    long = noise_counts(b"x", BLOCK_VALUES + 10)
    assert np.array_equal(long[: BLOCK_VALUES - 5], noise_counts(b"x", BLOCK_VALUES - 5))
    assert not np.array_equal(long[:10], long[BLOCK_VALUES:])
    assert len(noise_counts(b"x", 0)) == 0
    for first in (1, 5000, BLOCK_VALUES - 3, BLOCK_VALUES):
        assert np.array_equal(noise_counts(b"x", 10, first), noise_counts(b"x", first + 10)[first:])


def test_noise_power_is_a_quarter_lsb_squared_whatever_the_signal():
    # Wannamaker et al. (2000): TPDF of +-1 LSB gives total noise LSB^2/4, independent of the signal
    n = 1 << 20
    ramp = np.linspace(-0.3, 0.3, n)[:, None]
    for name, signal, bits in (
        ("silence", np.zeros((n, 1)), 16),
        ("half an LSB of DC", np.full((n, 1), 0.5 / 32768), 16),
        ("ramp", ramp, 16),
        ("soft sine", 2e-4 * np.sin(np.arange(n) * 0.05)[:, None], 16),
        ("ramp in 24 bits", ramp, 24),
    ):
        error = quantise(signal, bits, b"power") - signal * 2.0 ** (bits - 1)
        power = float((error**2).mean())
        assert power == pytest.approx(0.25, rel=0.02), name
        assert abs(float(error.mean())) < 0.003, name
    # independent of where between two integers the signal lies: power by the signal's fraction
    error = (quantise(ramp, 16, b"power") - ramp * 32768)[:, 0]
    fraction = np.floor((ramp[:, 0] * 32768) % 1.0 * 8).astype(int)
    by_fraction = [float((error[fraction == k] ** 2).mean()) for k in range(8)]
    assert min(by_fraction) > 0.245
    assert max(by_fraction) < 0.255


def test_noise_is_white_and_triangular():
    counts = noise_counts(b"white", 1 << 20) / 65536.0
    assert float(counts.var()) == pytest.approx(1 / 6, rel=0.005)
    assert float((counts**4).mean()) == pytest.approx(1 / 15, rel=0.01)  # triangular: 1/15
    spectrum = np.abs(np.fft.rfft(counts.reshape(-1, 1024), axis=1)) ** 2
    power = spectrum.mean(axis=0)[1:-1]
    assert power.max() / power.min() < 1.35


def test_same_bytes_in_another_process_and_for_ever():
    counts = noise_counts(b"golden", 300_000).astype("<i4").tobytes()
    here = hashlib.sha256(counts).hexdigest()
    code = (
        "import hashlib; from padbank.dsp.dither import noise_counts;"
        "print(hashlib.sha256(noise_counts(b'golden', 300000).astype('<i4').tobytes()).hexdigest())"
    )
    there = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.strip()
    assert here == there
    # Our own earlier output: changing it changes every file that was ever exported.
    assert here == "7aed40bb607abcc44298a770c006329a5d0f59e3f01a99993abff59a11337a76"


def test_channels_get_their_own_noise():
    pcm = quantise(np.zeros((100_000, 2)), 16, b"pair")
    assert abs(np.corrcoef(pcm[:, 0], pcm[:, 1])[0, 1]) < 0.02


def test_integers_pass_and_edges_hold():
    pcm = np.array([[-32768], [-1], [0], [32767]], dtype=np.int32)
    assert is_on_grid(to_float(pcm, 16), 16)
    assert np.array_equal(quantise(to_float(pcm, 16), 16, b"", dither=False), pcm)
    assert not is_on_grid(np.array([[0.1]]), 16)
    assert not is_on_grid(np.array([[1.0]]), 16)
    assert quantise(np.array([[2.0], [-2.0]]), 24, b"s").tolist() == [[8388607], [-8388608]]


def test_faults_are_said():
    with pytest.raises(InputError, match="no numbers"):
        quantise(np.array([[np.nan]]), 16, b"")
    with pytest.raises(InputError, match="use 16 or 24"):
        quantise(np.zeros((1, 1)), 32, b"")
    with pytest.raises(InputError, match="0 or more"):
        noise_counts(b"", -1)
