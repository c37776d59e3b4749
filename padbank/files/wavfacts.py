"""What a WAV file really is: its chunks, its format, its samples, read from the bytes.

Answers: is this a plain PCM WAV with one ``data`` chunk whose sizes are true,
and what does it sound like as numbers. A plain reader of the RIFF form, apart
from the library that wrote the file, so that verifying does not trust it.

Sources: RIFF sizes and padding: "Multimedia Programming Interface and Data
Specifications 1.0" as described in public WAVE documents; ``smpl`` loop ends
are the last frame played (inclusive).

Class: ``WavFacts``. Functions: ``inspect_wav``, ``read_samples``.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from padbank.errors import DecodeError

PCM_TAG = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class WavFacts:
    """Format and chunks of a WAV. ``faults`` say in words what is not as it should be."""

    format_tag: int
    channels: int
    sample_rate_hz: int
    bits: int
    data_start: int
    data_bytes: int
    chunks: tuple[str, ...]
    loop: tuple[int, int] | None
    """first and last frame played, when there is a ``smpl`` chunk with a loop"""
    faults: tuple[str, ...]

    @property
    def frames(self) -> int:
        step = self.channels * self.bits // 8
        return self.data_bytes // step if step else 0


def inspect_wav(path: Path) -> WavFacts:
    """Read the chunks of a WAV, without its samples.

    Raises
    ------
    DecodeError : it is no RIFF WAVE, or has no ``fmt `` or no ``data`` chunk.
    """
    faults: list[str] = []
    chunks: list[str] = []
    form: tuple[int, int, int, int] | None = None
    data: tuple[int, int] | None = None
    loop = None
    size = path.stat().st_size
    with open(path, "rb") as file:
        head = file.read(12)
        if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"WAVE":
            raise DecodeError(path, "not a WAV file (no RIFF WAVE head)")
        stated = struct.unpack("<I", head[4:8])[0] + 8
        if stated != size:
            faults.append(f"its head says {stated} bytes and it has {size}")
        place = 12
        while place + 8 <= size:
            file.seek(place)
            name, n_bytes = struct.unpack("<4sI", file.read(8))
            chunks.append(name.decode("latin-1"))
            if place + 8 + n_bytes > size:
                faults.append(f"its chunk {chunks[-1]!r} is cut short")
                n_bytes = size - place - 8
            if name == b"fmt ":
                if n_bytes < 16:
                    raise DecodeError(path, "its format chunk is too short")
                tag, channels, rate, _, _, bits = struct.unpack("<HHIIHH", file.read(16))
                form = (tag, channels, rate, bits)
            elif name == b"data" and data is None:
                data = (place + 8, n_bytes)
            elif name == b"smpl":
                loop = _loop(file.read(min(n_bytes, 60)))
            place += 8 + n_bytes + n_bytes % 2
        if place < size:
            faults.append(f"{size - place} bytes follow its last chunk")
    if form is None or data is None:
        raise DecodeError(path, "no format or no data chunk")
    tag, channels, rate, bits = form
    if chunks.count("data") != 1 or chunks.count("fmt ") != 1:
        faults.append("it has more than one format or data chunk")
    if chunks.index("data") < chunks.index("fmt "):
        faults.append("its data stand before its format")
    step = channels * bits // 8
    if step == 0 or data[1] % step:
        faults.append("its data end within a frame")
    return WavFacts(
        format_tag=tag,
        channels=channels,
        sample_rate_hz=rate,
        bits=bits,
        data_start=data[0],
        data_bytes=data[1],
        chunks=tuple(chunks),
        loop=loop,
        faults=tuple(faults),
    )


def _loop(payload: bytes) -> tuple[int, int] | None:
    """``smpl``: nine 32-bit fields (the eighth counts loops), then 24 bytes for each loop."""
    if len(payload) < 60 or struct.unpack("<I", payload[28:32])[0] < 1:
        return None
    start, end = struct.unpack("<II", payload[44:52])
    return start, end


def read_samples(
    path: Path, facts: WavFacts, start: int = 0, n_frames: int | None = None
) -> NDArray[np.float64]:
    """Samples as ``(frames, channels)``, full scale at ±1.0, by the file's own bytes.

    ``start`` and ``n_frames`` take a part; what lies beyond the end is left out.

    Raises
    ------
    DecodeError : not integer PCM of 16, 24 or 32 bits.
    """
    if facts.bits not in (16, 24, 32) or facts.format_tag != PCM_TAG or facts.channels < 1:
        raise DecodeError(
            path,
            f"not plain PCM of 16, 24 or 32 bits (format {facts.format_tag}, {facts.bits} bits)",
        )
    step = facts.channels * facts.bits // 8
    left = max(0, facts.frames - start)
    n_bytes = step * (left if n_frames is None else min(n_frames, left))
    with open(path, "rb") as file:
        file.seek(facts.data_start + step * start)
        raw = np.frombuffer(file.read(n_bytes), dtype=np.uint8)
    if facts.bits == 24:
        wide = np.zeros((raw.size // 3, 4), dtype=np.uint8)
        wide[:, 1:] = raw.reshape(-1, 3)
        whole = wide.reshape(-1).view("<i4").astype(np.float64) / 2.0**31
    else:
        whole = raw.view(f"<i{facts.bits // 8}").astype(np.float64) / 2.0 ** (facts.bits - 1)
    return whole.reshape(-1, facts.channels)
