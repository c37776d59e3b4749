"""The library: one folder with the catalogue, the originals, the rigs and the shows."""

from __future__ import annotations

import difflib
import os
import re
import unicodedata
from pathlib import Path
from types import TracebackType

from platformdirs import user_data_path

from padbank.domain import Clip
from padbank.errors import InputError, StoreError
from padbank.store.catalogue import Catalogue
from padbank.store.originals import original_path

ENVIRONMENT_NAME = "PADBANK_LIBRARY"
CATALOGUE = "catalogue.db"
LIBRARY_PARTS = (CATALOGUE, "originals", "rigs", "shows")
"""What a library folder holds; any of them is enough to know one by."""


def choose_folder(given: str | Path | None) -> Path:
    """The library folder: as given, else ``PADBANK_LIBRARY``, else ``./library`` if it is there,
    else the user's data folder."""
    if given:
        return Path(given).expanduser()
    if named := os.environ.get(ENVIRONMENT_NAME):
        return Path(named).expanduser()
    local = Path("library")
    return local if local.is_dir() else user_data_path("padbank", appauthor=False) / "library"


class Library:
    """An open library. ``with Library(folder) as library: …``."""

    def __init__(self, folder: Path | str) -> None:
        """Open the library in ``folder``, making it when it is not there yet.

        Raises
        ------
        StoreError
            when the folder cannot be made or the catalogue cannot be opened
        """
        self.folder = Path(folder)
        try:
            for part in ("originals", "rigs", "shows"):
                (self.folder / part).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"the library folder {self.folder} cannot be made ({error.strerror}): choose another with --library"
            ) from error
        self.catalogue = Catalogue(self.folder / CATALOGUE)

    @property
    def originals(self) -> Path:
        return self.folder / "originals"

    @property
    def rigs(self) -> Path:
        return self.folder / "rigs"

    @property
    def shows(self) -> Path:
        return self.folder / "shows"

    def close(self) -> None:
        self.catalogue.close()

    def __enter__(self) -> Library:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def original_file(self, clip: Clip) -> Path:
        """Where the bytes of a clip's original lie.

        Raises
        ------
        StoreError
            when the file is not there any more, saying how to bring it back
        """
        path = original_path(self.originals, clip.original.sha256, clip.original.suffix)
        if not path.is_file():
            raise StoreError(
                f"the original of {clip.name} is missing in the library: padbank add {clip.original.source} brings it back"
            )
        return path

    def has_original_file(self, clip: Clip) -> bool:
        """Are the bytes of a clip's original there, as many as there were?"""
        path = original_path(self.originals, clip.original.sha256, clip.original.suffix)
        return path.is_file() and path.stat().st_size == clip.original.n_bytes

    def clip(self, name: str) -> Clip:
        """The clip of that name, or of that beginning of its original's SHA-256 (6 digits or more).

        Raises
        ------
        InputError
            naming the clips that come nearest
        """
        if found := self.catalogue.clip_named(name):
            return found
        names = [c.name for c in self.catalogue.clips()]
        if re.fullmatch(r"[0-9a-f]{6,64}", name):
            by_hash = [c for c in self.catalogue.clips() if c.original.sha256.startswith(name)]
            if len(by_hash) == 1:
                return by_hash[0]
        if (came := self._came_in_as(name)) is not None:
            raise InputError(f"there is no clip named {name!r}: the file of that name is in the library as {came}")
        near = difflib.get_close_matches(name, names, n=3, cutoff=0.6)
        near = near or [n for n in names if name in n][:3]
        hint = f"did you mean {' or '.join(near)}?" if near else "padbank find lists the names"
        raise InputError(f"there is no clip named {name!r}: {hint}")


    def _came_in_as(self, file_name: str) -> str | None:
        """The clip that a file's sound became, by the file's name with its suffix or without."""
        for original, paths in self.catalogue.source_paths().items():
            names = [re.split(r"[\\/]", p)[-1] for p in paths]
            if file_name in (*names, *(n.rpartition(".")[0] for n in names)):
                clip, removed = self.catalogue.clip_of(original) or (None, True)
                return None if removed or clip is None else clip.name
        return None


def clip_name_for(stem: str, taken: set[str]) -> str:
    """A clip name from a file's stem in any script: lower-case letters, digits and hyphens, not yet taken.

    >>> clip_name_for("Große Trommel (2)", set())
    'grosse-trommel-2'
    >>> clip_name_for("Чайка над причалом", set())
    'chayka-nad-prichalom'
    """
    from anyascii import anyascii  # reads its tables from disk: not before a file is added

    plain = anyascii(unicodedata.normalize("NFKC", stem)).replace("'", "").lower()
    base = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "clip"
    name, n = base, 2
    while name in taken:
        name = f"{base}-{n}"
        n += 1
    return name
