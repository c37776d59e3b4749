"""A set is swapped in whole: what stands beside it meanwhile, and how an interrupted swap ends.

Answers: is the set here the old one, the new one, or on its way, and how does it get there.

The way of a set called ``NAME`` inside its export folder::

    1  NAME.padbank-writing.json   which files are about to be written beside the old set
    2  NAME.padbank-new/           the files that are new or differ, synced and read back
    3  NAME.padbank-swap.json      the journal: every rename that follows, with its own hash
    4  NAME -> NAME.padbank-old
    5  files that stay the same, and files that are not padbank's: old folder -> new folder
    6  NAME.padbank-new -> NAME    from here on the set is the new one
    7  what is left of the old set is removed, then 3 and 1

So a folder called ``NAME`` is always a whole set, old or new. Stopped before 3
is complete, the old set is untouched. From then on the journal leads forward,
or back where a file is missing; every step may be done again. Where neither
way is open nothing is touched and the text says what is there. Only files
that padbank listed are ever removed; what is left over stays and is reported.

This needs nothing but renames within one folder: FAT and exFAT have no links.

Classes: ``Journal``, ``SwapState``. Functions: ``look``, ``recover``,
``begin``, ``swap_in``, ``give_up``, ``free_name``, ``say``.
"""

from __future__ import annotations

import errno
import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from padbank.cardnames import path_fault
from padbank.errors import CardError
from padbank.files.fileops import FileOps, exists, hash_file
from padbank.files.setfile import SET_NAME
from padbank.files.writable import LOCKED

NEW, OLD = ".padbank-new", ".padbank-old"
WRITING, SWAP = ".padbank-writing.json", ".padbank-swap.json"

