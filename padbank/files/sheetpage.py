"""Drawing a bank of pads as strips of tape on paper: true places, names as large as fits.

A page has a head (bank, what it serves, the show), the plot to scale, and a
foot (tags, marks, a bar of 50 mm on the rig, the caution). Wide empty stretches
of the plot, such as the one between hands and feet, are cut short with a break
line that states its true length, as technical drawings do; everything else is
to scale.

Functions: ``draw_bank_page``, ``draw_overview_page``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from padbank.files.sheetink import Ink
from padbank.files.sheetmarks import draw_mark, draw_underline, tape_points
from padbank.files.sheetplot import Plot, plot_pads
from padbank.namefit import LINE_PITCH, Fitted, fit_all
from padbank.sheetdata import (
    INK,
    OTHER_COLOUR,
    PAGE_FAINT,
    PAGE_GREY,
    PAGE_INK,
    PAGE_PAPER,
    TAPE_SHARE,
    SheetBank,
    SheetData,
    SheetPad,
    tint,
)

MARGIN_MM = 8.0
HEAD_MM = 25.0
FOOT_MM = 21.0
SMALL_CAP_MM = 2.3
"""Remarks, pad numbers, the foot: read from arm's length, 0.46 m."""


LARGEST_CAP_MM = 12.5
UNDERLINED_SHARE = 0.9
"""Share of the height that a name leaves to itself when it is underlined."""


# ---------------------------------------------------------------- pads


@dataclass(frozen=True, slots=True)
class _Room:
    """Where a pad's parts go: the name's box, the mark, whether the mark is beside it."""

    name: tuple[float, float, float, float]
    mark: tuple[float, float, float]
    beside: bool


def _room(box: tuple[float, float, float, float], small: bool) -> _Room:
    x, y, w, h = box
    edge = min(1.8, 0.06 * min(w, h))
    if w > 2.2 * h and h < 24:  # a long low strip: the mark stands at its left end
        size = min(0.62 * h, 9.0)
        taken = size * 1.45 + edge
        return _Room(
            (x + taken, y + edge, w - 2 * taken, h - 2 * edge), (x + edge + 0.7 * size, y + h / 2, size), True
        )
    size = max(min(0.17 * h, 8.0), min(3.4, 0.3 * h))
    strip = size * (1.2 if not small else 1.4)  # on the small plots letters that rise above capitals would touch the mark
    return _Room(
        (x + 1.8 * edge, y + strip + edge, w - 3.6 * edge, h - strip - 2.2 * edge),
        (x + edge + 0.66 * size, y + edge + 0.62 * size, size),
        False,
    )


def _draw_pads(
    ink: Ink, sheet: SheetData, bank: SheetBank, plot: Plot, small: bool
) -> list[tuple[SheetPad, Fitted]]:
    named = [pad for pad in bank.pads if pad.kind != "empty"]
    rooms = {pad.pad_id: _room(plot.box(pad), small) for pad in named}
    fitted = fit_all(
        [
            (
                pad.words,
                rooms[pad.pad_id].name[2],
                rooms[pad.pad_id].name[3] * (UNDERLINED_SHARE if pad.moved else 1.0),
                pad.kind == "clip" and not small,
            )
            for pad in named
        ],
        lambda text: ink.width(text, 1.0),
        top_mm=7.0 if small else LARGEST_CAP_MM,
    )
    for pad in bank.pads:
        if pad.kind == "empty":
            x, y, w, h = plot.box(pad)
            ink.polygon([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], None, PAGE_FAINT, 0.2)
            if not small:
                _pad_id(ink, pad, x, y, w, PAGE_FAINT)
    for pad, name in zip(named, fitted, strict=True):
        _draw_pad(ink, sheet, pad, plot.box(pad), rooms[pad.pad_id], name, small)
    return list(zip(named, fitted, strict=True))


def _pad_id(ink: Ink, pad: SheetPad, x: float, y: float, w: float, colour: str) -> None:
    text = pad.pad_id.replace("/", " ")
    cap = min(SMALL_CAP_MM, 0.55 * w / max(1e-6, ink.width(text, 1.0, "plain")))
    ink.text(x + w - 1.6, y + 1.5 + cap, text, cap, colour, "right", "plain")


