"""Every kind of file, whole and in sections, against the samples that went in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.files.decode import open_sound, read_sound

SECONDS = 5


def _music(rate: int, channels: int = 2, seconds: float = SECONDS) -> np.ndarray:
    """Plucked notes at uneven times: nothing in it repeats, so a shift by a frame shows."""
    rng = np.random.default_rng(42)
    n = round(seconds * rate)
    out = np.zeros(n)
    for start in np.sort(rng.uniform(0, seconds - 0.05, int(9 * seconds))):
        at = int(start * rate)
        t = np.arange(min(n - at, rate // 2)) / rate
        out[at : at + len(t)] += 0.2 * np.sin(2 * np.pi * rng.uniform(200, 3000) * t) * np.exp(-9 * t)
    out += 0.01 * rng.normal(size=n)
    pan = np.linspace(0.4, 1.0, n)
    both = np.stack([out * pan, out * pan[::-1]], 1)[:, :channels]
    return (0.9 * both / np.abs(both).max()).astype(np.float32)


# kind, writer, rate, bits kept (None: lossy), exact length
SOUNDFILE = [
    ("wav", {"format": "WAV", "subtype": "PCM_U8"}, 44100, 8),
    ("wav", {"format": "WAV", "subtype": "PCM_16"}, 44100, 16),
    ("wav", {"format": "WAV", "subtype": "PCM_24"}, 48000, 24),
    ("wav", {"format": "WAV", "subtype": "PCM_32"}, 96000, 24),
    ("wav", {"format": "WAV", "subtype": "FLOAT"}, 22050, 24),
    ("wav", {"format": "WAV", "subtype": "DOUBLE"}, 192000, 24),
    ("wav", {"format": "WAVEX", "subtype": "PCM_24"}, 48000, 24),
    ("wav", {"format": "WAV", "subtype": "PCM_16", "endian": "BIG"}, 44100, 16),
    ("wav", {"format": "WAV", "subtype": "ULAW"}, 8000, None),
    ("wav", {"format": "WAV", "subtype": "IMA_ADPCM"}, 44100, None),
    ("rf64", {"format": "RF64", "subtype": "PCM_16"}, 44100, 16),
    ("w64", {"format": "W64", "subtype": "PCM_24"}, 44100, 24),
    ("aiff", {"format": "AIFF", "subtype": "PCM_16"}, 44100, 16),
    ("aiff", {"format": "AIFF", "subtype": "PCM_24"}, 44100, 24),
    ("au", {"format": "AU", "subtype": "PCM_16"}, 44100, 16),
    ("caf", {"format": "CAF", "subtype": "PCM_24"}, 44100, 24),
    ("flac", {"format": "FLAC", "subtype": "PCM_16"}, 44100, 16),
    ("flac", {"format": "FLAC", "subtype": "PCM_24"}, 96000, 24),
    ("ogg", {"format": "OGG", "subtype": "VORBIS"}, 44100, None),
    ("ogg", {"format": "OGG", "subtype": "OPUS"}, 48000, None),
    ("ogg", {"format": "OGG", "subtype": "OPUS"}, 24000, None),
    ("mp3", {"format": "MP3", "subtype": "MPEG_LAYER_III"}, 44100, None),
    ("mp3", {"format": "MP3", "subtype": "MPEG_LAYER_III"}, 48000, None),
    ("mp3", {"format": "MP3", "subtype": "MPEG_LAYER_III"}, 22050, None),
]  # fmt: skip
FFMPEG = [
    ("mp4", "ipod", "aac", 44100), ("mp4", "mp4", "aac", 48000), ("mp4", "mov", "pcm_s16le", 44100),
    ("mp4", "ipod", "alac", 44100), ("matroska", "matroska", "aac", 44100),
    ("matroska", "webm", "libopus", 48000), ("matroska", "matroska", "flac", 44100), ("aac", "adts", "aac", 44100),
    ("asf", "asf", "wmav2", 44100), ("ac3", "ac3", "ac3", 48000), ("eac3", "eac3", "eac3", 48000),
    ("wavpack", "wv", "wavpack", 44100), ("tta", "tta", "tta", 44100), ("mp3", "mp3", "libmp3lame", 44100),
    ("avi", "avi", "libmp3lame", 44100), ("mpeg-ts", "mpegts", "aac", 48000), ("mpeg-ps", "mpeg", "mp2", 44100),
    ("flv", "flv", "aac", 44100), ("mp3", "mp2", "mp2", 44100), ("ogg", "ogg", "flac", 44100),
]  # fmt: skip
LOSSLESS_FFMPEG = {"pcm_s16le": 16, "alac": 16, "wavpack": 16, "flac": 16}


def _lag(reference: np.ndarray, other: np.ndarray) -> int:
    """By how many frames ``other`` is late, from their cross-correlation."""
    n = min(len(reference), len(other), 1 << 17)
    a, b = reference[:n, 0], other[:n, 0]
    size = 1 << (2 * n - 1).bit_length()
    product = np.fft.irfft(np.fft.rfft(b, size) * np.conj(np.fft.rfft(a, size)), size)
    at = int(np.argmax(product))
    return at if at < size // 2 else at - size


def _check_sections(path: Path, tolerance: float) -> None:
    """Sections read by position are what reading it all gives there, in any order."""
    with open_sound(path) as reader:
        whole = np.concatenate(list(reader.blocks(5000)))
        n = len(whole)
        assert reader.frames_read == n
        again = np.concatenate(list(reader.blocks()))
        assert np.abs(again - whole).max() <= tolerance
    rng = np.random.default_rng(9)
    starts = [n // 2, 3, 0, n - 700, n // 2 + 400, n // 3, *(int(v) for v in rng.integers(0, n - 1, 6))]
    for seen in (True, False):
        with open_sound(path) as reader:
            if seen:
                for _ in reader.blocks():
                    pass
            for start in starts:
                part = reader.seek_read(start, 1500)
                expected = whole[start : start + 1500]
                assert part.shape == expected.shape, (start, part.shape)
                assert np.abs(part - expected).max() <= tolerance, start
            assert len(reader.seek_read(n, 10)) == 0
            assert len(reader.seek_read(n + 5, 10)) == 0
            assert len(reader.seek_read(5, 0)) == 0


@pytest.mark.parametrize(
    ("kind", "options", "rate", "bits"), SOUNDFILE, ids=lambda v: "-".join(map(str, v.values())) if isinstance(v, dict) else str(v)
)  # fmt: skip
def test_kinds_that_soundfile_writes(tmp_path: Path, kind: str, options: dict, rate: int, bits: int | None) -> None:
    samples = _music(rate, seconds=3 if rate > 90000 else SECONDS)
    path = tmp_path / "clip.bin"  # the name says nothing
    with soundfile.SoundFile(path, "w", samplerate=rate, channels=2, **options) as file:
        for at in range(0, len(samples), 4096):
            file.write(samples[at : at + 4096])
    with open_sound(path) as reader:
        got = np.concatenate(list(reader.blocks()))
        info = reader.info
        assert reader.warnings == []
    assert info.container == kind
    assert info.channels == 2
    assert got.dtype == np.float32
    if options["subtype"] == "OPUS":  # RFC 7845, 5.1: decoded at 48 kHz, whatever its input rate was
        assert info.sample_rate_hz == 48000
        samples = np.repeat(samples, 48000 // rate, axis=0)
    else:
        assert info.sample_rate_hz == rate
    if bits is not None:
        assert not info.lossy
        assert np.abs(got - samples).max() <= 1.01 / (1 << (bits - 1))
    else:
        assert info.lossy
        assert abs(_lag(samples, got)) <= (2 if info.sample_rate_hz == rate else 40)
    if options["subtype"] != "IMA_ADPCM":
        assert abs(len(got) - len(samples)) <= (0 if info.sample_rate_hz == rate else 100)
    _check_sections(path, 0.0 if bits is not None else 2e-5)


@pytest.mark.parametrize(("kind", "format", "codec", "rate"), FFMPEG, ids=str)
def test_kinds_that_ffmpeg_writes(
    tmp_path: Path, encode_sound: Callable[..., Path], kind: str, format: str, codec: str, rate: int
) -> None:
    samples = _music(rate)
    path = encode_sound(tmp_path / "clip.bin", samples, rate, format, codec)
    with open_sound(path) as reader:
        got = np.concatenate(list(reader.blocks()))
        info = reader.info
        assert reader.warnings == []
    assert (info.container, info.sample_rate_hz, info.channels) == (kind, rate, 2)
    assert info.has_picture is False
    if codec in LOSSLESS_FFMPEG:
        assert not info.lossy
        assert len(got) == len(samples)
        assert np.abs(got - samples).max() <= 1.01 / (1 << (LOSSLESS_FFMPEG[codec] - 1))
    else:
        # Raw streams and films without gapless data start late by their encoder's delay: every reader
        # agrees on that (AAC 1024, MP2 481, AC-3 256 frames; WMA early by 2048), so it is left.
        late = _lag(samples, got)
        assert -2050 <= late <= 2200
        if kind in ("mp4", "matroska"):
            assert abs(late) <= 1 or codec == "aac"
        assert -2300 <= len(got) - len(samples) <= 5200
    _check_sections(path, 0.0 if codec in LOSSLESS_FFMPEG else 2e-4)


def test_m4a_is_exact_to_the_frame(tmp_path: Path, encode_sound: Callable[..., Path]) -> None:
    """The edit list (ISO/IEC 14496-12) says where the sound starts and ends in the coded stream."""
    samples = _music(44100)[:100_001]
    path = encode_sound(tmp_path / "clip.m4a", samples, 44100, "ipod", "aac")
    got, rate = read_sound(path)
    assert rate == 44100
    assert abs(len(got) - len(samples)) <= 44  # its length is kept in milliseconds
    assert _lag(samples, got) == 0


def test_a_film_gives_its_sound(tmp_path: Path, encode_sound: Callable[..., Path]) -> None:
    samples = _music(48000, 1)
    path = encode_sound(tmp_path / "film.mp4", samples, 48000, "mp4", "aac", picture=True)
    with open_sound(path) as reader:
        assert reader.info.has_picture
        got = np.concatenate(list(reader.blocks()))
        assert reader.info.channels == 1
    assert abs(len(got) - len(samples)) <= 2100
    _check_sections(path, 2e-4)


def test_sections_in_seconds(tmp_path: Path) -> None:
    samples = _music(44100)
    path = tmp_path / "clip.flac"
    soundfile.write(path, samples, 44100, subtype="PCM_24")
    whole, _ = read_sound(path)
    part, rate = read_sound(path, 1.0, 2.5)
    assert rate == 44100
    assert np.array_equal(part, whole[44100:110250])
    rest, _ = read_sound(path, 4.5)
    assert np.array_equal(rest, whole[198450:])
    assert len(read_sound(path, 100.0)[0]) == 0
    assert len(read_sound(path, 4.5, 100.0)[0]) == len(rest)
