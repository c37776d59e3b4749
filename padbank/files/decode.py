"""Open any sound or video file as float32 blocks, with what is wrong with it said plainly.

Answers: can this file be read, what does it claim to be, what does it really
hold? Only regular files are opened, their kind is decided by their first
bytes (``files.sniff``), and each kind goes to the reader that copes with it
best: soundfile first where it can, PyAV for films and AAC and as second try.

What arrives is counted; claimed lengths are never trusted. NaN, infinities
and absurd levels are refused. Values above full scale are kept.

Functions: ``open_sound``, ``read_sound``, ``open_regular``, ``is_sound_name`` (from ``sniff``).
"""

from __future__ import annotations

import math
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

from padbank.errors import DecodeError, InputError
from padbank.files.chain import ChainReader
from padbank.files.pcm_reader import CODINGS, PcmReader
from padbank.files.reader import BLOCK_FRAMES, Backend, Damage, Refused, Samples, SoundInfo
from padbank.files.slices import Slices, whole
from padbank.files.sniff import HEAD_BYTES, Kind, id3_bytes, is_sound_name, sniff
from padbank.files.structure import Run, Structure, look
from padbank.units import format_seconds, gain_to_db, seconds_to_frames

__all__ = ["SoundInfo", "SoundReader", "is_sound_name", "open_regular", "open_sound", "read_sound"]

MIN_RATE_HZ, MAX_RATE_HZ = 8_000, 192_000
MAX_CHANNELS = 8
MAX_DURATION_S = 12 * 3600.0
"""No more than this is ever read of one file, whatever it claims or unpacks to."""
MAX_GAIN = 1000.0
"""Samples beyond this (+60 dBFS) are no sound but numbers on another scale."""
GUESS_TOLERANCE_FRAMES = 2 * 1152
"""How far a reader's idea of an MP3's length may be from its frames, counted."""
CLAIM_TOLERANCE_S = 0.1
"""The claims of coded sound may differ from what arrives by so much before it is worth a word."""


class SoundReader:
    """An open sound file. Use as a context manager; not safe to share between threads.

    Attributes
    ----------
    info : SoundInfo, the header's word
    warnings : list of str, each fit for a list; complete once ``blocks`` has run to its end
    frames_read : frames that ``blocks`` has counted to the end, or None before that
    """

    def __init__(
        self, path: Path, own: BinaryIO | None, backend: Backend, structure: Structure, warnings: list[str]
    ) -> None:
        self.path = path
        self.info = backend.info
        self.warnings = warnings
        self.frames_read: int | None = None
        self._own = own  # the file, where it has to be closed here
        self._backend = backend
        self._structure = structure
        self._collect()

    def __enter__(self) -> SoundReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._backend.close()
        if self._own is not None:
            self._own.close()

    def _warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)

    def _collect(self) -> None:
        for text in self._backend.notes:
            self._warn(text)

    def _check(self, block: Samples) -> float:
        """Peak of a block; raises DecodeError for what is no sound."""
        if not block.size:
            return 0.0
        low, high = float(block.min()), float(block.max())
        if not (math.isfinite(low) and math.isfinite(high)):
            raise DecodeError(self.path, "holds values that are no numbers (NaN or infinite): make it again")
        peak = max(-low, high)
        if peak > MAX_GAIN:
            raise DecodeError(
                self.path,
                f"holds levels of {gain_to_db(peak):.0f} dBFS, so its numbers are not on the usual scale "
                "of ±1: convert it first",
            )
        return peak

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """All samples in order, as float32 (frames, channels), at most ``block_frames`` each.

        Raises DecodeError when nothing can be read or a value is no sound.
        Damage behind some sound ends it with a warning instead.
        """
        if block_frames < 1:
            raise InputError(f"block size is {block_frames}: use 1 frame or more")
        rate_hz = self.info.sample_rate_hz
        limit = int(MAX_DURATION_S * rate_hz)
        count, peak = 0, 0.0
        stopped = False
        try:
            for block in self._backend.blocks(block_frames):
                if count + len(block) > limit:
                    block = block[: limit - count]
                    self._warn(f"longer than {MAX_DURATION_S / 3600:.0f} h: the rest is not read")
                    stopped = True
                peak = max(peak, self._check(block))
                count += len(block)
                if len(block):
                    yield block
                if stopped:
                    break
        except Damage as damage:
            if count == 0:
                raise DecodeError(self.path, f"is damaged from the start ({damage}): nothing can be read") from damage
            self._warn(
                f"damaged after {format_seconds(count / rate_hz)} ({damage}): only what lies before is read"
            )
            stopped = True
        except (OSError, MemoryError) as error:
            raise DecodeError(self.path, f"cannot be read to its end ({_os_reason(error)})") from error
        self._collect()
        self.frames_read = count
        if not (stopped and count == limit):
            self._compare_with_claim(count)
        if peak > 1.0:
            self._warn(f"peaks {gain_to_db(peak):.1f} dB above full scale: kept, not clipped")

    def _compare_with_claim(self, count: int) -> None:
        claimed, ratio = self._structure.claimed_frames, self._structure.claimed_ratio
        if claimed is None:
            claimed = self.info.frames_claimed if ratio is None else round(count * ratio)
        if claimed is None:
            return
        rate_hz, missing = self.info.sample_rate_hz, claimed - count
        # Lossy codecs pad to whole packets, and films round their lengths.
        tolerance = CLAIM_TOLERANCE_S * rate_hz if self.info.lossy or self.info.has_picture else 0
        if missing > tolerance:
            self._warn(f"claims {format_seconds(claimed / rate_hz)}, holds {format_seconds(count / rate_hz)}")

    def seek_read(self, start_frame: int, n_frames: int) -> Samples:
        """Exactly the frames that ``blocks`` gives from ``start_frame`` on.

        Returns fewer than ``n_frames`` at the end of the sound, none behind it.
        """
        if start_frame < 0 or n_frames < 0:
            raise InputError(f"frames {start_frame} + {n_frames}: use numbers from 0 up")
        try:
            samples = self._backend.seek_read(start_frame, n_frames)
        except Damage as damage:
            raise DecodeError(self.path, f"is damaged ({damage}): this part cannot be read") from damage
        except (OSError, MemoryError) as error:
            raise DecodeError(self.path, f"cannot be read ({_os_reason(error)})") from error
        self._check(samples)
        return samples


