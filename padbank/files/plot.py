"""The picture of a show's levels, before and after, as a PNG for people who would rather look.

One row a clip: an open circle where its loudness is now, a filled one where it
will be, a tick for its true peak after, all against the target line. Ink on
paper; shapes carry the meaning, colour only helps (Okabe and Ito's palette).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from PIL import Image, ImageDraw, ImageFont

from padbank.errors import InputError
from padbank.files.letters import find_fonts

INK, FAINT, PAPER = "#000000", "#8a8a84", "#fbfaf5"
BLUE, ORANGE, VERMILLION = "#0072B2", "#E69F00", "#D55E00"
ROW_PX, TOP_PX, LEFT_PX, WIDTH_PX, RIGHT_PX = 30, 96, 250, 1280, 220


class PlotRow(NamedTuple):
    """One clip; None where a value does not exist."""

    name: str
    before_lufs: float | None
    after_lufs: float | None
    peak_after_dbtp: float | None
    note: str


def draw_levels(
    path: Path, title: str, rows: Sequence[PlotRow], *, target_lufs: float, ceiling_dbtp: float, low: float, high: float
) -> None:
    """Write the plot; ``low`` and ``high`` are the axis' ends in LUFS and dBTP."""
    height = TOP_PX + ROW_PX * len(rows) + 70
    image = Image.new("RGB", (WIDTH_PX, height), PAPER)
    draw = ImageDraw.Draw(image)
    face = find_fonts()[0]["plain"]
    font, small, big = (ImageFont.truetype(face, size) for size in (17, 14, 24))
    span = WIDTH_PX - LEFT_PX - RIGHT_PX

    def x(level: float) -> float:
        return LEFT_PX + (min(max(level, low), high) - low) / (high - low) * span

    bottom = TOP_PX + ROW_PX * len(rows)
    draw.text((24, 18), title, font=big, fill=INK)
    level = low
    step = 5 if high - low <= 60 else 10
    while level <= high:
        draw.line([(x(level), TOP_PX - 6), (x(level), bottom)], fill="#e3e1d8")
        draw.text((x(level), bottom + 6), f"{level:.0f}".replace("-", "−"), font=small, fill=FAINT, anchor="ma")
        level += step
    draw.text((x(low), bottom + 28), "LUFS (loudness), dBTP (peak)", font=small, fill=FAINT)
    for value, text in ((target_lufs, f"target {target_lufs:g} LUFS"), (ceiling_dbtp, f"ceiling {ceiling_dbtp:g} dBTP")):
        draw.line([(x(value), TOP_PX - 14), (x(value), bottom)], fill=INK, width=2)
        draw.text((x(value), TOP_PX - 20), text.replace("-", "−"), font=small, fill=INK, anchor="mb")
    for index, row in enumerate(rows):
        y = TOP_PX + ROW_PX * index + ROW_PX // 2
        name = row.name if len(row.name) <= 26 else row.name[:25] + "…"
        draw.text((LEFT_PX - 14, y), name, font=font, fill=INK, anchor="rm")
        if row.before_lufs is not None and row.after_lufs is not None:
            draw.line([(x(row.before_lufs), y), (x(row.after_lufs), y)], fill=FAINT, width=2)
            draw.ellipse(_box(x(row.before_lufs), y, 6), outline=ORANGE, width=3, fill=PAPER)
            draw.ellipse(_box(x(row.after_lufs), y, 6), fill=BLUE)
        if row.peak_after_dbtp is not None:
            px = x(row.peak_after_dbtp)
            draw.line([(px, y - 8), (px, y + 8)], fill=VERMILLION, width=3)
        draw.text((WIDTH_PX - RIGHT_PX + 14, y), row.note, font=small, fill=INK, anchor="lm")
    key_y = bottom + 36
    key_x = WIDTH_PX - RIGHT_PX - 400
    draw.ellipse(_box(key_x, key_y, 6), outline=ORANGE, width=3, fill=PAPER)
    draw.text((key_x + 14, key_y), "loudness now", font=small, fill=INK, anchor="lm")
    draw.ellipse(_box(key_x + 130, key_y, 6), fill=BLUE)
    draw.text((key_x + 144, key_y), "loudness after", font=small, fill=INK, anchor="lm")
    draw.line([(key_x + 268, key_y - 8), (key_x + 268, key_y + 8)], fill=VERMILLION, width=3)
    draw.text((key_x + 280, key_y), "true peak after", font=small, fill=INK, anchor="lm")
    try:
        image.save(path, "PNG")
    except OSError as error:
        raise InputError(f"{path}: the plot cannot be written ({error.strerror}): choose another place") from error


def _box(x: float, y: float, r: float) -> tuple[float, float, float, float]:
    return (x - r, y - r, x + r, y + r)