Kind = Literal["clear", "writing", "swapping", "cleaning", "lost"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Journal:
    """Every rename of one swap. Paths are relative to the set's folder."""

    new_folder: str
    old_folder: str | None
    """where the old set waits; None when there was none"""
    same: tuple[tuple[str, str], ...]
    """files that stay as they are: path in the old set, path in the new"""
    others: tuple[str, ...]
    """files and folders that are not padbank's; they keep their place"""
    remove: tuple[str, ...]
    """files of the old set that end"""
    new_sizes: tuple[tuple[str, int], ...]
    old_sizes: tuple[tuple[str, int], ...]
    set_sha256: str
    """hash of the new ``set.json``"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwapState:
    """What stands beside a set, in words. ``clear``: nothing of padbank's."""

    kind: Kind
    text: str
    journal: Journal | None = None


@dataclass(frozen=True, slots=True)
class _Names:
    parent: Path
    name: str

    @property
    def set(self) -> Path:
        return self.parent / self.name

    @property
    def writing(self) -> Path:
        return self.parent / (self.name + WRITING)

    @property
    def swap(self) -> Path:
        return self.parent / (self.name + SWAP)


def free_name(parent: Path, name: str, ending: str) -> str:
    """A folder name beside the set that nothing has yet."""
    count, free = 1, name + ending
    while exists(parent / free):
        count += 1
        free = f"{name}{ending}-{count}"
    return free


# ---------------------------------------------------------------- markers with their own hash


def _seal(body: dict[str, Any]) -> bytes:
    text = json.dumps(body, sort_keys=True, indent=1, ensure_ascii=False)
    seal = hashlib.sha256(text.encode("utf-8")).hexdigest()
    return json.dumps(
        {"body": body, "sha256": seal}, sort_keys=True, indent=1, ensure_ascii=False
    ).encode("utf-8")


def _unseal(path: Path) -> dict[str, Any] | None:
    """What a marker says, or None when it is not whole."""
    try:
        outer = json.loads(path.read_bytes().decode("utf-8"))
        body = outer["body"]
        text = json.dumps(body, sort_keys=True, indent=1, ensure_ascii=False)
        whole = outer["sha256"] == hashlib.sha256(text.encode("utf-8")).hexdigest()
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return body if whole and isinstance(body, dict) else None


def _read_journal(path: Path) -> Journal | None:
    body = _unseal(path)
    if body is None:
        return None
    try:
        journal = Journal(
            new_folder=body["new_folder"],
            old_folder=body["old_folder"],
            same=tuple((a, b) for a, b in body["same"]),
            others=tuple(body["others"]),
            remove=tuple(body["remove"]),
            new_sizes=tuple((p, int(n)) for p, n in body["new_sizes"]),
            old_sizes=tuple((p, int(n)) for p, n in body["old_sizes"]),
            set_sha256=body["set_sha256"],
        )
    except (KeyError, TypeError, ValueError):
        return None
    paths = [p for pair in journal.same for p in pair] + [*journal.remove, journal.new_folder]
    if any(path_fault(p) for p in paths) or any(_leads_out(p) for p in journal.others):
        return None
    return journal


def _leads_out(path: str) -> bool:
    """Whether a path that is not padbank's own could point outside the set's folder."""
    return "\\" in path or ":" in path or any(part in ("", ".", "..") for part in path.split("/"))


# ---------------------------------------------------------------- looking


def look(parent: Path, name: str) -> SwapState:
    """What an earlier export left beside the set ``name`` in ``parent``. Changes nothing."""
    names = _Names(parent, name)
    journal = _read_journal(names.swap) if exists(names.swap) else None
    if journal is not None:
        return _look_journal(names, journal)
    old = parent / (name + OLD)
    if not exists(names.set) and exists(old):
        return SwapState(
            kind="lost",
            text=f"the set {name} is missing in {parent} and its old folder {old.name} is there without a "
            f"journal: rename {old.name} to {name}, then export again",
        )
    if exists(names.writing) or exists(names.swap):
        what = (
            "the set here is the old one and whole" if exists(names.set) else "no set is here yet"
        )
        return SwapState(
            kind="writing",
            text=f"an export of {name} to {parent} stopped before it was complete; {what}; export again to finish",
        )
    return SwapState(kind="clear", text="")


def _look_journal(names: _Names, journal: Journal) -> SwapState:
    name, parent = names.name, names.parent
    new = parent / journal.new_folder
    old = None if journal.old_folder is None else parent / journal.old_folder
    old_there = old is not None and exists(old)
    if not exists(new) and exists(names.set):
        if _is_set(names.set, journal.set_sha256):
            return SwapState(
                kind="cleaning",
                journal=journal,
                text=f"the set {name} in {parent} is the new one; what is left of the old one goes with the next export",
            )
    elif exists(new) and not (exists(names.set) and (old_there or old is None)):
        if _forward_fault(names, journal) is None or _back_fault(names, journal) is None:
            if exists(names.set):
                how = "it is still the old one and whole; export again to finish"
            else:
                how = "it is between its old and its new form; export again to finish, and don't play from it until then"
            return SwapState(
                kind="swapping",
                journal=journal,
                text=f"an export to {parent} stopped while it swapped the set {name}: {how}",
            )
    elif not exists(new) and old_there and _back_fault(names, journal) is None:
        return SwapState(
            kind="swapping",
            journal=journal,
            text=f"an export to {parent} stopped and its new files are gone; the old set {name} is whole in "
            f"{journal.old_folder}: export again and it will be put back",
        )
    there = [n for n in (name, journal.new_folder, journal.old_folder) if n and exists(parent / n)]
    return SwapState(
        kind="lost",
        journal=journal,
        text=f"an export to {parent} stopped while it swapped the set {name} and files have changed since: "
        f"there are {', '.join(there) or 'no folders of it'}; keep the folder that you want under the name "
        f"{name}, move the others and {names.swap.name} away, then export again",
    )


def _is_set(folder: Path, set_sha256: str) -> bool:
    try:
        return hash_file(folder / SET_NAME) == set_sha256
    except OSError:
        return False


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size if path.is_file() else None
    except OSError:
        return None


def _forward_fault(names: _Names, journal: Journal) -> str | None:
    """The first file that is missing for the new set, or None when it can be completed."""
    new = names.parent / journal.new_folder
    old = _old_place(names, journal)
    sources = {path: source for source, path in journal.same}
    for path, n_bytes in journal.new_sizes:
        if _size(new / path) == n_bytes:
            continue
        if path in sources and old is not None and _size(old / sources[path]) == n_bytes:
            continue
        return path
    return None


def _back_fault(names: _Names, journal: Journal) -> str | None:
    """The first file that is missing for the old set, or None when it can be put back."""
    if journal.old_folder is None:
        return None
    old = _old_place(names, journal)
    targets = dict(journal.same)
    for path, n_bytes in journal.old_sizes:
        if old is not None and _size(old / path) == n_bytes:
            continue
        if path in targets and _size(names.parent / journal.new_folder / targets[path]) == n_bytes:
            continue
        return path
    return None


def _old_place(names: _Names, journal: Journal) -> Path | None:
    """Where the old set is now: set aside, or still under its own name."""
    if journal.old_folder is None:
        return None
    aside = names.parent / journal.old_folder
    if exists(aside):
        return aside
    return names.set if exists(names.set) else None


# ---------------------------------------------------------------- writing beside


def begin(parent: Path, name: str, paths: Iterable[str], ops: FileOps) -> Path:
    """Say what is about to be written, then make the folder for it beside the old set."""
    names = _Names(parent, name)
    folder = free_name(parent, name, NEW)
    ops.write_file(names.writing, _seal({"new_folder": folder, "paths": sorted(paths)}))
    ops.sync_folder(parent)
    ops.make_folder(parent / folder)
    return parent / folder


def give_up(parent: Path, name: str, ops: FileOps) -> None:
    """Remove what an unfinished export wrote beside the old set, and nothing else."""
    names = _Names(parent, name)
    ops.unlink(names.swap)
    body = _unseal(names.writing)
    if body is not None:
        folder, paths = body.get("new_folder"), body.get("paths")
        if isinstance(folder, str) and isinstance(paths, list) and not path_fault(folder):
            _remove_files(parent / folder, [p for p in paths if isinstance(p, str)], ops)
    ops.unlink(names.writing)


def _remove_files(folder: Path, paths: Iterable[str], ops: FileOps) -> None:
    """Remove these files, then every folder that they leave empty, ``folder`` too."""
    if not folder.is_dir():
        return
    folders = {folder}
    for path in sorted(paths):
        if path_fault(path):
            continue
        ops.unlink(folder / path)
        folders.update(p for p in (folder / path).parents if folder in p.parents)
    for inner in sorted(folders, key=lambda p: len(p.parts), reverse=True):
        ops.remove_folder(inner)


# ---------------------------------------------------------------- swapping


def swap_in(parent: Path, name: str, journal: Journal, ops: FileOps) -> None:
    """Put the new set in the old one's place.

    Raises
    ------
    CardError : a step failed. The old set was put back whole, or, where that
        failed too, the text says that the next export finishes it.
    """
    names = _Names(parent, name)
    try:
        ops.write_file(names.swap, _seal(asdict(journal)))
        ops.sync_folder(parent)
        _forward(names, journal, ops)
    except BaseException as fault:
        if not exists(parent / journal.new_folder) and _is_set(names.set, journal.set_sha256):
            if isinstance(fault, OSError):
                return  # the new set is in its place; what is left of the old one goes next time
            raise
        try:
            _back(names, journal, ops)
        except OSError:
            if not isinstance(fault, OSError):
                raise fault from None
            raise CardError(
                f"the set {name} in {parent} could not be swapped ({say(fault)}) nor put back: "
                "close programs that have its files open and export again, which finishes it; "
                "don't play from it until then"
            ) from None
        if isinstance(fault, OSError):
            whole = "the old set is untouched" if journal.old_folder else "no set was written"
            raise CardError(
                f"the set {name} in {parent} could not be swapped in ({say(fault)}); {whole}: "
                "close programs that have its files open and export again"
            ) from None
        raise


def recover(parent: Path, name: str, ops: FileOps) -> str | None:
    """Finish what an earlier export left, forward where possible, else back; say what was done.

    Raises
    ------
    CardError : neither way is open; nothing is touched and the text says what is there.
    """
    names = _Names(parent, name)
    state = look(parent, name)
    if state.kind == "clear":
        return None
    if state.kind == "lost":
        raise CardError(state.text)
    try:
        if state.kind == "writing":
            give_up(parent, name, ops)
            return f"removed what an unfinished export of {name} had written beside"
        assert state.journal is not None
        if state.kind == "cleaning":
            _clean(names, state.journal, ops)
            return f"removed what was left of the old set {name}"
        if (
            exists(parent / state.journal.new_folder)
            and _forward_fault(names, state.journal) is None
        ):
            _forward(names, state.journal, ops)
            return f"finished the swap of the set {name} that had stopped"
        _back(names, state.journal, ops)
        return f"put the old set {name} back after a swap that had stopped"
    except OSError as fault:
        raise CardError(
            f"the set {name} in {parent} is left from an export that stopped and could not be finished "
            f"({say(fault)}): close programs that have its files open and export again"
        ) from None


def _forward(names: _Names, journal: Journal, ops: FileOps) -> None:
    new = names.parent / journal.new_folder
    if exists(new):
        old = None if journal.old_folder is None else names.parent / journal.old_folder
        if old is not None:
            if not exists(old):
                ops.rename(names.set, old)
                ops.sync_folder(names.parent)
            for source, target in journal.same:
                if not exists(new / target):
                    ops.make_folder((new / target).parent)
                    ops.rename(old / source, new / target)
            for path in journal.others:
                if exists(old / path) and not exists(new / path):
                    ops.make_folder((new / path).parent)
                    ops.rename(old / path, new / path)
            for folder in sorted({(new / p).parent for p, _ in journal.new_sizes}):
                ops.sync_folder(folder)
        ops.rename(new, names.set)
        ops.sync_folder(names.parent)
    _clean(names, journal, ops)


def _clean(names: _Names, journal: Journal, ops: FileOps) -> None:
    if journal.old_folder is not None:
        listed = [*journal.remove, *(source for source, _ in journal.same), *journal.others]
        listed += [path for path, _ in journal.new_sizes]  # empty folders of the same names
        old = names.parent / journal.old_folder
        if old.is_dir():
            _remove_files(old, journal.remove, ops)
            _remove_empty(old, listed, ops)
    ops.unlink(names.writing)
    ops.unlink(names.swap)
    ops.sync_folder(names.parent)


def _remove_empty(folder: Path, paths: Iterable[str], ops: FileOps) -> None:
    """Remove the folders of these paths where they are empty now, ``folder`` last."""
    if not folder.is_dir():
        return
    inner = {p for path in paths for p in (folder / path).parents if folder in p.parents}
    for each in sorted(inner, key=lambda p: len(p.parts), reverse=True):
        ops.remove_folder(each)
    ops.remove_folder(folder)


def _back(names: _Names, journal: Journal, ops: FileOps) -> None:
    new = names.parent / journal.new_folder
    if journal.old_folder is not None:
        old = names.parent / journal.old_folder
        if exists(old):
            pairs = [*journal.same, *((path, path) for path in journal.others)]
            for source, target in reversed(pairs):
                if exists(new / target) and not exists(old / source):
                    ops.rename(new / target, old / source)
            ops.rename(old, names.set)
            ops.sync_folder(names.parent)
    _remove_empty(new, [*(target for _, target in journal.same), *journal.others], ops)
    give_up(names.parent, names.name, ops)


def say(fault: OSError) -> str:
    """What the system answered, with the file's name where it is known."""
    where = f": {Path(fault.filename).name}" if isinstance(fault.filename, str) else ""
    return f"{fault.strerror or fault}{where}"


WRITE_PROTECTED = 19
"""ERROR_WRITE_PROTECT of Windows, which Python gives the number of "permission denied"."""


def next_step(fault: OSError) -> str:
    """What to do about what the system answered."""
    if fault.errno == errno.EROFS or getattr(fault, "winerror", None) == WRITE_PROTECTED:
        return LOCKED
    if fault.errno in (errno.EACCES, errno.EPERM):
        return "you may not write there, or another program holds a file open: close it, or choose another folder"
    if fault.errno == errno.ENOSPC:
        return "free some room or use a larger card, then export again"
    return "check the card and export again"
