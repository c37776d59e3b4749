"""Write sound: plain PCM WAVs for the card, lossless audio for sections kept in the library.

``write_wav`` and ``WavFile`` are our own few lines of RIFF, so that the
same samples give the same bytes on every machine and with every version of
every library: ``fmt ``, an optional ``smpl`` with one loop, ``data``, nothing
else. ``write_lossless`` keeps a section of a recording or of a film's sound:
FLAC where that loses nothing, else 32-bit float WAV.

Sources: Multimedia Programming Interface and Data Specifications 1.0
(IBM/Microsoft 1991) for RIFF, ``fmt ``, ``data`` and the pad byte, and the
``smpl`` chunk's layout as open readers document it; the loop's end is the
last frame that is played.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterable
from io import FileIO
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from padbank.errors import InputError, StoreError
from padbank.files.fileops import sync
from padbank.files.reader import Samples

MAX_RIFF_BYTES = 0xFFFFFFFF
"""The RIFF size field is 32 bits: header and data together cannot be longer."""
UNITY_NOTE = 60
_PCM, _FLOAT = 1, 3


def write_wav(
    path: Path | str,
    pcm: NDArray[np.int32],
    rate_hz: int,
    bits: int,
    *,
    loop: tuple[int, int] | None = None,
) -> int:
    """Write a whole WAV to ``path`` and to the disk itself; returns the file's length in bytes.

    An existing file is overwritten in place: write under a temporary name and
    rename it where the old file has to survive a crash.

    Parameters
    ----------
    pcm : int32 (frames, channels), 1 or 2 channels, values of ``bits`` bits (right-aligned)
    The others, and what is raised, as for ``WavFile``.
    """
    pcm = _checked_shape(pcm, rate_hz, bits)
    frames, channels = pcm.shape
    with WavFile(path, frames, channels, rate_hz, bits, loop=loop) as file:
        file.write(pcm)
    return file.size


class WavFile:
    """A WAV that is written block by block; a context manager.

    Parameters
    ----------
    frames, channels : of the whole sound, told before the first block; 1 or 2 channels
    rate_hz : sample rate
    bits : 16 or 24
    loop : (start, end) in frames, half open as in Python: frames ``start`` to ``end - 1``
        are repeated. The file holds ``end - 1``, the last frame played.

    ``size`` is the file's length in bytes.

    Raises
    ------
    InputError : a shape, rate or loop that cannot be written, or more than 4 GiB, before anything is
        written; later a block whose values do not fit
    StoreError : at the end, when the blocks were not as many frames as announced
    """

    def __init__(
        self,
        path: Path | str,
        frames: int,
        channels: int,
        rate_hz: int,
        bits: int,
        *,
        loop: tuple[int, int] | None = None,
    ) -> None:
        _checked_shape(np.zeros((0, channels), dtype=np.int32), rate_hz, bits)
        self._bits, self._rate_hz = bits, rate_hz
        header = _wav_header(frames, channels, rate_hz, bits, loop)
        n_data = frames * channels * (bits // 8)
        self._frames_left, self._pad = frames, n_data & 1
        self.size = len(header) + n_data + self._pad
        self._path = path
        self._file = open(path, "wb")  # noqa: SIM115 - closed in __exit__
        self._file.write(header)

    def __enter__(self) -> WavFile:
        return self

    def write(self, pcm: NDArray[np.int32]) -> None:
        """Add ``(frames, channels)`` integers."""
        pcm = _checked_shape(pcm, self._rate_hz, self._bits)
        self._frames_left -= len(pcm)
        self._file.write(_pcm_bytes(pcm, self._bits))

    def __exit__(self, kind: object, *_: object) -> None:
        with self._file as file:
            if kind is None:
                file.write(b"\0" * self._pad)
                sync(file)
        if kind is None and self._frames_left:
            raise StoreError(f"{self._path}: {self._frames_left} frames of its sound are missing")


def _checked_shape(pcm: NDArray[np.int32], rate_hz: int, bits: int) -> NDArray[np.int32]:
    if bits not in (16, 24):
        raise InputError(f"{bits} bits: a WAV is written with 16 or 24")
    if not 1 <= rate_hz <= 768_000:
        raise InputError(f"sample rate {rate_hz} Hz: use one up to 768000")
    pcm = np.asarray(pcm)
    if pcm.ndim != 2 or pcm.shape[1] not in (1, 2):
        raise InputError(f"samples of shape {pcm.shape}: use (frames, 1) or (frames, 2)")
    if pcm.dtype.kind != "i":
        raise InputError(f"samples of type {pcm.dtype}: quantise them to integers first")
    return pcm


def _wav_header(
    frames: int, channels: int, rate_hz: int, bits: int, loop: tuple[int, int] | None
) -> bytes:
    n_data = frames * channels * (bits // 8)
    chunks = _fmt_chunk(_PCM, channels, rate_hz, bits)
    if loop is not None:
        chunks += _smpl_chunk(loop, frames, rate_hz)
    size = 4 + len(chunks) + 8 + n_data + (n_data & 1)
    _check_riff_size(size)
    return b"RIFF" + struct.pack("<I", size) + b"WAVE" + chunks + b"data" + struct.pack("<I", n_data)


def _pcm_bytes(pcm: NDArray[np.int32], bits: int) -> bytes:
    limit = 1 << (bits - 1)
    if pcm.size and (int(pcm.min()) < -limit or int(pcm.max()) >= limit):
        raise InputError(f"samples from {pcm.min()} to {pcm.max()} do not fit into {bits} bits")
    if bits == 16:
        return pcm.astype("<i2").tobytes()
    return pcm.astype("<i4").view(np.uint8).reshape(*pcm.shape, 4)[..., :3].tobytes()


def _check_riff_size(size: int) -> None:
    if size > MAX_RIFF_BYTES:
        raise InputError(f"{size} bytes of sound do not fit into one WAV (4 GiB): make it shorter")


def _fmt_chunk(tag: int, channels: int, rate_hz: int, bits: int) -> bytes:
    align = channels * bits // 8
    return b"fmt " + struct.pack("<IHHIIHH", 16, tag, channels, rate_hz, rate_hz * align, align, bits)


def _smpl_chunk(loop: tuple[int, int], frames: int, rate_hz: int) -> bytes:
    start, end = loop
    if not 0 <= start < end <= frames:
        raise InputError(f"loop from frame {start} to {end}: it has to lie inside the {frames} frames")
    period_ns = (1_000_000_000 + rate_hz // 2) // rate_hz
    head = struct.pack("<9I", 0, 0, period_ns, UNITY_NOTE, 0, 0, 0, 1, 0)
    forward, endless = 0, 0
    body = head + struct.pack("<6I", 0, forward, start, end - 1, 0, endless)
    return b"smpl" + struct.pack("<I", len(body)) + body


# ---------------------------------------------------------------- lossless sections

_FLAC_BITS = {
    "PCM_S8": 16, "PCM_U8": 16, "PCM_16": 16, "ALAW": 16, "ULAW": 16, "PCM_24": 24,
}  # fmt: skip


def write_lossless(
    stem_path: Path | str,
    blocks: Iterable[Samples],
    rate_hz: int,
    channels: int,
    *,
    source_subtype: str,
) -> Path:
    """Keep float blocks without any loss; returns the file written.

    Parameters
    ----------
    stem_path : name without suffix; ``.flac`` or ``.wav`` is added
    blocks : float32 (frames, channels), in order
    source_subtype : ``SoundInfo.subtype`` of where they come from

    FLAC is written while every value is an integer of the source's width (16
    or 24 bits) within full scale. At the first block that is not, what there
    is so far is carried over and a 32-bit float WAV is written instead. The
    file appears under its name only when it is whole; syncing it is the caller's.

    Raises
    ------
    InputError : more than 8 channels, or more than a WAV can hold
    StoreError : it cannot be written
    """
    if not 1 <= channels <= 8:
        raise InputError(f"{channels} channels: 1 to 8 can be kept")
    bits = _FLAC_BITS.get(source_subtype)
    iterator = iter(blocks)
    held_back: list[Samples] = []
    flac_part = Path(f"{stem_path}.flac.part")
    try:
        if bits is not None and rate_hz <= 655_350:
            stopped_at = _write_flac(flac_part, iterator, rate_hz, channels, bits, held_back)
            if stopped_at is None:
                return _put_in_place(flac_part, Path(f"{stem_path}.flac"))
            kept = _again(flac_part) if stopped_at else ()
            return _write_float(stem_path, chain(kept, held_back, iterator), rate_hz, channels)
        return _write_float(stem_path, iterator, rate_hz, channels)
    except OSError as error:
        raise StoreError(f"{stem_path}: cannot be written ({error.strerror or error})") from error
    finally:
        flac_part.unlink(missing_ok=True)


def _write_flac(
    path: Path,
    blocks: Iterable[Samples],
    rate_hz: int,
    channels: int,
    bits: int,
    held_back: list[Samples],
) -> int | None:
    """Write blocks as FLAC; None when all are in.

    At a block that would lose something: the frames written before it, and the
    block itself goes to ``held_back``.
    """
    import soundfile

    frames = 0

    scale = np.float64(1 << (bits - 1))
    with (
        open(path, "w+b", buffering=0) as disk,
        _Target(disk) as raw,
        soundfile.SoundFile(
            raw, "w", samplerate=rate_hz, channels=channels, format="FLAC", subtype=f"PCM_{bits}"
        ) as file,
    ):
        for block in blocks:
            scaled = np.asarray(block, dtype=np.float64) * scale
            whole = np.rint(scaled)
            if not (np.array_equal(whole, scaled) and bool(np.all((whole >= -scale) & (whole < scale)))):
                held_back.append(block)
                return frames
            frames += len(block)
            file.write((whole.astype(np.int64) << (32 - bits)).astype(np.int32))
            raw.check()
    return None


class _Target:
    """A file for libsndfile to write to. An error cannot leave its callbacks: it is kept, and raised at the end."""

    def __init__(self, file: FileIO) -> None:
        self._file = file
        self._error: OSError | None = None

    def __enter__(self) -> _Target:
        return self

    def __exit__(self, *_: object) -> None:
        self.check()

    def check(self) -> None:
        if self._error is not None:
            raise self._error

    def write(self, data: bytes) -> int:
        done = 0
        try:
            while done < len(data) and self._error is None:
                done += self._file.write(data[done:])
        except OSError as error:
            self._error = error
        return done

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        try:
            return self._file.seek(offset, whence)
        except OSError as error:
            self._error = self._error or error
            return 0

    def tell(self) -> int:
        return self.seek(0, os.SEEK_CUR)

    def read(self, size: int = -1) -> bytes:
        return self._file.read(size)


def _again(flac: Path) -> Iterable[Samples]:
    """Blocks that went into ``flac`` already."""
    import soundfile

    with open(flac, "rb") as raw, soundfile.SoundFile(raw) as file:
        while len(block := file.read(65536, dtype="float32", always_2d=True)):
            yield block


def _write_float(stem_path: Path | str, blocks: Iterable[Samples], rate_hz: int, channels: int) -> Path:
    """32-bit float WAV, streamed; the sizes are filled in at the end."""
    part = Path(f"{stem_path}.wav.part")
    fact_at = 12 + 24
    try:
        with open(part, "wb") as file:
            head = b"RIFF\0\0\0\0WAVE" + _fmt_chunk(_FLOAT, channels, rate_hz, 32)
            head += b"fact" + struct.pack("<II", 4, 0) + b"data\0\0\0\0"
            file.write(head)
            frames = 0
            for block in blocks:
                frames += len(block)
                _check_riff_size(len(head) + frames * channels * 4 - 8)
                file.write(np.ascontiguousarray(block, dtype="<f4").tobytes())
            n_data = frames * channels * 4
            file.seek(4)
            file.write(struct.pack("<I", len(head) + n_data - 8))
            file.seek(fact_at + 8)
            file.write(struct.pack("<I", frames))
            file.seek(len(head) - 4)
            file.write(struct.pack("<I", n_data))
        return _put_in_place(part, Path(f"{stem_path}.wav"))
    finally:
        part.unlink(missing_ok=True)


def _put_in_place(part: Path, path: Path) -> Path:
    os.replace(part, path)
    return path