def _draw_pad(
    ink: Ink,
    sheet: SheetData,
    pad: SheetPad,
    box: tuple[float, float, float, float],
    room: _Room,
    name: Fitted,
    small: bool,
) -> None:
    x, y, w, h = box
    seed = sum(map(ord, pad.pad_id))
    tag = sheet.tags[pad.tag] if pad.tag is not None else None
    letters = PAGE_INK if pad.kind == "control" else INK
    if pad.kind == "control":
        thick = 0.5 if small else 0.9
        inset = thick / 2
        corners = [
            (x + inset, y + inset), (x + w - inset, y + inset),
            (x + w - inset, y + h - inset), (x + inset, y + h - inset),
        ]  # fmt: skip
        ink.polygon(corners, PAGE_PAPER, PAGE_INK, thick)
    else:
        colour = tint(tag.colour, TAPE_SHARE) if tag else tint(OTHER_COLOUR, 0.7)
        ink.polygon(tape_points(x, y, w, h, seed), colour, INK, 0.12 if small else 0.2)
    if tag is not None:
        mx, my, size = room.mark
        draw_mark(ink, tag, mx, my, size)
    if not small:
        _pad_id(ink, pad, x, y, w, PAGE_GREY if pad.kind == "control" else INK)
    if pad.remark and not small:
        cap = SMALL_CAP_MM
        if room.beside:
            ink.text(x + w - 1.6, y + h - 1.6, pad.remark, cap, letters, "right", "plain")
        else:
            mx, my, size = room.mark
            at = mx + 0.8 * size if tag is not None else x + 1.8
            ids = ink.width(pad.pad_id, SMALL_CAP_MM, "plain") + 3
            cap = min(cap, (x + w - ids - at) / ink.width(pad.remark, 1.0, "plain"))
            if cap > 1.2:
                ink.text(at, y + 1.5 + cap, pad.remark, cap, letters, "left", "plain")
    nx, ny, nw, nh = room.name
    nh *= UNDERLINED_SHARE if pad.moved else 1.0
    pitch = LINE_PITCH * name.cap_mm
    tall = name.cap_mm + pitch * (len(name.lines) - 1)
    base = ny + (nh - tall) / 2 + name.cap_mm - 0.06 * name.cap_mm
    for index, line in enumerate(name.lines):
        ink.text(nx + nw / 2, base + index * pitch, line, name.cap_mm, letters, "middle")
    if pad.moved:
        last = base + (len(name.lines) - 1) * pitch
        wide = min(nw, ink.width(name.lines[-1], name.cap_mm) * 1.04)
        draw_underline(ink, nx + nw / 2 - wide / 2, last + 0.4 * name.cap_mm, wide, name.cap_mm, seed)


def _draw_cuts(ink: Ink, plot: Plot, small: bool) -> None:
    """Break lines where the plot was cut short."""
    right = plot.left_mm + plot.scale * plot.x.length_mm
    low = plot.top_mm + plot.scale * plot.y.length_mm
    for at_mm, true_mm in plot.y.cuts:
        y = plot.top_mm + plot.scale * at_mm
        mid = (plot.left_mm + right) / 2
        ink.line(
            [(plot.left_mm, y), (mid - 3, y), (mid - 1.2, y - 2.4), (mid + 1.2, y + 2.4), (mid + 3, y), (right, y)],
            PAGE_GREY,
            0.2,
        )
        if not small:
            text = f"{true_mm:.0f} mm, drawn shorter"
            ink.text(right, y - 1.0, text, SMALL_CAP_MM * 0.85, PAGE_GREY, "right", "plain")
    for at_mm, true_mm in plot.x.cuts:
        x = plot.left_mm + plot.scale * at_mm
        mid = (plot.top_mm + low) / 2
        ink.line(
            [(x, plot.top_mm), (x, mid - 3), (x - 2.4, mid - 1.2), (x + 2.4, mid + 1.2), (x, mid + 3), (x, low)],
            PAGE_GREY,
            0.2,
        )
        if not small:
            ink.text(x + 1, plot.top_mm + 3, f"{true_mm:.0f} mm", SMALL_CAP_MM * 0.85, PAGE_GREY, "left", "plain")


