"""``sheet``: the printable map of a show's banks."""

from __future__ import annotations

import tempfile
from pathlib import Path

from padbank.domain import Layout
from padbank.export.sheet import moved_clips, rig_sheet, sheet_data
from padbank.files.rigfile import load_rig
from padbank.files.sheet import Paper, draw_sheet
from padbank.sheetdata import SheetData
from padbank.store.library import Library
from padbank.workflow.plan import known_layout, newest_layout, wanted_clips
from padbank.workflow.shows import OpenShow, find_rig_file, open_show

__all__ = ["Paper", "draw", "draw_rig", "sheet_bytes", "sheet_of"]


def sheet_of(library: Library, opened: OpenShow, layout: Layout) -> SheetData:
    """What the sheet of a layout shows; underlined is what moved since the show named by ``like``."""
    known = known_layout(library, opened.show) if opened.show.like else None
    moved = moved_clips(layout, known)
    return sheet_data(opened.rig, opened.show, layout, opened.clips, moved, wanted_clips(opened))


def draw(
    library: Library,
    name: str,
    path: Path,
    *,
    number: int | None = None,
    bank: int | None = None,
    paper: Paper = "a4",
    by_surface: bool | None = None,
    night: bool = False,
) -> list[str]:
    """Draw a show's newest layout, or the one of that number, as PDF or PNG.

    ``by_surface``: a page for each surface of a bank; None where names would be too small otherwise.

    Returns what to know before printing; empty when all is well.
    """
    opened = open_show(library, name)
    layout = newest_layout(library, opened.show.name, number)
    return draw_sheet(sheet_of(library, opened, layout), path, bank=bank, paper=paper, by_surface=by_surface, night=night)


def draw_rig(library: Library, given: str, path: Path, *, paper: Paper = "a4") -> list[str]:
    """Draw a rig alone, to hold against the real thing."""
    return draw_sheet(rig_sheet(load_rig(find_rig_file(library, given))), path, paper=paper)


def sheet_bytes(library: Library, opened: OpenShow, layout: Layout) -> bytes:
    """The sheet as PDF bytes, for the set."""
    with tempfile.TemporaryDirectory(prefix="padbank-sheet-") as folder:
        path = Path(folder) / "pads.pdf"
        draw_sheet(sheet_of(library, opened, layout), path)
        return path.read_bytes()
