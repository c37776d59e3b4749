"""Writing the demo's files in the formats that clips really come in.

WAV (16, 24 bit, float), FLAC, Ogg Vorbis and MP3 through soundfile, AAC in MP4
and video with a picture through PyAV. The same samples give the same bytes on
one installation: Ogg's random serial number is replaced, float WAVs are
written here because libsndfile puts the time of day into their PEAK chunk.

Functions: ``write_sound``, ``write_video``, ``cut_short``, ``copy_text``.
"""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import soundfile
from numpy.typing import NDArray

from padbank.errors import InputError

FORMATS: dict[str, tuple[str, str, str]] = {
    "wav16": (".wav", "WAV", "PCM_16"),
    "wav24": (".wav", "WAV", "PCM_24"),
    "wavfloat": (".wav", "WAV", "FLOAT"),
    "flac": (".flac", "FLAC", "PCM_16"),
    "flac24": (".flac", "FLAC", "PCM_24"),
    "ogg": (".ogg", "OGG", "VORBIS"),
    "mp3": (".mp3", "MP3", "MPEG_LAYER_III"),
    "m4a": (".m4a", "", "aac"),
    "mp4": (".mp4", "", "aac"),
}
"""Our short name -> suffix, soundfile's format and subtype (or the codec's name)."""

OGG_SERIAL = 0x70616462  # "padb"


def write_sound(stem: Path, samples: NDArray[np.float64], rate_hz: int, form: str) -> Path:
    """Write samples ``(frames,)`` or ``(frames, channels)`` beside their format's suffix.

    Integer formats are clipped at full scale, as a careless recording would be;
    float is not.

    Returns
    -------
    Path : ``stem`` with the suffix of the format.
    """
    suffix, kind, subtype = FORMATS[form]
    path = stem.with_name(stem.name + suffix)
    if form == "wavfloat":
        path.write_bytes(_float_wav(samples, rate_hz))
    elif kind:
        buffer = io.BytesIO()
        clipped = _quantised(samples, subtype)
        with soundfile.SoundFile(
            buffer, "w", rate_hz, 1 if samples.ndim == 1 else 2, subtype, format=kind
        ) as out:
            # libsndfile's Vorbis writer overflows its stack on very long single writes.
            for start in range(0, len(clipped), 65536):
                out.write(clipped[start : start + 65536])
        raw = buffer.getvalue()
        path.write_bytes(_with_serial(raw) if form == "ogg" else raw)
    else:
        _write_av(path, samples, rate_hz, pictures=None)
    return path


def write_video(
    stem: Path, samples: NDArray[np.float64], rate_hz: int, pictures: Iterator[NDArray[np.uint8]]
) -> Path:
    """Write a small MP4 with sound and a picture: RGB frames ``(height, width, 3)``, 12 a second."""
    path = stem.with_name(stem.name + ".mp4")
    _write_av(path, samples, rate_hz, pictures)
    return path


def cut_short(path: Path, share: float) -> None:
    """Damage a file as a broken copy does: keep only the first ``share`` of its bytes."""
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * share)])


def copy_text(text: str, path: Path) -> Path:
    """Write a text file as UTF-8 with plain line ends, the same on every system."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode("utf-8"))
    return path


def make_folder(path: Path) -> Path:
    """Make a folder and those above it; InputError when something else is in the way."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or os.strerror(error.errno or 0)
        raise InputError(f"{path}: the folder cannot be made ({reason}): choose another") from error
    return path


# ---------------------------------------------------------------- parts


def _quantised(samples: NDArray[np.float64], subtype: str) -> NDArray[np.generic]:
    """Integers at the top of 32 bits, rounded here: libsndfile rounds WAV and FLAC differently."""
    bits = {"PCM_16": 16, "PCM_24": 24}.get(subtype)
    if bits is None:
        return np.clip(samples, -1.0, 1.0)
    full = 2 ** (bits - 1)
    whole = np.clip(np.floor(samples * full + 0.5), -full, full - 1).astype(np.int64)
    return (whole << (32 - bits)).astype(np.int32)


def _float_wav(samples: NDArray[np.float64], rate_hz: int) -> bytes:
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    data = samples.astype("<f4").tobytes()
    form = struct.pack("<HHIIHHH", 3, channels, rate_hz, rate_hz * channels * 4, channels * 4, 32, 0)
    body = (
        b"WAVE"
        + b"fmt " + struct.pack("<I", len(form)) + form
        + b"fact" + struct.pack("<II", 4, len(samples))
        + b"data" + struct.pack("<I", len(data)) + data
    )  # fmt: skip
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte << 24
        for _ in range(8):
            value = (value << 1) ^ (0x04C11DB7 if value & 0x80000000 else 0)
        table.append(value & 0xFFFFFFFF)
    return tuple(table)


_CRC = _crc_table()


def _with_serial(raw: bytes) -> bytes:
    """Give every Ogg page the same serial number and its new checksum (RFC 3533, section 6)."""
    out = bytearray(raw)
    at = 0
    while at + 27 <= len(out) and out[at : at + 4] == b"OggS":
        segments = out[at + 26]
        size = 27 + segments + sum(out[at + 27 : at + 27 + segments])
        out[at + 14 : at + 18] = struct.pack("<I", OGG_SERIAL)
        out[at + 22 : at + 26] = b"\0\0\0\0"
        crc = 0
        for byte in out[at : at + size]:
            crc = ((crc << 8) & 0xFFFFFFFF) ^ _CRC[(crc >> 24) ^ byte]
        out[at + 22 : at + 26] = struct.pack("<I", crc)
        at += size
    return bytes(out)


def _write_av(
    path: Path,
    samples: NDArray[np.float64],
    rate_hz: int,
    pictures: Iterator[NDArray[np.uint8]] | None,
) -> None:
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    planes = np.clip(samples.reshape(len(samples), channels).T, -1, 1).astype(np.float32)
    layout = "mono" if channels == 1 else "stereo"
    with av.open(str(path), "w", format="mp4", options={"fflags": "+bitexact"}) as out:
        sound = out.add_stream("aac", rate=rate_hz, layout=layout)
        sound.bit_rate = 128_000 if channels == 2 else 80_000
        picture = None
        if pictures is not None:
            first = next(pictures)
            picture = out.add_stream("mpeg4", rate=12)
            picture.height, picture.width = first.shape[:2]
            picture.pix_fmt = "yuv420p"
            picture.bit_rate = 200_000
            picture.thread_count = 1
            for index, rgb in enumerate(_chained(first, pictures)):
                shot = av.VideoFrame.from_ndarray(rgb, format="rgb24")
                shot.pts, shot.time_base = index, Fraction(1, 12)
                out.mux(picture.encode(shot))
        for start in range(0, planes.shape[1], 1024):
            block = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(planes[:, start : start + 1024]), format="fltp", layout=layout
            )
            block.sample_rate, block.pts = rate_hz, start
            block.time_base = Fraction(1, rate_hz)
            out.mux(sound.encode(block))
        if picture is not None:
            out.mux(picture.encode(None))
        out.mux(sound.encode(None))


def _chained(
    first: NDArray[np.uint8], rest: Iterator[NDArray[np.uint8]]
) -> Iterator[NDArray[np.uint8]]:
    yield first
    yield from rest