# ---------------------------------------------------------------- pages


def _background(ink: Ink, w_mm: float, h_mm: float) -> None:
    if ink.night:  # by day the paper itself is the background
        ink.polygon([(0, 0), (w_mm, 0), (w_mm, h_mm), (0, h_mm)], PAGE_PAPER)


def draw_bank_page(
    ink: Ink, sheet: SheetData, bank: SheetBank, w_mm: float, h_mm: float
) -> list[tuple[str, Fitted]]:
    """Draw one bank on the whole page; returns its clips' names with what became of them."""
    _background(ink, w_mm, h_mm)
    inner = w_mm - 2 * MARGIN_MM
    block = 24.0
    top = MARGIN_MM
    left, room = MARGIN_MM, inner
    if bank.number:
        right, low = MARGIN_MM + block, top + 18
        ink.polygon([(left, top), (right, top), (right, low), (left, low)], PAGE_INK)
        number = str(bank.number)
        cap = min(12.5, 20 / ink.width(number, 1.0))
        ink.text(left + block / 2, top + 9 + cap / 2, number, cap, PAGE_PAPER, "middle")
        left, room = right + 5, inner - block - 5
    title = " · ".join(bank.segments) or "nothing in particular"
    cap = min(7.5, room / ink.width(title, 1.0))
    if cap < 4.0:
        cap = 4.0
        while ink.width(title + "…", cap) > room and len(title) > 1:
            title = title[:-1].rstrip(" ·")
        title += "…"
    ink.text(left, top + 3.75 + cap / 2, title, cap, PAGE_INK)
    _small_head(ink, sheet, left, top + 16.5, room)
    plot = plot_pads(
        bank.pads, MARGIN_MM, top + HEAD_MM, inner, h_mm - 2 * MARGIN_MM - HEAD_MM - FOOT_MM
    )
    _draw_cuts(ink, plot, small=False)
    drawn = _draw_pads(ink, sheet, bank, plot, small=False)
    _foot(ink, sheet, w_mm, h_mm, plot.scale)
    return [(pad.name, name) for pad, name in drawn if pad.kind == "clip"]


def _small_head(
    ink: Ink, sheet: SheetData, x: float, y: float, room: float, title: bool = True
) -> None:
    parts = [sheet.title if title else "", sheet.date, sheet.rig]
    if sheet.show:
        number = sheet.layout_number
        parts.append(f"layout {number}" if number else "layout not stored yet")
    text = "  ·  ".join(part for part in parts if part)
    cap = min(2.8, room / ink.width(text, 1.0, "plain"))
    ink.text(x, y, text, cap, PAGE_INK, "left", "plain")