def open_sound(path: Path | str, file: BinaryIO | None = None) -> SoundReader:
    """Open a sound or video file for reading.

    Parameters
    ----------
    path : name of a regular file, or of a link to one
    file : the same file where it is open already (``open_regular``), or its bytes
        (``io.BytesIO``); it is left open, and ``path`` then only lends its name

    Raises
    ------
    DecodeError : it is no regular file, no kind that padbank reads, or cannot be decoded
    """
    path = Path(path)
    own = None
    if file is None:
        file = own = open_regular(path)
    try:
        return _open_checked(path, file, own)
    except BaseException as error:
        if own is not None:
            own.close()
        if isinstance(error, (OSError, MemoryError)):
            raise DecodeError(path, f"cannot be read ({_os_reason(error)})") from error
        raise


def _os_reason(error: BaseException) -> str:
    return str(getattr(error, "strerror", None) or error or type(error).__name__).lower()


def open_regular(path: Path) -> BinaryIO:
    """Open a regular file; a device or pipe is refused without waiting for it.

    Raises
    ------
    DecodeError : it is none, or cannot be opened
    """
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISDIR(mode):
            os.scandir(path).close()  # where that is forbidden, the error below says so
            raise DecodeError(path, "is a folder, not a file")
        if not stat.S_ISREG(mode):
            raise DecodeError(path, "is a pipe, socket or device: only ordinary files are read")
        flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
        flags |= getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOINHERIT", 0)
        descriptor = os.open(path, flags)
    except FileNotFoundError as error:
        link = path.is_symlink()
        reason = "is a link to a file that is not there" if link else "is not there: check the name"
        raise DecodeError(path, reason) from error
    except ValueError as error:
        raise DecodeError(path, "has a name that no file can have") from error
    except OSError as error:
        raise DecodeError(path, f"cannot be opened ({_os_reason(error)})") from error
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise DecodeError(path, "is a pipe, socket or device: only ordinary files are read")
    return os.fdopen(descriptor, "rb", buffering=65536)


def _open_checked(path: Path, file: BinaryIO, own: BinaryIO | None) -> SoundReader:
    n_bytes = file.seek(0, os.SEEK_END)
    file.seek(0)
    if n_bytes == 0:
        raise DecodeError(path, "is empty (0 bytes)")
    head = file.read(HEAD_BYTES)
    tag = id3_bytes(head)
    after_tag = None
    if len(head) <= tag < n_bytes:
        file.seek(tag)
        after_tag = file.read(HEAD_BYTES)
    suffix = path.suffix.lower()
    kind = sniff(head, suffix, after_tag)
    if kind is None:
        raise DecodeError(path, _why_unknown(head, suffix))
    structure = look(kind.name, file, n_bytes)
    reasons: list[str] = []
    for attempt in _attempts(kind, file, n_bytes, structure):
        try:
            backend = attempt()
        except Refused as refusal:
            reasons.append(str(refusal))
            continue
        try:
            _check_info(path, backend.info)
        except DecodeError:
            backend.close()
            raise
        warnings = list(structure.warnings)
        if kind.name in ("alaw", "ulaw"):
            warnings.append("has no header: taken for telephone sound, mono at 8000 Hz")
        return SoundReader(path, own, backend, structure, warnings)
    reason = next((r for r in reasons if r), "no reader takes it")
    raise DecodeError(path, f"looks like {kind.name} but cannot be decoded ({reason})")


