"""WAV headers read by ourselves: what a file claims, and what it really holds.

Decoding libraries stay silent when a WAV claims more data than it has, see
nothing when the size was left at 0 by a power cut, and disagree about odd
chunks without their pad byte and about second ``data`` chunks. So the sizes
are read here, from the RIFF structure alone.

Functions: ``read_riff`` (RIFF, RIFX, RF64, BW64), ``claimed_frames`` for the
few other headers that state a length plainly (AIFF, AU, FLAC).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO

UNKNOWN_SIZE = 0xFFFFFFFF
MAX_CHUNKS = 10_000

_PCM, _FLOAT, _ALAW, _MULAW, _EXTENSIBLE = 1, 3, 6, 7, 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")


@dataclass(frozen=True, slots=True, kw_only=True)
class RiffFacts:
    """What the chunks of a WAV say and hold.

    ``parts`` are the (offset, length) of sample data that are really there;
    ``claimed_bytes`` is what the headers claim, None when they say "unknown".
    ``raw_subtype`` names the coding when the samples can be read without any
    further header, else None. ``oddities`` are what a reader may trip over.
    """

    tag: int
    channels: int
    sample_rate_hz: int
    block_align: int
    bits: int
    big_endian: bool
    raw_subtype: str | None
    parts: tuple[tuple[int, int], ...]
    claimed_bytes: int | None
    oddities: tuple[str, ...]

    @property
    def held_bytes(self) -> int:
        return sum(length for _, length in self.parts)

    @property
    def held_frames(self) -> int:
        return self.held_bytes // self.block_align if self.block_align else 0


def _raw_subtype(tag: int, bits: int, channels: int, block_align: int) -> str | None:
    container = block_align * 8 // channels if channels and block_align % channels == 0 else 0
    if tag == _PCM:
        if not 0 <= container - bits < 8:  # 12 in 16 and 20 in 24 sit at the top of their container
            return None
        return {8: "PCM_U8", 16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}.get(container)
    if tag == _FLOAT:
        return {32: "FLOAT", 64: "DOUBLE"}.get(container)
    if container == 8:
        return {_ALAW: "ALAW", _MULAW: "ULAW"}.get(tag)
    return None


def read_riff(file: BinaryIO, n_bytes: int) -> RiffFacts | None:
    """Walk the chunks of a WAV of ``n_bytes``; None when there is no usable ``fmt `` chunk.

    Never reads sample data. A ``data`` chunk of size 0 or "unknown" that is
    the last one is taken to reach to the end of the file.
    """
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RIFX", b"RF64", b"BW64"):
        return None
    big = head[:4] == b"RIFX"
    u32, u16 = (">I", ">H") if big else ("<I", "<H")
    long_sizes = head[:4] in (b"RF64", b"BW64")
    data_size_64: int | None = None
    fmt: bytes | None = None
    parts: list[tuple[int, int]] = []
    claimed: int | None = 0
    oddities: list[str] = []
    at = 12
    for _ in range(MAX_CHUNKS):
        if at + 8 > n_bytes:
            break
        file.seek(at)
        header = file.read(8)
        if len(header) < 8:
            break
        name, size = header[:4], struct.unpack(u32, header[4:])[0]
        body = at + 8
        if name == b"ds64" and long_sizes:
            sizes = file.read(16)
            if len(sizes) == 16:
                data_size_64 = struct.unpack("<QQ", sizes)[1]
        elif name == b"fmt " and fmt is None:
            fmt = file.read(min(size, 64))
        elif name == b"data":
            if long_sizes and size == UNKNOWN_SIZE and data_size_64 is not None:
                size = data_size_64
            if parts:
                oddities.append("two data chunks")
            if size == UNKNOWN_SIZE or (size == 0 and body < n_bytes and not _chunk_at(file, body)):
                if size == 0:
                    oddities.append("data size 0")
                parts.append((body, n_bytes - body))
                claimed = None
                break
            parts.append((body, min(size, n_bytes - body)))
            claimed = size + (claimed or 0)
        following = body + size + (size & 1)
        if size & 1 and not _plausible(file, following) and _plausible(file, following - 1):
            oddities.append("odd chunk without its pad byte")
            following -= 1
        at = following
    if fmt is None or len(fmt) < 16:
        return None
    tag, channels, rate, _, align, bits = struct.unpack(
        (">" if big else "<") + "HHIIHH", fmt[:16]
    )
    if tag == _EXTENSIBLE and len(fmt) >= 40 and fmt[26:40] == _GUID_TAIL:
        tag = struct.unpack(u16, fmt[24:26])[0]
    return RiffFacts(
        tag=tag,
        channels=channels,
        sample_rate_hz=rate,
        block_align=align,
        bits=bits,
        big_endian=big,
        raw_subtype=_raw_subtype(tag, bits, channels, align),
        parts=tuple(parts),
        claimed_bytes=claimed if parts else 0,
        oddities=tuple(dict.fromkeys(oddities)),
    )


_KNOWN = frozenset(
    b"fmt |data|LIST|fact|smpl|cue |bext|inst|PEAK|JUNK|junk|PAD |id3 |ID3 |iXML|axml|chna|ds64|"
    b"acid|plst|note|labl|ltxt|DISP|FLLR|umid|minf|elm1|regn|cart|levl|wavl|slnt|_PMX|afsp".split(b"|")
)


def _chunk_at(file: BinaryIO, at: int) -> bool:
    file.seek(at)
    return file.read(4) in _KNOWN


def _plausible(file: BinaryIO, at: int) -> bool:
    """Whether a chunk that we know by name begins at ``at``."""
    return _chunk_at(file, at)


def claimed_frames(kind: str, file: BinaryIO, n_bytes: int) -> int | None:
    """Frames that a FLAC, AIFF or AU header claims; None where it says nothing."""
    if kind == "flac":
        file.seek(0)
        head = file.read(42)
        if head[:4] == b"fLaC" and len(head) >= 26:
            total = int.from_bytes(head[18:26], "big") & 0xFFFFFFFFF  # RFC 9639, 8.2: 36 bits
            return total or None
    elif kind == "aiff":
        file.seek(12)
        for _ in range(MAX_CHUNKS):
            header = file.read(8)
            if len(header) < 8:
                return None
            name, size = header[:4], struct.unpack(">I", header[4:])[0]
            if name == b"COMM":
                body = file.read(6)
                return struct.unpack(">I", body[2:6])[0] if len(body) == 6 else None
            file.seek(size + (size & 1), 1)
    elif kind == "au":
        file.seek(0)
        head = file.read(24)
        if len(head) == 24 and head[:4] == b".snd":
            _, size, coding, _, channels = struct.unpack(">5I", head[4:])
            width = {1: 1, 2: 1, 3: 2, 4: 3, 5: 4, 6: 4, 7: 8, 27: 1}.get(coding, 0)
            if size != UNKNOWN_SIZE and width and 0 < channels <= 64:
                return size // (width * channels)
    return None
