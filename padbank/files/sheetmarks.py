"""The sheet's hand-made things: torn tape, a tag's shape with its letter, a drawn underline.

Nothing is random: the same pad always has the same edges.

Functions: ``tape_points``, ``shape_points``, ``draw_mark``, ``draw_underline``.
"""

from __future__ import annotations

import math

from padbank.files.sheetink import Ink, Point
from padbank.sheetdata import INK, Shape, SheetTag, ink_on


def wobble(seed: int, index: int) -> float:
    """A fixed value in ±1 that looks like a hand: no random numbers, the same every time."""
    value = (seed * 7919 + index * 104_729 + 12_345) * 2_654_435_761 % 2**32
    return value / 2**31 - 1


def tape_points(x: float, y: float, w: float, h: float, seed: int) -> list[Point]:
    """A strip of tape: straight along, torn at its ends."""
    depth = min(0.9, 0.03 * w)
    steps = max(3, int(h / 1.6))
    right = [
        (x + w - depth * (0.5 + 0.5 * wobble(seed, i)), y + h * i / steps)
        for i in range(steps + 1)
    ]
    left = [
        (x + depth * (0.5 + 0.5 * wobble(seed + 1, i)), y + h * i / steps)
        for i in range(steps, -1, -1)
    ]
    return right + left


def shape_points(shape: Shape, x: float, y: float, size: float) -> list[Point]:
    """Corners of a tag's shape around a centre; ``size`` is its height."""
    r = size / 2
    if shape == "circle":
        turns = [2 * math.pi * i / 36 for i in range(36)]
        return [(x + r * math.cos(t), y + r * math.sin(t)) for t in turns]
    unit: dict[str, list[Point]] = {
        "square": [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
        "triangle": [(0, -1.2), (1.3, 1), (-1.3, 1)],
        "diamond": [(0, -1.25), (1.25, 0), (0, 1.25), (-1.25, 0)],
        "hexagon": [(-0.55, -1), (0.55, -1), (1.15, 0), (0.55, 1), (-0.55, 1), (-1.15, 0)],
        "shield": [(-1, -1), (1, -1), (1, 0.2), (0, 1.2), (-1, 0.2)],
        "cross": [
            (-0.65, -1.1), (0.65, -1.1), (0.65, -0.65), (1.1, -0.65), (1.1, 0.65), (0.65, 0.65),
            (0.65, 1.1), (-0.65, 1.1), (-0.65, 0.65), (-1.1, 0.65), (-1.1, -0.65), (-0.65, -0.65),
        ],
    }  # fmt: skip
    return [(x + r * dx, y + r * dy) for dx, dy in unit[shape]]


def draw_mark(ink: Ink, tag: SheetTag, x: float, y: float, size: float) -> None:
    """A tag's shape in its colour with its letter inside."""
    ink.polygon(shape_points(tag.shape, x, y, size), fill=tag.colour, stroke=INK, width_mm=size / 22)
    cap = (0.38 if tag.shape == "triangle" else 0.46) * size
    low = 0.13 * size if tag.shape == "triangle" else 0.0
    ink.text(x, y + cap / 2 + low, tag.letter, cap, ink_on(tag.colour), "middle")


def draw_underline(
    ink: Ink, x: float, y: float, w: float, cap: float, seed: int, colour: str = INK
) -> None:
    """A line drawn by hand: it rises a little, sways a little, and is never twice the same."""
    lean = 0.05 * cap * (1.2 + wobble(seed, 1))
    sway, phase = 0.05 * cap * (1 + 0.5 * wobble(seed, 2)), 3 * wobble(seed, 3)
    line = []
    for index in range(33):
        share = index / 32
        bend = math.sin(phase + 7.5 * share) + 0.4 * math.sin(2.3 * phase + 17 * share)
        line.append((x + w * share, y + lean * (0.5 - share) + sway * bend))
    ink.line(line, colour, max(0.35, 0.1 * cap))
