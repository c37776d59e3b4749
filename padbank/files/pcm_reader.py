"""Reading WAVs whose samples lie there plainly: no decoder, numbers scaled by their full scale.

libsndfile asks for such files 4 kB at a time, which from Python costs ten times
what turning the numbers into floats does. Values are the same bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from padbank.files.reader import Samples, SoundInfo
from padbank.files.slices import Slices

MOST_BYTES = 1 << 24
"""Read at most this much in one call, however much is asked for."""


def _scaled(samples: NDArray[np.float32], factor: float) -> NDArray[np.float32]:
    samples *= np.float32(factor)
    return samples


def _integers(form: str, bits: int) -> Callable[[bytes], NDArray[np.float32]]:
    def read(data: bytes) -> NDArray[np.float32]:
        return _scaled(np.frombuffer(data, form).astype(np.float32), 2.0 ** (1 - bits))

    return read


def _unsigned_bytes(data: bytes) -> NDArray[np.float32]:
    samples = np.frombuffer(data, np.uint8).astype(np.float32)
    samples -= np.float32(128.0)
    return _scaled(samples, 1.0 / 128.0)


def _three_bytes(*, big: bool) -> Callable[[bytes], NDArray[np.float32]]:
    def read(data: bytes) -> NDArray[np.float32]:
        # four bytes from every third on: the next sample's byte falls off, or is masked
        four = np.ndarray((len(data) // 3,), ">u4" if big else "<u4", data + b"\0", 0, (3,))
        high = four & np.uint32(0xFFFFFF00) if big else four << np.uint32(8)
        return _scaled(high.view(np.int32).astype(np.float32), 2.0**-31)

    return read


def _floats(form: str) -> Callable[[bytes], NDArray[np.float32]]:
    def read(data: bytes) -> NDArray[np.float32]:
        with np.errstate(over="ignore"):  # too large for 32 bits: infinite, and refused as that
            return np.frombuffer(data, form).astype(np.float32)

    return read


CODINGS: dict[tuple[str, str], tuple[int, Callable[[bytes], NDArray[np.float32]]]] = {
    (subtype, endian): (width, read)
    for endian, mark in (("LITTLE", "<"), ("BIG", ">"))
    for subtype, width, read in (
        ("PCM_U8", 1, _unsigned_bytes),
        ("PCM_16", 2, _integers(f"{mark}i2", 16)),
        ("PCM_24", 3, _three_bytes(big=endian == "BIG")),
        ("PCM_32", 4, _integers(f"{mark}i4", 32)),
        ("FLOAT", 4, _floats(f"{mark}f4")),
        ("DOUBLE", 8, _floats(f"{mark}f8")),
    )
}
"""Bytes of a sample and how to read some, by soundfile's subtype and endianness."""


class PcmReader:
    """A ``Backend`` on plain samples. ``raw`` gives rate, channels, subtype and endianness."""

    def __init__(self, view: Slices, *, container: str, raw: tuple[int, int, str, str]) -> None:
        rate_hz, channels, subtype, endian = raw
        width, self._floats = CODINGS[subtype, endian]
        self._view = view
        self._frame_bytes = width * channels
        self.notes: list[str] = []
        self.info = SoundInfo(
            container=container,
            codec=subtype.lower(),
            subtype=subtype,
            sample_rate_hz=rate_hz,
            channels=channels,
            frames_claimed=len(view) // self._frame_bytes,
            lossy=False,
        )

    def blocks(self, block_frames: int) -> Iterator[Samples]:
        at = 0
        while len(block := self._read(at, block_frames)):
            yield block
            at += len(block)

    def seek_read(self, start_frame: int, n_frames: int) -> Samples:
        pieces = [self._read(start_frame, n_frames)]
        while len(pieces[-1]) and (got := sum(map(len, pieces))) < n_frames:
            pieces.append(self._read(start_frame + got, n_frames - got))
        return np.concatenate(pieces) if len(pieces) > 1 else pieces[0]

    def _read(self, at: int, n_frames: int) -> Samples:
        """Some frames from ``at`` on, none behind the end."""
        n_frames = min(n_frames, max(1, MOST_BYTES // self._frame_bytes))
        self._view.seek(at * self._frame_bytes)
        data = self._view.read(n_frames * self._frame_bytes)
        whole = len(data) - len(data) % self._frame_bytes
        return self._floats(data[:whole]).reshape(-1, self.info.channels)

    def close(self) -> None:
        """The file belongs to the caller and stays open."""
