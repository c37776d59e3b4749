"""Reading what is in a set's folder: which set it is, whether it is whole, what is not padbank's.

Answers: can this be played from, and which of its files can stay in a new set.
Changes nothing.

Classes: ``SetOnCard``, ``OldSet``. Functions: ``read_set``, ``find_sets``,
``room_together``, ``is_system_name``, ``size_of``.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from padbank.cardlimits import CLUSTER_BYTES, in_clusters
from padbank.cardnames import same_name_key
from padbank.domain import PlannedFile
from padbank.errors import CardError
from padbank.files import swap
from padbank.files.fileops import exists, hash_file
from padbank.files.setfile import SET_NAME, CardSet, ExtraFile, SetFile, from_bytes

State = Literal["none", "whole", "incomplete", "damaged", "interrupted", "foreign"]

_SYSTEM_NAMES = {".ds_store", "thumbs.db", "desktop.ini", "system volume information", ".spotlight-v100",
                 ".trashes", ".fseventsd", ".temporaryitems", "$recycle.bin"}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SetOnCard:
    """What is in a set's folder.

    ``whole``: the list is sound and every listed file has its size (``verify``
    looks closer). ``incomplete``: listed files are missing or differ in size.
    ``damaged``: the list cannot be read or was changed. ``interrupted``: an
    export stopped; ``text`` says which set is here and how to finish.
    ``foreign``: files, but none of padbank's. ``none``: nothing.
    """

    folder: Path
    state: State
    text: str
    card: CardSet | None = None
    left: str = ""
    """what an earlier export left beside a whole set, in words"""


# ---------------------------------------------------------------- reading


def read_set(folder: Path) -> SetOnCard:
    """Say which set is in ``folder`` (the set's own), and whether it is whole. Changes nothing."""
    folder = Path(folder)
    beside = swap.look(folder.parent, folder.name)
    if beside.kind in ("swapping", "lost") and (beside.kind == "lost" or not exists(folder)):
        return SetOnCard(folder=folder, state="interrupted", text=beside.text)
    if not exists(folder):
        state: State = "none" if beside.kind == "clear" else "interrupted"
        return SetOnCard(
            folder=folder, state=state, text=beside.text or f"{folder}: no set is here"
        )
    if not folder.is_dir() or folder.is_symlink():
        return SetOnCard(
            folder=folder, state="foreign", text=f"{folder}: is not a folder of its own"
        )
    if not exists(folder / SET_NAME):
        others = [n for n in os.listdir(folder) if not is_system_name(n)]
        if others:
            text = (
                f"{folder}: holds {others[0]} and no {SET_NAME}, so it is no set that padbank wrote"
            )
            return SetOnCard(folder=folder, state="foreign", text=text)
        return SetOnCard(
            folder=folder, state="none", text=f"{folder}: no set is here", left=beside.text
        )
    try:
        card = from_bytes((folder / SET_NAME).read_bytes(), folder / SET_NAME)
    except (CardError, OSError) as fault:
        return SetOnCard(folder=folder, state="damaged", text=str(fault), left=beside.text)
    wrong = [
        path for path, n_bytes in sorted(card.sizes.items()) if size_of(folder / path) != n_bytes
    ]
    if wrong:
        more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        return SetOnCard(
            folder=folder,
            state="incomplete",
            card=card,
            left=beside.text,
            text=f"{folder}: {wrong[0]}{more} missing or of another size than {SET_NAME} says; export the show again",
        )
    text = f"{folder}: the set {card.show}, layout {card.layout}, {len(card.files)} files"
    return SetOnCard(folder=folder, state="whole", card=card, text=text, left=beside.text)


def find_sets(folder: Path) -> list[Path]:
    """Folders of sets at or directly below ``folder``, interrupted ones too, in order of name."""
    folder = Path(folder)
    if exists(folder / SET_NAME):
        return [folder]
    if not folder.is_dir():
        return [folder] if swap.look(folder.parent, folder.name).kind != "clear" else []
    found = set()
    for entry in os.scandir(folder):
        if entry.is_dir(follow_symlinks=False) and exists(folder / entry.name / SET_NAME):
            ending = next((e for e in (swap.NEW, swap.OLD) if e in entry.name), None)
            found.add(entry.name.split(ending)[0] if ending else entry.name)
        for marker in (swap.WRITING, swap.SWAP):
            if entry.name.endswith(marker):
                found.add(entry.name.removesuffix(marker))
    return [folder / name for name in sorted(found)]


def room_together(folder: Path) -> dict[str, int]:
    """Room in bytes that all sets at or directly below ``folder`` take on the card of each device,
    in whole clusters, with their folders and other files; sets whose list cannot be read count nothing."""
    rooms: dict[str, int] = {}
    for each in find_sets(folder):
        card = read_set(each).card
        if card is None:
            continue
        extras = sum(in_clusters(f.n_bytes) for f in card.extras)
        for device in {f.device for f in card.files}:
            own = [f for f in card.files if f.device == device]
            folders = {f.path.rpartition("/")[0] for f in own} | {""}
            room = sum(in_clusters(f.n_bytes) for f in own) + extras + CLUSTER_BYTES * len(folders)
            rooms[device] = rooms.get(device, 0) + room
    return rooms


def is_system_name(name: str) -> bool:
    """Names that operating systems put on cards by themselves."""
    return name.lower() in _SYSTEM_NAMES or name.startswith("._")


def size_of(path: Path) -> int | None:
    """Size of a regular file, or None when there is none of this name."""
    return path.stat().st_size if path.is_file() and not path.is_symlink() else None


# ---------------------------------------------------------------- what is there already


class OldSet:
    """The old set's files, hashed when asked, each given away once."""

    def __init__(self, on_card: SetOnCard) -> None:
        self.folder = on_card.folder
        self.card = on_card.card
        self.listed: dict[str, str] = {}
        if self.card is not None:
            listed: list[SetFile | ExtraFile] = [*self.card.files, *self.card.extras]
            self.listed = {file.path: file.sha256 for file in listed}
        self.sizes = {p: n for p in self.listed if (n := size_of(self.folder / p)) is not None}
        files = [p for p in (*self.sizes, SET_NAME) if size_of(self.folder / p) is not None]
        self._spelt = {same_name_key(p): p for p in files}
        self._actual: dict[str, str] = {}
        self._by_hash: dict[str, list[str]] = defaultdict(list)
        for path in sorted(self.sizes):
            self._by_hash[self.listed[path]].append(path)
        self._by_key: dict[tuple[str, object], SetFile] = {}
        for file in self.card.files if self.card is not None else ():
            if file.source_key:
                self._by_key.setdefault((file.source_key, _form(file)), file)

    def is_sound(self, path: str) -> bool:
        """Whether the file still has the bytes that were written (all of it is read)."""
        if path not in self.sizes:
            return False
        if path not in self._actual:
            self._actual[path] = hash_file(self.folder / path)
        return self._actual[path] == self.listed[path]

    def known(self, planned: PlannedFile) -> SetFile | None:
        """A sound of the old set with the same source key whose bytes are still right."""
        if not planned.source_key:
            return None
        row = self._by_key.get((planned.source_key, _form(planned)))
        if row is None:
            return None
        return row if any(self.is_sound(p) for p in self._by_hash[row.sha256]) else None

    def take(self, sha256: str, path: str) -> str | None:
        """A sound file with these bytes that nobody took yet, the one at ``path`` first."""
        paths = self._by_hash.get(sha256, [])
        for candidate in sorted(paths, key=lambda p: (p != path, p)):
            if self.is_sound(candidate):
                paths.remove(candidate)
                return candidate
        return None

    def others(self, wanted: Iterable[str] = ()) -> list[str]:
        """Topmost files and folders that are not padbank's.

        Folders that the old or the ``wanted`` files need are looked into; any
        other folder is named as one.
        """
        shared = _folder_keys([*self.listed, *wanted])
        found: list[str] = []

        def walk(relative: str) -> None:
            for name in sorted(os.listdir(self.folder / relative)):
                path = f"{relative}/{name}" if relative else name
                inside = self.folder / path
                if inside.is_dir() and not inside.is_symlink() and same_name_key(path) in shared:
                    walk(path)
                elif not self._is_own(path):
                    found.append(path)

        if self.folder.is_dir():
            walk("")
        return found

    def _is_own(self, path: str) -> bool:
        """Whether a name on the card is a listed file's, in another spelling too where the card has one name."""
        if path in self.sizes:
            return True
        listed = self._spelt.get(same_name_key(path))
        if listed is None:
            return False
        return os.path.samestat(os.lstat(self.folder / path), os.lstat(self.folder / listed))


def _folder_keys(paths: Iterable[str]) -> set[str]:
    """Keys of all folders above these paths."""
    keys = [same_name_key(p) for p in paths]
    return {"/".join(k.split("/")[:i]) for k in keys for i in range(1, k.count("/") + 1)}


def _form(file: PlannedFile | SetFile) -> object:
    return (
        file.clip,
        file.channels,
        file.sample_rate_hz,
        file.bits,
        file.loop_chunk,
        file.mono_plays_both_sides,
    )
