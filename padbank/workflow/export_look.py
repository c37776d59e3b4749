"""Before and after an export: what would change on the card, and what has been proved.

Functions: ``look``, ``proof_of``, ``mounted_folders``.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from padbank.domain import Finding
from padbank.errors import CardError, InputError
from padbank.files.oncard import OldSet, read_set
from padbank.files.verify import VerifiedFile
from padbank.files.writable import volume_is_locked
from padbank.store.library import Library
from padbank.units import format_bytes
from padbank.workflow.arrange import read_board, weigh
from padbank.workflow.checklist import (
    Check,
    by_hand,
    check_card,
    check_layout,
    check_rights,
    short_of,
)
from padbank.workflow.export import Exported, check_target, prepare_export
from padbank.workflow.verify import Verified


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedFile:
    path: str
    clip: str = ""
    n_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What an export would do: files by what becomes of them, sizes and findings."""

    title: str
    folder: Path
    layout: int
    revision: str
    """of what would be written: hand it to the export, so that nothing else is"""
    files: int
    n_bytes: int
    free_bytes: int | None
    no_room: str
    """why the card cannot hold it, from estimated sizes; empty when it can"""
    state: str
    """what is in the folder now, in words"""
    write: tuple[LookedFile, ...]
    keep: tuple[LookedFile, ...]
    remove: tuple[LookedFile, ...]
    findings: tuple[Finding, ...]


def export_folder(text: str) -> Path:
    """The export folder that a person typed.

    Raises
    ------
    InputError
        when it is no whole path, or a file
    """
    folder = Path(os.path.expanduser(text.strip().strip('"')))
    if not folder.is_absolute():
        raise InputError(f"{text.strip() or 'nothing'} is not a whole path: begin it at the top, such as {Path.home() / 'exports'}")
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file: choose a folder")
    return folder


def look(library: Library, name: str, folder: Path) -> Look:
    """Compare a show's set as it would be with what ``folder`` holds. Changes nothing.

    Raises
    ------
    CardError
        for a folder that ``check_target`` refuses
    """
    check_target(library, folder)
    prepared = prepare_export(library, name)
    plan = prepared.plan
    on_card = read_set(folder / plan.folder)
    old = OldSet(on_card)
    write: list[LookedFile] = []
    keep: list[LookedFile] = []
    for file in plan.files:
        known = old.known(file)
        entry = LookedFile(path=file.path, clip=file.clip, n_bytes=file.est_bytes)
        (write if known is None else keep).append(entry)
    wanted = {f.path for f in plan.files} | {e.path for e in (on_card.card.extras if on_card.card else ())}
    remove = [LookedFile(path=p, n_bytes=n) for p, n in sorted(old.sizes.items()) if p not in wanted]
    new_bytes, free = sum(f.n_bytes for f in write), _free(folder)
    no_room = (
        f"the new files take about {format_bytes(new_bytes)} beside the old set and {format_bytes(free)} are free: "
        "free some room or use a larger card"
        if free is not None and new_bytes > free
        else ""
    )
    return Look(
        title=prepared.opened.show.title or name,
        folder=folder / plan.folder,
        layout=prepared.layout.number,
        revision=prepared.revision,
        files=len(plan.files),
        n_bytes=sum(f.est_bytes for f in plan.files),
        free_bytes=free,
        no_room=no_room,
        state=on_card.text,
        write=tuple(write),
        keep=tuple(keep),
        remove=tuple(remove),
        findings=prepared.findings,
    )


def _free(folder: Path) -> int | None:
    for place in (folder, *folder.parents):
        if place.exists():
            try:
                return shutil.disk_usage(place).free
            except OSError:
                return None
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """A set read back and measured again, with the checklist."""

    ok: bool
    folder: Path
    checks: tuple[Check, ...]
    to_do: tuple[str, ...]
    findings: tuple[Finding, ...]
    files: tuple[VerifiedFile, ...]
    written: int = 0
    kept: int = 0
    removed: int = 0
    sheet_is_new: bool = False


def proof_of(library: Library, verified: Verified, exported: Exported | None = None, name: str | None = None) -> Proof:
    """The checklist of what was proved, each line with its figures, and what is left to do by hand."""
    checks = check_card(verified)
    findings = list(verified.findings)
    to_do: list[str] = []
    if exported is not None and name is not None:
        findings = [*(f for f in exported.findings if f.code != "level-short"), *findings]  # verify says it too
        board = read_board(library, name, exported.layout)  # a newer one may have been made meanwhile
        weighed = weigh(board)
        unclear = {f.where for f in exported.findings if f.code == "rights-unknown"}
        checks = [
            *check_layout(board.show, board.layout, weighed.left_out, weighed.findings),
            *checks,
            check_rights(board.show, {f.clip for f in exported.written.card.files}, unclear),
        ]
        to_do = by_hand(board.layout, len(board.moved), unclear, short_of(verified))
    new, were_there, removed = exported.sounds if exported is not None else (0, 0, 0)
    return Proof(
        ok=all(c.ok for c in checks),
        folder=verified.reports[0].folder,
        checks=tuple(checks),
        to_do=tuple(to_do),
        findings=tuple(dict.fromkeys(findings)),
        files=tuple(row for report in verified.reports for row in report.files),
        written=new,
        kept=were_there,
        removed=removed,
        sheet_is_new=exported is not None and exported.sheet_is_new,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MountedFolder:
    path: str
    about: str


def mounted_folders(extra: Sequence[Path] = ()) -> list[MountedFolder]:
    """``extra`` folders (made when they are written to), then cards and drives that are plugged in."""
    found = [MountedFolder(path=str(p), about="beside the library") for p in extra]
    for place in _drives():
        try:
            free = shutil.disk_usage(place).free
        except OSError:
            continue  # a drive without a card in it
        locked = ", write-protected" if volume_is_locked(place) else ""
        found.append(MountedFolder(path=str(place), about=f"{free / 1e9:.1f} GB free{locked}"))
    return found


def _drives() -> list[Path]:
    if sys.platform == "win32":
        system = os.environ.get("SYSTEMDRIVE", "C:").upper()
        return [Path(f"{c}:\\") for c in "DEFGHIJKLMNOPQRSTUVWXYZAB" if f"{c}:" != system and os.path.exists(f"{c}:\\")]
    if sys.platform == "darwin":
        return sorted(p for p in _inside(Path("/Volumes")) if not p.is_symlink())
    user = os.environ.get("USER", "")
    places = [*_inside(Path("/media") / user), *_inside(Path("/run/media") / user), *_inside(Path("/mnt"))]
    return sorted(p for p in places if os.path.ismount(p))


def _inside(folder: Path) -> list[Path]:
    try:
        return [p for p in folder.iterdir() if p.is_dir()]
    except OSError:
        return []


def refuse_unless_listed(folder: Path, allowed: Sequence[str]) -> None:
    """Raise CardError unless ``folder`` is one of ``allowed`` or lies inside one of them."""
    real = folder.resolve()
    for each in allowed:
        top = Path(each).resolve()
        if real == top or top in real.parents:
            return
    raise CardError(f"{folder} was not chosen on the computer that runs padbank: choose it there first")
