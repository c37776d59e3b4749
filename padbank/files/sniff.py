"""What kind of file is this? Decided by its first bytes, never by its name alone.

Only kinds in ``KINDS`` are ever given to a decoding library, each with the
one demultiplexer that it may use. A text that asks a library to open other
files (a play list, a concatenation script) matches none and is refused,
whatever it is called.

Functions: ``is_sound_name`` (should a folder walk try it?), ``sniff``.
Magic numbers are those of the formats' own specifications (RIFF, AIFF, FLAC
RFC 9639, Ogg RFC 3533, Matroska RFC 9559, ISO/IEC 14496-12 and 13818-1,
ID3v2.4); the ones of W64, CAF, ASF, WavPack, TTA and AC-3 are from memory.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import PurePath

HEAD_BYTES = 65536
"""How much of a file's beginning ``sniff`` wants to see."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of file: whether soundfile reads it, and the demultiplexer for PyAV."""

    name: str
    by_soundfile: bool
    av_format: str | None


KINDS = {
    kind.name: kind
    for kind in (
        Kind("wav", True, "wav"),
        Kind("rf64", True, "wav"),
        Kind("bw64", False, "wav"),
        Kind("w64", True, "w64"),
        Kind("aiff", True, "aiff"),
        Kind("au", True, "au"),
        Kind("caf", True, "caf"),
        Kind("flac", True, "flac"),
        Kind("ogg", True, "ogg"),
        Kind("mp3", True, "mp3"),
        Kind("aac", False, "aac"),
        Kind("mp4", False, "mov"),
        Kind("matroska", False, "matroska"),
        Kind("asf", False, "asf"),
        Kind("ac3", False, "ac3"),
        Kind("eac3", False, "eac3"),
        Kind("wavpack", False, "wv"),
        Kind("tta", False, "tta"),
        Kind("avi", False, "avi"),
        Kind("flv", False, "flv"),
        Kind("mpeg-ts", False, "mpegts"),
        Kind("mpeg-ps", False, "mpeg"),
        Kind("alaw", True, None),
        Kind("ulaw", True, None),
    )
}

HEADERLESS = {".alaw": "alaw", ".al": "alaw", ".ulaw": "ulaw", ".ul": "ulaw"}
"""Telephone prompts without a header: the suffix is all there is to go by."""

SOUND_SUFFIXES = frozenset(
    (".wav", ".wave", ".bwf", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".au", ".snd", ".caf", ".flac",
     ".ogg", ".oga", ".opus", ".mp3", ".mp2", ".m4a", ".m4b", ".mp4", ".m4v", ".mov", ".3gp", ".webm",
     ".weba", ".mkv", ".mka", ".aac", ".adts", ".wma", ".wmv", ".asf", ".ac3", ".eac3", ".ec3", ".wv",
     ".tta", ".avi", ".flv", ".mts", ".m2ts", ".mpg", ".mpeg", ".vob")
) | frozenset(HEADERLESS)  # fmt: skip

