"""Writing the pad sheet: PDF for the printer, PNG for a screen or a chat.

An overview of all banks comes first (six to a page), then one page for each
bank that holds clips. The same sheet gives the same bytes.

Function: ``draw_sheet``.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import replace
from pathlib import Path
from typing import Literal

from padbank.errors import InputError
from padbank.files.sheetink import DryInk, PdfInk, PngInk
from padbank.files.sheetpage import draw_bank_page, draw_overview_page
from padbank.namefit import FLOOR_CAP_MM, GOAL_CAP_MM, Fitted, readable_from_m
from padbank.sheetdata import SheetBank, SheetData

Paper = Literal["a4", "a3", "letter"]

PAPERS_MM: dict[Paper, tuple[float, float]] = {
    "a4": (297.0, 210.0),
    "a3": (420.0, 297.0),
    "letter": (279.4, 215.9),
}
"""Landscape sizes: ISO 216 and ANSI/ASME Y14.1 (letter)."""

BANKS_ON_OVERVIEW = 6
MOST_LISTED = 8
DOTS_PER_MM = 6.0
"""152 dots an inch."""
MOST_DOTS = 60_000_000
"""A PNG of very many banks gets fewer dots a millimetre instead of eating the memory."""


def _parts(bank: SheetBank) -> list[SheetBank]:
    """The bank surface by surface; surfaces without clips are left out."""
    surfaces = dict.fromkeys(pad.pad_id.split("/")[0] for pad in bank.pads)
    parts = [
        replace(
            bank,
            segments=(f"{surface}: " + " · ".join(bank.segments),),
            pads=tuple(pad for pad in bank.pads if pad.pad_id.split("/")[0] == surface),
        )
        for surface in surfaces
    ]
    return [part for part in parts if not part.empty] or parts[:1]


def _too_small(sheet: SheetData, banks: list[SheetBank], w_mm: float, h_mm: float) -> bool:
    """Whether most names would be smaller than 1 m asks for, and there are surfaces to part."""
    names = small = 0
    for bank in banks:
        drawn = draw_bank_page(DryInk(), sheet, bank, w_mm, h_mm)
        names += len(drawn)
        small += sum(name.cap_mm < FLOOR_CAP_MM for _, name in drawn)
    surfaces = {pad.pad_id.split("/")[0] for bank in banks for pad in bank.pads}
    return len(surfaces) > 1 and 2 * small > names


def _notes(drawn: list[tuple[int, str, Fitted]]) -> list[str]:
    """What to know before printing: names smaller than 1.5 m asks for, names cut short."""
    notes = []
    low = [(name.cap_mm, bank, text) for bank, text, name in drawn if name.cap_mm < GOAL_CAP_MM - 0.05]
    if low:
        least_mm, bank, text = min(low)
        notes.append(
            f"{len(low)} of {len(drawn)} names are smaller than {GOAL_CAP_MM} mm; the smallest, "
            f"{text!r} in bank {bank}, is {least_mm:.1f} mm high: read it from "
            f"{readable_from_m(least_mm):.1f} m or nearer"
        )
    cut = [f"{text!r} in bank {bank}" for bank, text, name in drawn if name.cut]
    if cut:
        more = f" and {len(cut) - MOST_LISTED} more" if len(cut) > MOST_LISTED else ""
        notes.append(f"shortened to fit: {', '.join(cut[:MOST_LISTED])}{more}")
    return notes


def draw_sheet(
    sheet: SheetData,
    path: Path,
    *,
    paper: Paper = "a4",
    bank: int | None = None,
    overview: bool = True,
    by_surface: bool | None = None,
    night: bool = False,
) -> list[str]:
    """Draw a pad sheet into ``path``, whose ending chooses PDF or PNG.

    Parameters
    ----------
    bank : draw this bank only.
    overview : begin with all banks on one page, when there is more than one to show.
    by_surface : a page for each surface of a bank instead of the whole rig: larger letters
        for a wide rig. None: when most names could not be read from 1 m otherwise.
    night : tape on black instead of ink on white, for a screen beside the pads.

    Returns
    -------
    list of str : what to know before printing (names smaller than 1.5 m asks for,
        characters that the letters lack); empty when all is well.

    Raises
    ------
    InputError : another ending, no such bank, or the file cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in (".pdf", ".png"):
        raise InputError(f"{path}: a sheet is a .pdf or a .png: end the name with one of them")
    if paper not in PAPERS_MM:
        raise InputError(f"paper {paper!r}: use one of {', '.join(PAPERS_MM)}")
    banks = [each for each in sheet.banks if each.number == bank] if bank is not None else []
    if bank is not None and not banks:
        raise InputError(f"bank {bank}: the sheet has banks 1 to {len(sheet.banks)}")
    if bank is None:
        banks = [each for each in sheet.banks if not each.empty] or list(sheet.banks[:1])
    overviews: list[list[SheetBank]] = []
    if overview and len(banks) > 1:
        count = -(-len(banks) // BANKS_ON_OVERVIEW)
        size = -(-len(banks) // count)
        overviews = [banks[at : at + size] for at in range(0, len(banks), size)]
    w_mm, h_mm = PAPERS_MM[paper]
    if by_surface is None:
        by_surface = _too_small(sheet, banks, w_mm, h_mm)
    sheets = [part for each in banks for part in (_parts(each) if by_surface else [each])]
    beside = path.with_name(f".{path.name}.new")
    pages = len(sheets) + len(overviews)
    ink: PdfInk | PngInk
    if suffix == ".pdf":
        ink = PdfInk(beside, w_mm, h_mm, f"Pads of {sheet.title}", night)
    else:
        dots = min(DOTS_PER_MM, (MOST_DOTS / (pages * w_mm * h_mm)) ** 0.5)
        ink = PngInk(beside, w_mm, h_mm, dots, night)
    drawn: list[tuple[int, str, Fitted]] = []
    first = True
    for group in overviews:
        if not first:
            ink.new_page()
        draw_overview_page(ink, sheet, group, w_mm, h_mm)
        first = False
    for each in sheets:
        if not first:
            ink.new_page()
        drawn += [(each.number, *one) for one in draw_bank_page(ink, sheet, each, w_mm, h_mm)]
        first = False
    notes = _notes(drawn)
    if notes and not by_surface:
        surfaces = len({pad.pad_id.split("/")[0] for pad in banks[0].pads})
        cure = ["larger paper"] * (paper != "a3") + ["a page for each surface (--by-surface)"] * (surfaces > 1)
        if cure:
            notes.append(f"for larger names, use {' or '.join(cure)}")
    if ink.lacking:
        notes.append(
            "the sheet's letters lack " + " ".join(sorted(ink.lacking)) + ": written plainly or as ?"
        )
    try:
        ink.save()
        os.replace(beside, path)
    except OSError as error:
        with contextlib.suppress(OSError):  # a card that is read-only cannot be tidied either
            beside.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise InputError(f"{path}: the sheet cannot be written ({reason}): choose another place") from error
    return notes
