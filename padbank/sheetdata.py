"""What a pad sheet shows: pads in millimetres, names, tags' colours and shapes. No drawing.

``export.sheet`` fills these values, ``files.sheet`` draws them, the page may
show the same. Colours are Okabe and Ito's palette (values through third
parties, see ``OKABE_ITO``); each comes with a letter and a shape, so that
nothing is told by colour alone. Contrast is WCAG 2.2's (``contrast``).

Functions: ``contrast``, ``tint``, ``ink_on``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PadKind = Literal["clip", "control", "empty"]
Shape = Literal["circle", "square", "triangle", "diamond", "hexagon", "shield", "cross"]

INK = "#111111"
PAPER = "#FFFFFF"

OKABE_ITO = {
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermilion": "#D55E00",
    "reddish purple": "#CC79A7",
}
"""Okabe & Ito, "Color Universal Design" (2008), without black, which is the ink."""

MARKS: tuple[tuple[str, Shape], ...] = (
    (OKABE_ITO["orange"], "circle"),
    (OKABE_ITO["sky blue"], "square"),
    (OKABE_ITO["bluish green"], "triangle"),
    (OKABE_ITO["yellow"], "diamond"),
    (OKABE_ITO["blue"], "hexagon"),
    (OKABE_ITO["reddish purple"], "cross"),
    (OKABE_ITO["vermilion"], "shield"),
)
"""Colour and shape of the first, second … tag of a sheet."""

OTHER_COLOUR = "#DDDDDD"
"""Tape of clips whose tags have no colour of their own."""


TAPE_SHARE = 0.42
"""Strength of a tag's colour under the black name."""

PAGE_INK, PAGE_PAPER, PAGE_GREY, PAGE_FAINT = "page ink", "page paper", "page grey", "page faint"
"""What is drawn on the page itself, not on tape; by day or by night."""

DAY = {PAGE_INK: INK, PAGE_PAPER: PAPER, PAGE_GREY: "#5A5A5A", PAGE_FAINT: "#767676"}
NIGHT = {PAGE_INK: "#F2F2F2", PAGE_PAPER: "#111111", PAGE_GREY: "#B5B5B5", PAGE_FAINT: "#8C8C8C"}
"""Ink on paper, and tape on black."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetTag:
    """A tag with its colour, letter and shape."""

    tag: str
    colour: str
    letter: str
    shape: Shape


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPad:
    """One pad of one bank. Centre and size in mm on the rig's plot, y towards the player.

    ``words`` is the name in the words that may be wrapped; ``remark`` is a few
    small letters such as ``loop``; ``tag`` is an index into ``SheetData.tags``.
    """

    pad_id: str
    number: int
    x_mm: float
    y_mm: float
    w_mm: float
    h_mm: float
    kind: PadKind
    words: tuple[str, ...] = ()
    tag: int | None = None
    moved: bool = False
    remark: str = ""

    @property
    def name(self) -> str:
        return " ".join(self.words)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBank:
    """One bank: its number (0: no bank, the rig alone), what it serves, its pads."""

    number: int
    segments: tuple[str, ...]
    pads: tuple[SheetPad, ...]

    @property
    def empty(self) -> bool:
        return not any(pad.kind == "clip" for pad in self.pads)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetData:
    """A whole pad sheet. ``caution`` is a sentence for the foot of every page."""

    show: str
    title: str
    date: str
    rig: str
    layout_number: int
    banks: tuple[SheetBank, ...]
    tags: tuple[SheetTag, ...]
    caution: str
    any_moved: bool = False


# ---------------------------------------------------------------- colours


def _channels(colour: str) -> tuple[float, float, float]:
    return (int(colour[1:3], 16) / 255, int(colour[3:5], 16) / 255, int(colour[5:7], 16) / 255)


def luminance(colour: str) -> float:
    """Relative luminance of ``#RRGGBB`` (WCAG 2.2, "relative luminance")."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in _channels(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2, "contrast ratio").

    >>> round(contrast("#000000", "#FFFFFF"), 1)
    21.0
    """
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def tint(colour: str, share: float, paper: str = PAPER) -> str:
    """``colour`` on ``paper`` at ``share`` of its strength, as ``#RRGGBB``."""
    mixed = [
        p + share * (c - p) for c, p in zip(_channels(colour), _channels(paper), strict=True)
    ]
    return "#" + "".join(f"{int(value * 255 + 0.5):02X}" for value in mixed)


def ink_on(colour: str) -> str:
    """Ink or paper, whichever is easier to read on ``colour``."""
    return INK if contrast(colour, INK) >= contrast(colour, PAPER) else PAPER
