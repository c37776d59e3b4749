"""What a file's own structure says, before any decoder is asked.

Each kind has its look: chunks of a WAV, pages of an Ogg, frames of an MP3,
the length fields of the rest. The outcome says what the file claims to hold,
what is odd about it, and which reader copes with that.

Functions: ``look``.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO

from padbank.files.mpeg import MAX_JUNK_BYTES, walk_mpeg
from padbank.files.ogg import walk_ogg
from padbank.files.riff import RiffFacts, claimed_frames, read_riff
from padbank.units import format_seconds


@dataclass(frozen=True, slots=True)
class Run:
    """A piece of a file that a decoder can read by itself: (offset, length).

    ``frames_expected`` is what it should give, counted without decoding, or None.
    """

    offset: int
    length: int
    frames_expected: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """What ``look`` found.

    ``claimed_frames`` is the header's claim where it is stated in frames;
    ``claimed_ratio`` is the claim over what is there where it is only stated
    in bytes. ``prefer_pyav``: soundfile is known to read such a file short or
    wrongly. ``parts`` and ``raw`` (rate, channels, subtype, endianness) are
    set when the samples can be read without a decoder. ``runs`` are pieces
    that have to be decoded one by one, when the file is not simply one.
    """

    claimed_frames: int | None = None
    claimed_ratio: float | None = None
    warnings: tuple[str, ...] = ()
    prefer_pyav: bool = False
    parts: tuple[tuple[int, int], ...] = ()
    raw: tuple[int, int, str, str] | None = None
    runs: tuple[Run, ...] = ()


def look(kind: str, file: BinaryIO, n_bytes: int) -> Structure:
    """Look at the structure of an open file of a known kind."""
    if kind in ("wav", "rf64", "bw64"):
        facts = read_riff(file, n_bytes)
        return Structure() if facts is None else _wav(facts)
    if kind == "mp3":
        return _mp3(file, n_bytes)
    if kind == "ogg":
        return _ogg(file, n_bytes)
    if kind in ("caf", "w64"):
        held, claimed = (_caf if kind == "caf" else _w64)(file, n_bytes)
        return Structure(claimed_ratio=claimed / held if held and claimed else None)
    return Structure(claimed_frames=claimed_frames(kind, file, n_bytes))


def _wav(facts: RiffFacts) -> Structure:
    warnings = []
    rate_hz = facts.sample_rate_hz
    plain = facts.raw_subtype is not None and rate_hz > 0 and facts.held_frames > 0
    if "data size 0" in facts.oddities and rate_hz > 0:
        held = format_seconds(facts.held_frames / rate_hz)
        warnings.append(f"claims to be empty, holds {held}: read to its end (perhaps a power cut)")
    if "two data chunks" in facts.oddities:
        warnings.append("holds more than one data chunk: read one after the other")
    if not plain:
        known = facts.claimed_bytes and facts.held_bytes
        return Structure(
            claimed_ratio=(facts.claimed_bytes or 0) / facts.held_bytes if known else None,
            warnings=tuple(warnings),
        )
    return Structure(
        claimed_frames=None if facts.claimed_bytes is None else facts.claimed_bytes // facts.block_align,
        warnings=tuple(warnings),
        parts=facts.parts,
        raw=(rate_hz, facts.channels, facts.raw_subtype or "", "BIG" if facts.big_endian else "LITTLE"),
    )


def _mp3(file: BinaryIO, n_bytes: int) -> Structure:
    facts = walk_mpeg(file, n_bytes)
    if facts is None:
        return Structure()
    warnings = []
    if facts.joined > 1:
        warnings.append(f"is {facts.joined} MP3s joined: read one after the other")
    if facts.junk_bytes > MAX_JUNK_BYTES:
        warnings.append(f"{facts.junk_bytes} bytes in it are no whole MP3 frames: left out")
    claims = [run.claimed for run in facts.runs if run.informed]
    claimed = sum(claim or 0 for claim in claims) if claims and None not in claims else None
    expected = sum(run.frames - run.trimmed for run in facts.runs)
    return Structure(
        claimed_frames=claimed,
        warnings=tuple(warnings),
        prefer_pyav=claimed is not None and claimed > expected + 1152,
        runs=tuple(Run(run.offset, run.length, run.frames - run.trimmed) for run in facts.runs),
    )


def _ogg(file: BinaryIO, n_bytes: int) -> Structure:
    facts = walk_ogg(file, n_bytes)
    warnings = []
    if facts.bad_pages or facts.lost_pages:
        n = max(facts.bad_pages, facts.lost_pages)
        warnings.append(f"{n} of its {facts.pages + n} pages are damaged or lost: what they held is left out")
    if not facts.ended and facts.pages:
        warnings.append("was cut off before its end")
    if len(facts.chains) > 1:
        warnings.append(f"holds {len(facts.chains)} sounds in a row: read one after the other")
    return Structure(
        warnings=tuple(warnings),
        # libsndfile 1.2.2 seeks up to 448 frames beside the place in Ogg, may give Opus another rate
        # than its 48 kHz, and behind a lost page reads what depends on the size of the blocks.
        prefer_pyav=True,
        runs=tuple(Run(offset, length) for offset, length in facts.chains),
    )


def _caf(file: BinaryIO, n_bytes: int) -> tuple[int, int]:
    """(bytes of sound held, bytes claimed); a claim of 0 is none."""
    at = 8
    for _ in range(10_000):
        file.seek(at)
        header = file.read(12)
        if len(header) < 12:
            break
        name, size = header[:4], struct.unpack(">q", header[4:])[0]
        if name == b"data":
            return max(0, n_bytes - at - 12), max(0, size)
        if not 0 <= size <= n_bytes:
            break
        at += 12 + size
    return 0, 0


def _w64(file: BinaryIO, n_bytes: int) -> tuple[int, int]:
    """(bytes of sound held, bytes claimed); chunk sizes count their own 24-byte header."""
    at = 40
    for _ in range(10_000):
        file.seek(at)
        header = file.read(24)
        if len(header) < 24:
            break
        size = struct.unpack("<Q", header[16:])[0]
        if header[:4] == b"data":
            claimed = size - 24
            return max(0, n_bytes - at - 24), claimed if 0 < claimed < 1 << 60 else 0
        if not 24 <= size <= n_bytes:
            break
        at += (size + 7) & ~7
    return 0, 0