_W64_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_ASF = bytes.fromhex("3026b2758e66cf11a6d900aa0062ce6c")
_ATOMS = {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"}


def is_sound_name(path: PurePath | str | bytes) -> bool:
    """Whether a folder walk should try this file, going by its suffix.

    Files that a desktop leaves beside the real ones (``._x.wav``) are not tried.
    """
    name = os.path.basename(os.fsdecode(path))
    suffix = os.path.splitext(name)[1].lower()
    return suffix in SOUND_SUFFIXES and not name.startswith("._")


def id3_bytes(head: bytes) -> int:
    """Length of an ID3v2 tag at the start of ``head``, or 0 (ID3v2.4 structure, 3.1)."""
    if len(head) < 10 or head[:3] != b"ID3" or any(b & 0x80 for b in head[6:10]):
        return 0
    size = (head[6] << 21) | (head[7] << 14) | (head[8] << 7) | head[9]
    return 10 + size + (10 if head[5] & 0x10 else 0)


def mpeg_audio_layer(header: bytes) -> int | None:
    """Layer (1 to 3) of an MPEG audio frame header; 0 for ADTS; None for neither."""
    if len(header) < 4 or header[0] != 0xFF or header[1] & 0xE0 != 0xE0:
        return None
    version, layer = (header[1] >> 3) & 3, (header[1] >> 1) & 3
    if layer == 0:
        rate_index = (header[2] >> 2) & 15
        return 0 if header[1] & 0xF0 == 0xF0 and rate_index < 13 else None
    bitrate, rate = header[2] >> 4, (header[2] >> 2) & 3
    if version == 1 or bitrate == 15 or rate == 3:
        return None
    return 4 - layer


def sniff(head: bytes, suffix: str, after_tag: bytes | None = None) -> Kind | None:
    """Kind of a file from its first bytes, or None when it is none that we read.

    Parameters
    ----------
    head : first ``HEAD_BYTES`` of the file (or all of it)
    suffix : the name's ending, lower case, for headerless kinds only
    after_tag : bytes behind an ID3v2 tag that is longer than ``head``
    """
    name = _by_magic(head) or _by_frames(head, after_tag)
    if name is None and suffix in HEADERLESS and head:
        name = HEADERLESS[suffix]
    return KINDS[name] if name else None


def _by_magic(head: bytes) -> str | None:
    first, form = head[:4], head[8:12]
    if first in (b"RIFF", b"RIFX") and form == b"WAVE":
        return "wav"
    if first == b"RIFF" and form == b"AVI ":
        return "avi"
    if first in (b"RF64", b"BW64") and form == b"WAVE":
        return first.decode().lower()
    if head[:16] == _W64_RIFF:
        return "w64"
    if first == b"FORM" and form in (b"AIFF", b"AIFC"):
        return "aiff"
    if head[:16] == _ASF:
        return "asf"
    if head[4:8] in _ATOMS and (first[0] == 0 or first == b"\x01\x00\x00\x00"):
        return "mp4"
    simple = {
        b"fLaC": "flac",
        b"OggS": "ogg",
        b".snd": "au",
        b"dns.": "au",
        b"caff": "caf",
        b"\x1a\x45\xdf\xa3": "matroska",
        b"wvpk": "wavpack",
        b"TTA1": "tta",
        b"FLV\x01": "flv",
        b"\x00\x00\x01\xba": "mpeg-ps",
    }
    if first in simple:
        return simple[first]
    if head[:2] == b"\x0b\x77" and len(head) > 5:
        return "eac3" if head[5] >> 3 > 10 else "ac3"  # bsid, ETSI TS 102 366
    for stride, offset in ((188, 0), (192, 4)):
        marks = head[offset :: stride][:8]
        if len(marks) >= 4 and set(marks) == {0x47}:
            return "mpeg-ts"
    return None


def _by_frames(head: bytes, after_tag: bytes | None) -> str | None:
    """MP3, MP2 and AAC have no magic number: look for two frame headers in a row."""
    tag = id3_bytes(head)
    body = head[tag:] if tag < len(head) else after_tag or b""
    if body[:4] == b"fLaC":
        return "flac"
    at = body.find(b"\xff")
    while 0 <= at < len(body) - 4:
        length = _frame_bytes(body[at : at + 7])
        if length:
            layer = mpeg_audio_layer(body[at : at + 4])
            following = body[at + length : at + length + 4]
            if mpeg_audio_layer(following) == layer or (not following and at < 2):
                return "aac" if layer == 0 else "mp3"
        at = body.find(b"\xff", at + 1)
    return None


_BITRATES_KBPS = {
    (1, 1): (0, 32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
    (1, 2): (0, 32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    (1, 3): (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (2, 1): (0, 32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
    (2, 2): (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    (2, 3): (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
"""By (1 for MPEG-1, 2 for MPEG-2 and 2.5; layer): ISO/IEC 11172-3 and 13818-3, from memory."""


@dataclass(frozen=True, slots=True)
class MpegFrame:
    """One MPEG audio frame header, decoded."""

    layer: int
    rate_hz: int
    channels: int
    n_bytes: int
    frames: int
    mpeg1: bool


def mpeg_frame(header: bytes) -> MpegFrame | None:
    """Decode a four-byte MPEG audio header; None when it is none or free format."""
    layer = mpeg_audio_layer(header)
    if not layer:
        return None
    version = (header[1] >> 3) & 3  # 3: MPEG-1, 2: MPEG-2, 0: MPEG-2.5
    mpeg1 = version == 3
    rate_hz = (44100, 48000, 32000)[(header[2] >> 2) & 3] // {3: 1, 2: 2, 0: 4}[version]
    kbps = _BITRATES_KBPS[1 if mpeg1 else 2, layer][header[2] >> 4]
    if kbps == 0:
        return None
    padding = (header[2] >> 1) & 1
    frames = {1: 384, 2: 1152, 3: 1152 if mpeg1 else 576}[layer]
    if layer == 1:
        n_bytes = (12_000 * kbps // rate_hz + padding) * 4
    else:
        n_bytes = frames // 8 * 1000 * kbps // rate_hz + padding
    return MpegFrame(layer, rate_hz, 1 if header[3] >> 6 == 3 else 2, n_bytes, frames, mpeg1)


def _frame_bytes(header: bytes) -> int:
    """Length of the MPEG audio or ADTS frame that begins here; 0 when none does."""
    if mpeg_audio_layer(header) == 0:
        if len(header) < 7:
            return 0
        word = struct.unpack(">I", header[3:7])[0]
        length = (word >> 13) & 0x1FFF  # aac_frame_length, ISO/IEC 13818-7 6.2
        return length if length > 7 else 0
    frame = mpeg_frame(header)
    return frame.n_bytes if frame else 0