def _attempts(
    kind: Kind, file: BinaryIO, n_bytes: int, structure: Structure
) -> Iterator[Callable[[], Backend]]:
    """Ways to open a file, best first."""
    from padbank.files.soundfile_reader import SoundfileReader

    view = whole(file, n_bytes)
    raw = structure.raw
    if raw is not None and MIN_RATE_HZ <= raw[0] <= MAX_RATE_HZ and 0 < raw[1] <= MAX_CHANNELS:
        parts = Slices(file, structure.parts)
        reader = PcmReader if raw[2:] in CODINGS else SoundfileReader
        yield lambda: reader(parts, container=kind.name, raw=raw)
    if kind.name in ("alaw", "ulaw"):
        raw_law = (8000, 1, kind.name.upper(), "FILE")
        yield lambda: SoundfileReader(view, container=kind.name, raw=raw_law)
        return

    if len(structure.runs) > 1:
        openers = [lambda run=run: _open_run(kind, file, run, structure) for run in structure.runs]
        yield lambda: ChainReader(openers)
    whole_run = Run(0, n_bytes, structure.runs[0].frames_expected if len(structure.runs) == 1 else None)
    yield from _ways(kind, view, whole_run, structure)


def _open_run(kind: Kind, file: BinaryIO, run: Run, structure: Structure) -> Backend:
    """Open one of several pieces in the way that takes it."""
    refusal = Refused("no reader takes it")
    for way in _ways(kind, Slices(file, [(run.offset, run.length)]), run, structure):
        try:
            return way()
        except Refused as error:
            refusal = error
    raise refusal


def _ways(kind: Kind, view: Slices, run: Run, structure: Structure) -> list[Callable[[], Backend]]:
    """Readers that may take a view of a file, best first."""
    from padbank.files.pyav_reader import PyavReader
    from padbank.files.soundfile_reader import SoundfileReader

    def by_soundfile() -> Backend:
        backend = SoundfileReader(view, container=kind.name)
        expected, claimed = run.frames_expected, backend.info.frames_claimed
        if expected is not None and (claimed is None or abs(claimed - expected) > GUESS_TOLERANCE_FRAMES):
            backend.close()  # it would stop at a length that it has only guessed
            raise Refused("its length is not known to this reader")
        return backend

    ways: list[Callable[[], Backend]] = []
    if kind.by_soundfile:
        ways.append(by_soundfile)
    if kind.av_format is not None:
        av_format = kind.av_format
        ways.append(lambda: PyavReader(view, container=kind.name, av_format=av_format))
    if structure.prefer_pyav:
        ways.reverse()
    return ways


def _check_info(path: Path, info: SoundInfo) -> None:
    if not MIN_RATE_HZ <= info.sample_rate_hz <= MAX_RATE_HZ:
        raise DecodeError(
            path,
            f"claims a sample rate of {info.sample_rate_hz} Hz: {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz are read, "
            "convert it first",
        )
    if not 1 <= info.channels <= MAX_CHANNELS:
        raise DecodeError(path, f"claims {info.channels} channels: 1 to {MAX_CHANNELS} are read, as they are")


def _why_unknown(head: bytes, suffix: str) -> str:
    if not any(head):
        return "holds nothing but zeros: copy it again"
    text = head[:512]
    if all(32 <= b < 127 or b in (9, 10, 13) for b in text):
        return "is a text, not a sound file"
    if suffix in (".raw", ".pcm"):
        return "has no header that says its format: convert it to WAV first"
    return "is not a kind of sound or video file that padbank reads"


def read_sound(
    path: Path | str, start_s: float = 0.0, end_s: float | None = None, max_s: float | None = None
) -> tuple[Samples, int]:
    """Read a file, or a section of it, into memory.

    Parameters
    ----------
    path : file to read
    start_s, end_s : section in seconds from its first frame; ``end_s`` None is its end
    max_s : refuse a longer section, rather than filling the memory

    Returns
    -------
    samples : float32 (frames, channels), nominal ±1.0
    sample_rate_hz : int

    Raises
    ------
    DecodeError : it cannot be read, or the section is longer than ``max_s``
    InputError : the section's end is not after its start
    """
    if start_s < 0 or (end_s is not None and end_s <= start_s):
        raise InputError(f"section {start_s} to {end_s} s: the end has to come after the start, from 0 up")
    with open_sound(path) as reader:
        rate_hz, channels = reader.info.sample_rate_hz, reader.info.channels
        start = seconds_to_frames(start_s, rate_hz)
        wanted = None if end_s is None else seconds_to_frames(end_s, rate_hz) - start
        most = None if max_s is None else seconds_to_frames(max_s, rate_hz)
        if most is not None and (wanted is None or wanted > most):
            wanted = most + 1  # one frame more than allowed tells whether there is more
        if start == 0 and wanted is None:
            pieces = list(reader.blocks())
        else:
            pieces = []
            at, left = start, wanted
            while left is None or left > 0:
                size = 1 << 20 if left is None else min(left, 1 << 20)
                piece = reader.seek_read(at, size)
                if len(piece):
                    pieces.append(piece)
                at += len(piece)
                left = None if left is None else left - len(piece)
                if len(piece) < size:
                    break
        samples = np.concatenate(pieces) if pieces else np.zeros((0, channels), dtype=np.float32)
        if most is not None and len(samples) > most:
            raise DecodeError(path, f"holds more than {format_seconds(max_s)} to read at once: give a shorter section")
        return samples, rate_hz
