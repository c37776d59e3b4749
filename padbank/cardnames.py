"""What a FAT or exFAT card can hold as a name: pure rules, shared by planning and writing.

Answers: is this name possible, do two names count as the same, how long is it,
how many directory entries does it take, and what does a rig's name pattern say.

Sources: forbidden characters, case and 255 units: exFAT file system
specification, table 35 and up-case table, and Microsoft's "Naming Files,
Paths, and Namespaces" (reserved stems, endings, 260-character paths). FAT
directory entries: one short entry and one long entry for each 13 UTF-16 units,
65,536 entries in a folder (Linux ``msdos_fs.h``).

Functions: ``utf16_units``, ``same_name_key``, ``name_fault``, ``path_fault``,
``fat_entries``, ``pattern_fault``, ``pattern_fields``, ``fits_pattern``.
"""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Mapping

MAX_NAME_UNITS = 255
"""UTF-16 units of one name (exFAT specification; Linux ``msdos_fs.h`` for FAT)."""

MAX_PATH_UNITS = 259
"""Windows' 260 characters include the closing zero (Microsoft, "Naming Files")."""

MAX_FOLDER_ENTRIES = 65_534
"""65,536 entries of a FAT folder less ``.`` and ``..``."""

MAX_FILE_BYTES = 2**32 - 1
"""Largest FAT file; also what RIFF's 32-bit size fields can say, within 8 bytes."""

FORBIDDEN = frozenset('"*/:<>?\\|') | frozenset(map(chr, range(0x20))) | {"\x7f"}
"""Characters that no card name can hold (exFAT table 35; DEL added for safety)."""

RESERVED_STEMS = frozenset(
    ["CON", "PRN", "AUX", "NUL"]
    + [f"{port}{digit}" for port in ("COM", "LPT") for digit in "123456789¹²³"]
)
"""Device names on Windows, with any extension, in any case, superscript digits too."""

PATTERN_FIELDS = {
    "bank": int,
    "pad": int,
    "segment": str,
    "clip": str,
    "surface": str,
    "device": str,
}

_SHORT_NAME = re.compile(r"^[A-Z0-9!#$%&'()@^_`{}~-]{1,8}(\.[A-Z0-9!#$%&'()@^_`{}~-]{1,3})?$")
_FORMATS = {int: re.compile(r"^(0?[1-9])?d?$"), str: re.compile(r"^s?$")}


def utf16_units(text: str) -> int:
    """Length as FAT, exFAT and Windows count it: characters beyond U+FFFF count twice."""
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


def same_name_key(name: str) -> str:
    """Two names with the same key are one name on a card: case and composition do not count.

    >>> same_name_key("01_Foghorn.wav") == same_name_key("01_FOGHORN.WAV")
    True
    """
    composed = unicodedata.normalize("NFC", name)
    return "".join(c.upper() if len(c.upper()) == 1 else c for c in composed)


def name_fault(name: str) -> str | None:
    """Why a card cannot hold ``name`` as one file or folder, or None when it can."""
    if name in ("", ".", ".."):
        return "it is empty or only dots"
    bad = sorted({c for c in name if c in FORBIDDEN})
    if bad:
        return "it holds " + " ".join(repr(c) for c in bad) + ", which no card name can hold"
    if any(0xD800 <= ord(c) <= 0xDFFF for c in name):
        return "it is not valid text"
    if name[-1] in " .":
        return "it ends in a space or a full stop"
    if name.split(".")[0].rstrip(" ").upper() in RESERVED_STEMS:
        return f"{name.split('.')[0]!r} is a device name on Windows, with any ending"
    if utf16_units(name) > MAX_NAME_UNITS:
        return f"it is {utf16_units(name)} units long, and a card holds {MAX_NAME_UNITS}"
    return None


def path_fault(path: str) -> str | None:
    """Why ``path`` (relative, ``/`` between parts) cannot be used inside a set's folder."""
    for part in path.split("/"):
        fault = name_fault(part)
        if fault:
            return f"the part {part!r}: {fault}"
    return None


def fat_entries(name: str) -> int:
    """Directory entries that ``name`` takes on FAT: 1 + ⌈n/13⌉, or 1 for an upper-case 8.3 name.

    >>> fat_entries("01_foghorn.wav"), fat_entries("01_HORN.WAV"), fat_entries("a" * 255)
    (3, 1, 21)
    """
    if _SHORT_NAME.match(name):
        return 1
    return 1 + -(-utf16_units(name) // 13)


# ---------------------------------------------------------------- patterns


def pattern_fields(pattern: str) -> list[tuple[str, str | None, str]]:
    """Parts of a pattern: ``(literal text, field or None, format)``; ValueError when malformed."""
    parts = []
    for literal, field, spec, conversion in string.Formatter().parse(pattern):
        if conversion:
            raise ValueError(f"'!{conversion}' is not used in name patterns")
        parts.append((literal, field, spec or ""))
    return parts


def pattern_fault(pattern: str) -> str | None:
    """What is wrong with a rig's name pattern and what to write instead, or None.

    >>> pattern_fault("{pad:02d}_{clip}.wav") is None
    True
    """
    try:
        parts = pattern_fields(pattern)
    except ValueError as fault:
        return (
            f"{pattern!r} is not a name pattern ({fault}): write such as '{{pad:02d}}_{{clip}}.wav'"
        )
    for literal, field, spec in parts:
        bad = sorted({c for c in literal if c in FORBIDDEN})
        if bad:
            return f"{pattern!r} holds {' '.join(map(repr, bad))}, which no card name can hold"
        if field is None:
            continue
        if field not in PATTERN_FIELDS:
            return f"{pattern!r} asks for {{{field}}}: use {', '.join(PATTERN_FIELDS)}"
        kind = PATTERN_FIELDS[field]
        if not _FORMATS[kind].match(spec):
            good = "a width such as 02d" if kind is int else "no width"
            return f"{pattern!r} has the format {spec!r} for {{{field}}}: use {good}"
    return None


def fits_pattern(pattern: str, name: str, numbers: Mapping[str, int]) -> bool:
    """Whether ``name`` is one that ``pattern`` makes with these numbers (``bank``, ``pad``).

    Text fields may have been shortened or transliterated, so any text stands for them.

    >>> fits_pattern("{pad:02d}_{clip}.wav", "07_foghorn.wav", {"pad": 7})
    True
    >>> fits_pattern("{pad:02d}_{clip}.wav", "07_foghorn.wav", {"pad": 70})
    False
    """
    expression = ""
    for literal, field, spec in pattern_fields(pattern):
        expression += re.escape(literal)
        if field is not None:
            known = field in numbers
            expression += re.escape(format(numbers[field], spec)) if known else ".*"
    return re.fullmatch(expression, name, re.IGNORECASE | re.DOTALL) is not None
