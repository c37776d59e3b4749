"""Ogg pages checked one by one: streams in a row, lost pages, a missing end.

Ogg decoders skip what they cannot read without a word, read only the first of
several streams in a row, and cannot tell a recording that was cut off from a
whole one. The pages say all that (RFC 3533, section 6), so they are walked
here: each page's checksum, number and flags.

Functions: ``walk_ogg``.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from itertools import pairwise
from typing import BinaryIO

_CHUNK = 1 << 20
_MIRROR = bytes(int(f"{i:08b}"[::-1], 2) for i in range(256))


@dataclass(frozen=True, slots=True, kw_only=True)
class OggFacts:
    """What the pages of an Ogg file say.

    ``codec`` is that of the first sound stream. ``chains`` are the (offset, length) of
    the sounds that follow one another. ``ended`` is False when the last page is not
    marked as the end: the file was cut off.
    """

    codec: str | None
    chains: tuple[tuple[int, int], ...]
    pages: int
    bad_pages: int
    lost_pages: int
    skipped_bytes: int
    ended: bool


def checksum(page: bytes) -> int:
    """CRC of a page with its checksum field zeroed: polynomial 0x04C11DB7, not mirrored.

    zlib's is the mirrored one, so the bytes go in mirrored and the result comes out so.
    """
    mirrored = zlib.crc32(page.translate(_MIRROR), 0xFFFFFFFF) ^ 0xFFFFFFFF
    return int(f"{mirrored:032b}"[::-1], 2)


def _codec(first_packet: bytes) -> str | None:
    if first_packet[:8] == b"OpusHead":
        return "opus"
    if first_packet[:7] == b"\x01vorbis":
        return "vorbis"
    if first_packet[:5] == b"\x7fFLAC":
        return "flac"
    if first_packet[:8] == b"Speex   ":
        return "speex"
    return None


def walk_ogg(file: BinaryIO, n_bytes: int) -> OggFacts:
    """Walk all pages of an Ogg file in flat memory."""
    file.seek(0)
    data, eof = b"", False
    pages = bad = lost = skipped = 0
    codecs: list[str] = []
    sound_serial: int | None = None
    serials: set[int] = set()
    next_number: dict[int, int] = {}
    ended = False
    starting = True
    base = at = 0  # `base` is the file position of data[0]
    chain_starts: list[int] = []
    group_at = 0
    while True:
        if len(data) - at < 27 + 255 + 255 * 255 and not eof:
            more = file.read(_CHUNK)
            eof = not more
            data, base, at = data[at:] + more, base + at, 0
        if len(data) - at < 27:
            skipped += len(data) - at
            break
        if data[at : at + 4] != b"OggS":
            found = data.find(b"OggS", at + 1)
            step = (found if found >= 0 else max(at + 1, len(data) - 3)) - at
            skipped += step
            at += step
            continue
        flags, serial, number = data[at + 5], *struct.unpack("<II", data[at + 14 : at + 22])
        n_segments = data[at + 26]
        head = 27 + n_segments
        length = head + sum(data[at + 27 : at + head])
        page = data[at : at + length]
        if len(page) < length:
            skipped += len(page)
            break
        stated = int.from_bytes(page[22:26], "little")
        if checksum(page[:22] + b"\0\0\0\0" + page[26:]) != stated:
            bad += 1
            at += 4
            skipped += 4
            continue
        pages += 1
        if flags & 2:
            codec = _codec(page[head : head + 8])
            if not starting:
                group_at, sound_serial = base + at, None
            if codec and sound_serial is None:
                sound_serial = serial
                codecs.append(codec)
                chain_starts.append(group_at)
                ended = False
            starting = True
            serials.add(serial)
        else:
            starting = False
            expected = next_number.get(serial)
            if expected is not None and serial in serials and number > expected:
                lost += min(number - expected, 1_000_000)
        next_number[serial] = number + 1
        if flags & 4 and serial == sound_serial:
            ended = True
        at += length
    return OggFacts(
        codec=codecs[0] if codecs else None,
        chains=tuple((a, b - a) for a, b in pairwise([*chain_starts, n_bytes])),
        pages=pages,
        bad_pages=bad,
        lost_pages=lost,
        skipped_bytes=skipped,
        ended=ended,
    )
