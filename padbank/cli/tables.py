"""Tables and texts that fit the screen: 80 columns where the output goes into a file.

Widths count what a terminal gives a sign: two columns for East Asian letters
and emoji, none for accents that join the letter before them (Unicode Standard
Annex 11 and the general categories Mn, Me and Cf).

Functions: ``table``, ``shorten``, ``wrapped``, ``screen_width``, ``columns_of``.
"""

from __future__ import annotations

import re
import shutil
import textwrap
import unicodedata
from collections.abc import Sequence
from typing import Any

LEAST_COLUMN = 10
"""A column is not shortened further than this."""
GAP = "  "
UNIT = re.compile(r"(?<=\d) (?=(?:LUFS|LU|dBTP|dB|ms|s|Hz|ch|kB|MB|GB|%)(?:\W|$))")


def screen_width() -> int:
    return shutil.get_terminal_size((80, 24)).columns


def columns_of(text: str) -> int:
    """How many columns a text takes in a terminal."""
    return len(text) if text.isascii() else sum(_columns_of_sign(sign) for sign in text)


def _columns_of_sign(sign: str) -> int:
    if unicodedata.category(sign) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(sign) in "WF" else 1


def table(rows: Sequence[Sequence[Any]], headers: Sequence[str], align: str = "", flexible: Sequence[int] = ()) -> str:
    """A plain table with a rule under its headings.

    Parameters
    ----------
    align : one letter a column (l, r); left where it is empty
    flexible : columns whose cells give up their middle where the table is wider than the screen, the last one first
    """
    cells = [[str(cell) for cell in row] for row in (headers, *rows)]
    widths = [max(columns_of(row[i]) for row in cells) for i in range(len(headers))]
    least = {i: max(columns_of(headers[i]), LEAST_COLUMN) for i in flexible}
    too_wide = sum(widths) + len(GAP) * (len(widths) - 1) - screen_width()
    for i in reversed(flexible):
        less = min(max(too_wide, 0), max(widths[i] - least[i], 0))
        widths[i] -= less
        too_wide -= less
    lines = [[_set(cell, widths[i], align[i : i + 1] == "r") for i, cell in enumerate(row)] for row in cells]
    lines.insert(1, ["-" * width for width in widths])
    return "\n".join(GAP.join(line).rstrip() for line in lines)


def _set(text: str, width: int, right: bool) -> str:
    text = shorten(text, width)
    space = " " * (width - columns_of(text))
    return space + text if right else text + space


def shorten(name: str, room: int) -> str:
    """The beginning and the end of a name, since takes of one sound differ in their last letters."""
    if columns_of(name) <= room:
        return name
    head, end = _fitting(name, (room - 1) * 3 // 5), 0
    while end < len(name) and columns_of(head) + 1 + columns_of(name[len(name) - end - 1 :]) <= room:
        end += 1
    return f"{head}…{name[len(name) - end :]}"


def _fitting(text: str, room: int) -> str:
    while columns_of(text) > room:
        text = text[:-1]
    return text


def wrapped(text: str, indent: str = "") -> str:
    """Text in lines as wide as the screen, those after the first one indented; no word is cut, no number parted from its unit."""
    kept = UNIT.sub("\N{NO-BREAK SPACE}", text)
    lines = textwrap.fill(kept, screen_width(), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return lines.replace("\N{NO-BREAK SPACE}", " ")