def _foot(ink: Ink, sheet: SheetData, w_mm: float, h_mm: float, scale: float | None) -> None:
    y = h_mm - MARGIN_MM - FOOT_MM + 8.5
    x = MARGIN_MM
    cap = 2.6
    if scale is not None:
        bar = 50 * scale
        right = w_mm - MARGIN_MM
        ink.line([(right - bar, y - 1.6), (right - bar, y + 1.6)], PAGE_INK, 0.35)
        ink.line([(right - bar, y), (right, y)], PAGE_INK, 0.6)
        ink.line([(right, y - 1.6), (right, y + 1.6)], PAGE_INK, 0.35)
        ink.text(right, y + 5.2, f"50 mm on the rig (1 : {1 / scale:.1f})", 2.2, PAGE_INK, "right", "plain")
        limit = right - max(bar, 38) - 6
    else:
        limit = w_mm - MARGIN_MM
    for tag in sheet.tags:
        wide = 8.5 + ink.width(tag.tag, cap, "plain") + 5
        if x + wide > limit:
            break
        draw_mark(ink, tag, x + 3.2, y, 5.6)
        ink.text(x + 7.6, y + cap / 2, tag.tag, cap, PAGE_INK, "left", "plain")
        x += wide
    others = any(pad.kind == "clip" and pad.tag is None for b in sheet.banks for pad in b.pads)
    if sheet.tags and others and x + 30 < limit:
        ink.polygon(tape_points(x + 0.4, y - 2.4, 6, 4.8, 5), tint(OTHER_COLOUR, 0.7), INK, 0.15)
        ink.text(x + 8.4, y + cap / 2, "other", cap, PAGE_INK, "left", "plain")
    y += 6.6
    x = MARGIN_MM
    ink.polygon([(x, y - 2), (x + 7, y - 2), (x + 7, y + 2), (x, y + 2)], PAGE_PAPER, PAGE_INK, 0.7)
    ink.text(x + 9, y + 1.1, "control hit, no sound", 2.2, PAGE_INK, "left", "plain")
    x += 9 + ink.width("control hit, no sound", 2.2, "plain") + 6
    if sheet.any_moved:
        draw_underline(ink, x, y, 9, 4, 3, PAGE_INK)
        text = "not where it was last time"
        ink.text(x + 11, y + 1.1, text, 2.2, PAGE_INK, "left", "plain")
    room = w_mm - 2 * MARGIN_MM
    cap = min(2.3, room / ink.width(sheet.caution, 1.0, "plain"))
    ink.text(MARGIN_MM, h_mm - MARGIN_MM, sheet.caution, cap, PAGE_INK, "left", "plain")


def draw_overview_page(
    ink: Ink, sheet: SheetData, banks: Sequence[SheetBank], w_mm: float, h_mm: float
) -> None:
    """Draw several banks on one page, as large as they go side by side."""
    _background(ink, w_mm, h_mm)
    inner_w, inner_h = w_mm - 2 * MARGIN_MM, h_mm - 2 * MARGIN_MM - 15 - FOOT_MM
    title_cap = min(6.0, inner_w / ink.width(sheet.title, 1.0))
    ink.text(MARGIN_MM, MARGIN_MM + title_cap, sheet.title, title_cap, PAGE_INK)
    _small_head(ink, sheet, MARGIN_MM, MARGIN_MM + title_cap + 5.4, inner_w, title=False)
    best: tuple[float, int, int] = (0.0, 1, len(banks))
    gap, head = 7.0, 9.0
    for columns in range(1, len(banks) + 1):
        rows = math.ceil(len(banks) / columns)
        cell_w = (inner_w - gap * (columns - 1)) / columns
        cell_h = (inner_h - gap * (rows - 1)) / rows - head
        if cell_h > 5:
            scale = plot_pads(banks[0].pads, 0, 0, cell_w, cell_h).scale
            best = max(best, (scale, columns, rows), key=lambda each: each[0])
    _, columns, rows = best
    cell_w = (inner_w - gap * (columns - 1)) / columns
    cell_h = (inner_h - gap * (rows - 1)) / rows
    for index, bank in enumerate(banks):
        row, column = divmod(index, columns)
        x = MARGIN_MM + column * (cell_w + gap)
        y = MARGIN_MM + 15 + row * (cell_h + gap)
        ink.polygon([(x, y), (x + 9, y), (x + 9, y + 7), (x, y + 7)], PAGE_INK)
        cap = min(4.4, 7.5 / ink.width(str(bank.number), 1.0))
        ink.text(x + 4.5, y + 3.5 + cap / 2, str(bank.number), cap, PAGE_PAPER, "middle")
        title = " · ".join(bank.segments) or "nothing in particular"
        cap = min(3.2, (cell_w - 12) / ink.width(title, 1.0))
        ink.text(x + 11.5, y + 3.5 + cap / 2, title, cap, PAGE_INK)
        plot = plot_pads(bank.pads, x, y + head, cell_w, cell_h - head)
        _draw_cuts(ink, plot, small=True)
        _draw_pads(ink, sheet, bank, plot, small=True)
    _foot(ink, sheet, w_mm, h_mm, None)
