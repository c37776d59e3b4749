"""MP3 counted frame by frame: what a file holds, whatever its first frame says of it.

An MP3 has no length field. Some begin with a frame of information (``Xing``,
``Info`` or ``VBRI``), and libraries that lack it guess from the bit rate: a
file of changing bit rate without it is read silently short, and of two joined
files only the first is read. So the frame headers are walked here, in flat
memory, to choose the reader and to know what should arrive.

Frame layout: ISO/IEC 11172-3 and 13818-3; the places of the ``Xing`` and
LAME fields are common practice without a standard.

Functions: ``walk_mpeg``.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO

from padbank.files.sniff import MpegFrame, id3_bytes, mpeg_frame

_CHUNK = 1 << 20
MAX_RUNS = 1000
"""A file broken into more pieces than this is read no further."""
MAX_JUNK_BYTES = 64
"""Loose bytes between frames up to this many in all are not worth a word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MpegRun:
    """Whole frames without a gap: (offset, length) in the file, and what they add up to.

    ``frames`` counts sample frames without information frames; ``claimed`` is
    what the run's own information frame states, trimmed by its delay and
    padding (``trimmed``) where it has them, else None.
    """

    offset: int
    length: int
    frames: int
    claimed: int | None
    trimmed: int
    informed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MpegFacts:
    """What the frames of an MP3 (or MP2) add up to.

    More than one run means joined files or damage in between; ``junk_bytes``
    are what belongs to no whole frame.
    """

    runs: tuple[MpegRun, ...]
    junk_bytes: int

    @property
    def joined(self) -> int:
        """Files put one behind the other, going by their information frames."""
        return sum(run.informed for run in self.runs)


class _Window:
    """Bytes of a file by position, a megabyte at a time."""

    def __init__(self, file: BinaryIO, n_bytes: int) -> None:
        self._file, self.n_bytes = file, n_bytes
        self._start, self._data = 0, b""

    def get(self, at: int, n: int) -> bytes:
        if not self._start <= at <= at + n <= self._start + len(self._data):
            self._file.seek(at)
            self._start, self._data = at, self._file.read(max(n, _CHUNK))
        return self._data[at - self._start : at - self._start + n]

    def find_sync(self, at: int) -> int:
        """Next 0xFF byte from ``at`` on, or -1."""
        while at < self.n_bytes:
            self.get(at, 1)
            found = self._data.find(b"\xff", at - self._start)
            if found >= 0:
                return self._start + found
            at = self._start + len(self._data)
            if not self._data:
                break
        return -1


def _sound_end(window: _Window) -> int:
    """Where sound ends and trailing tags (ID3v1, APEv2, zero padding) begin."""
    end = window.n_bytes
    for _ in range(4):
        if end >= 128 and window.get(end - 128, 3) == b"TAG":
            end -= 128
        elif end >= 32 and window.get(end - 32, 8) == b"APETAGEX":
            size, _, flags = struct.unpack("<III", window.get(end - 20, 12))
            end = max(0, end - size - (32 if flags & 0x80000000 else 0))
        else:
            break
    while end > 0:
        block = window.get(max(0, end - 4096), min(4096, end))
        kept = block.rstrip(b"\0")
        end -= len(block) - len(kept)
        if kept:
            break
    return end


def _same(a: MpegFrame, b: MpegFrame) -> bool:
    """One decoder can go on from one frame to the other."""
    return (a.layer, a.rate_hz, a.mpeg1, a.channels) == (b.layer, b.rate_hz, b.mpeg1, b.channels)


def walk_mpeg(file: BinaryIO, n_bytes: int) -> MpegFacts | None:
    """Find the frames of an MPEG audio stream; None when it has none (or is free format).

    A frame counts when another follows it or the file ends behind it: one
    that runs into damage is damaged itself, and would decode to noise.
    """
    window = _Window(file, n_bytes)
    at = id3_bytes(window.get(0, 10))
    end = _sound_end(window)
    model: MpegFrame | None = None
    runs: list[MpegRun] = []
    junk = 0
    open_run: list[int] | None = None  # offset, end, frames
    info: tuple[int | None, int] | None = None

    def finish() -> None:
        nonlocal open_run, info
        if open_run is not None and open_run[2] > 0:
            stated, trimmed = info or (None, 0)
            assert model is not None
            runs.append(
                MpegRun(
                    offset=open_run[0],
                    length=open_run[1] - open_run[0],
                    frames=open_run[2],
                    claimed=None if stated is None else max(0, stated * model.frames - trimmed),
                    trimmed=trimmed,
                    informed=info is not None,
                )
            )
        open_run, info = None, None

    while at + 4 <= end and len(runs) < MAX_RUNS:
        frame = mpeg_frame(window.get(at, 4))
        good = frame is not None and (model is None or _same(frame, model))
        if frame is not None and good:
            following = at + frame.n_bytes
            if following + 4 <= end:
                after = mpeg_frame(window.get(following, 4))
                good = (after is not None and _same(frame, after)) or bool(
                    open_run and id3_bytes(window.get(following, 10))
                )
            else:
                good = following <= end and (open_run is not None or at == 0)
        if frame is None or not good:
            finish()
            tag = id3_bytes(window.get(at, 10))
            if tag:  # a tag between joined files
                at += tag
                continue
            found = window.find_sync(at + 1)
            found = end if found < 0 else min(found, end)
            junk += found - at
            at = found
            continue
        model = model or frame
        stated = _information(window.get(at, min(frame.n_bytes, 512)), frame)
        if stated is not None:
            finish()
            info = stated
        if open_run is None:
            open_run = [at, at, 0]
        open_run[1] = at + frame.n_bytes
        open_run[2] += 0 if stated is not None else frame.frames
        at += frame.n_bytes
    finish()
    return MpegFacts(runs=tuple(runs), junk_bytes=junk + max(0, end - at)) if runs else None


def _information(data: bytes, frame: MpegFrame) -> tuple[int | None, int] | None:
    """(frames stated, samples to trim) of an information frame; None for a frame of sound."""
    side = (32 if frame.channels == 2 else 17) if frame.mpeg1 else (17 if frame.channels == 2 else 9)
    at = 4 + side
    if data[36:40] == b"VBRI" and len(data) >= 54:
        return struct.unpack(">I", data[50:54])[0], 0
    if data[at : at + 4] not in (b"Xing", b"Info"):
        return None
    flags = int.from_bytes(data[at + 4 : at + 8], "big")
    stated = int.from_bytes(data[at + 8 : at + 12], "big") if flags & 1 else None
    lame = at + 8 + 4 * bool(flags & 1) + 4 * bool(flags & 2) + 100 * bool(flags & 4) + 4 * bool(flags & 8)
    tag = data[lame : lame + 24]
    trim = 0
    if len(tag) == 24 and tag[:4] in (b"LAME", b"Lavf", b"Lavc"):
        trim = int.from_bytes(tag[21:24], "big")
        trim = (trim >> 12) + (trim & 0xFFF)
    return stated, trim
