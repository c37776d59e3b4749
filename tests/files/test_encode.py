"""WAVs for the card and lossless sections, read back by readers that are not ours."""

from __future__ import annotations

import errno
import hashlib
import os
import struct
import tempfile
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.errors import InputError
from padbank.files.decode import read_sound
from padbank.files.encode import write_lossless, write_wav


def _noise(frames: int, channels: int, bits: int) -> np.ndarray:
    rng = np.random.default_rng(20)
    limit = 1 << (bits - 1)
    pcm = rng.integers(-limit, limit, (frames, channels)).astype(np.int32)
    pcm[0], pcm[-1] = -limit, limit - 1
    return pcm


def _written(pcm: np.ndarray, rate_hz: int, bits: int, *, loop: tuple[int, int] | None = None) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        write_wav(path, pcm, rate_hz, bits, loop=loop)
        return path.read_bytes()


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [1000, 1001])
def test_the_standard_library_reads_the_same_samples(
    tmp_path: Path, bits: int, channels: int, frames: int
) -> None:
    pcm = _noise(frames, channels, bits)
    path = tmp_path / "hit.wav"
    n_bytes = write_wav(path, pcm, 44100, bits)
    assert n_bytes == path.stat().st_size
    assert n_bytes % 2 == 0
    with wave.open(str(path)) as reader:
        assert reader.getparams()[:4] == (channels, bits // 8, 44100, frames)
        raw = reader.readframes(frames)
    values = [
        int.from_bytes(raw[i : i + bits // 8], "little", signed=True) for i in range(0, len(raw), bits // 8)
    ]
    assert np.array_equal(np.array(values).reshape(frames, channels), pcm)
    samples, rate = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate == 44100
    assert np.array_equal(samples >> (32 - bits), pcm)
    ours, _ = read_sound(path)
    assert np.array_equal(ours.astype(np.float64) * (1 << (bits - 1)), pcm)


def test_bytes_written_by_hand() -> None:
    """Two 16-bit frames, each field worked out from the 1991 RIFF specification."""
    expected = (
        b"RIFF" + struct.pack("<I", 40) + b"WAVE"  # 48 bytes in all, less 8
        b"fmt " + bytes([16, 0, 0, 0]) + bytes([1, 0])  # 16 bytes follow; PCM
        + bytes([1, 0]) + bytes([0x40, 0x1F, 0, 0])  # mono; 8000 Hz
        + bytes([0x80, 0x3E, 0, 0]) + bytes([2, 0]) + bytes([16, 0])  # 16000 bytes/s; 2 a frame
        + b"data" + bytes([4, 0, 0, 0]) + bytes([0x01, 0x00, 0xFF, 0x7F])
    )  # fmt: skip
    assert _written(np.array([[1], [32767]], dtype=np.int32), 8000, 16) == expected


def test_same_samples_same_bytes() -> None:
    digest = hashlib.sha256(_written(_noise(777, 2, 24), 48000, 24, loop=(0, 777))).hexdigest()
    again = hashlib.sha256(_written(_noise(777, 2, 24), 48000, 24, loop=(0, 777))).hexdigest()
    assert digest == again


def test_loop_chunk_as_libsndfile_reads_it(tmp_path: Path) -> None:
    """``smpl``: the stored end is the last frame played, so half-open 10..500 is 10 and 499."""
    path = tmp_path / "loop.wav"
    write_wav(path, _noise(1001, 1, 24), 44100, 24, loop=(10, 500))
    with soundfile.SoundFile(path) as file:
        lines = [" ".join(line.split()) for line in file.extra_info.splitlines()]
        assert file.frames == 1001
    assert "Loop Count : 1" in lines
    assert "Cue ID : 0 Type : 0 Start : 10 End : 499 Fraction : 0 Count : 0" in lines
    assert "Period : 22676 nsec" in lines  # 1e9 / 44100 = 22675.7
    with wave.open(str(path)) as reader:
        assert reader.getnframes() == 1001


@pytest.mark.parametrize("loop", [(-1, 5), (5, 5), (0, 101)])
def test_loop_outside_the_sound_is_refused(loop: tuple[int, int]) -> None:
    with pytest.raises(InputError, match="loop from frame"):
        _written(_noise(100, 1, 16), 44100, 16, loop=loop)


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(InputError, match="do not fit into 16 bits"):
        _written(np.array([[32768]], dtype=np.int32), 44100, 16)
    with pytest.raises(InputError, match="16 or 24"):
        _written(_noise(5, 1, 16), 44100, 20)
    with pytest.raises(InputError, match="shape"):
        _written(np.zeros((5, 3), np.int32), 44100, 16)
    with pytest.raises(InputError, match="quantise"):
        _written(np.zeros((5, 1)), 44100, 16)  # type: ignore[arg-type]
    huge = np.broadcast_to(np.zeros((1, 2), np.int32), (1 << 30, 2))  # takes no memory
    with pytest.raises(InputError, match="4 GiB"):
        _written(huge, 44100, 16)


@pytest.mark.parametrize(
    ("subtype", "bits", "suffix"),
    [("PCM_16", 16, ".flac"), ("PCM_24", 24, ".flac"), ("VORBIS", 24, ".wav"), ("FLOAT", 24, ".wav")],
)
def test_lossless_sections_lose_nothing(tmp_path: Path, subtype: str, bits: int, suffix: str) -> None:
    samples = (_noise(5000, 2, bits) / float(1 << (bits - 1))).astype(np.float32)
    blocks = [samples[:1000], samples[1000:1001], samples[1001:]]
    path = write_lossless(tmp_path / "cut", blocks, 48000, 2, source_subtype=subtype)
    assert path == tmp_path / f"cut{suffix}"
    back, rate = soundfile.read(path, dtype="float32", always_2d=True)
    assert rate == 48000
    assert np.array_equal(back, samples)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_a_hot_block_turns_a_section_into_float(tmp_path: Path) -> None:
    samples = (_noise(3000, 1, 16) / 32768.0).astype(np.float32)
    samples[2500] = 1.7
    blocks = [samples[i : i + 500] for i in range(0, 3000, 500)]
    path = write_lossless(tmp_path / "cut", blocks, 44100, 1, source_subtype="PCM_16")
    assert path.suffix == ".wav"
    back, _ = soundfile.read(path, dtype="float32", always_2d=True)
    assert np.array_equal(back, samples)
    assert [p.name for p in tmp_path.iterdir()] == ["cut.wav"]


def test_lossless_is_the_same_twice(tmp_path: Path) -> None:
    samples = (_noise(3000, 1, 16) / 32768.0).astype(np.float32)
    for subtype in ("PCM_16", "FLOAT"):
        one = write_lossless(tmp_path / "a", [samples], 44100, 1, source_subtype=subtype)
        two = write_lossless(tmp_path / "b", [samples], 44100, 1, source_subtype=subtype)
        assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize("first_is_whole", [False, True])
def test_a_block_that_is_no_integer_falls_back_to_float_without_loss(tmp_path: Path, first_is_whole: bool) -> None:
    """The block that cannot be FLAC may be the very first one."""
    rough = (np.random.default_rng(1).standard_normal((30_000, 2)) * 0.2).astype(np.float32)
    first = (np.round(rough[:10_000] * 32768) / 32768).astype(np.float32) if first_is_whole else rough[:10_000]
    kept = write_lossless(tmp_path / "x", iter([first, rough[10_000:]]), 44100, 2, source_subtype="PCM_16")
    back, _ = read_sound(kept)
    assert kept.suffix == ".wav" and np.array_equal(back, np.concatenate([first, rough[10_000:]]))
    assert [p.name for p in tmp_path.iterdir()] == ["x.wav"]


def test_a_disk_that_turns_out_full_at_the_end_is_told(tmp_path, monkeypatch):
    def fsync(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(OSError, match="No space left"):
        write_wav(tmp_path / "a.wav", _noise(100, 1, 16), 44100, 16)
