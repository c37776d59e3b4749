"""Shows that name a clip: they follow when it is renamed, and are told of when it goes.

The catalogue renames a clip in its layouts and takes by itself; this does it
in the shows' files, where comments and order stay.

Functions: ``rename_in_shows``, ``shows_naming``. Class: ``Renamed``.
"""

from __future__ import annotations

from dataclasses import dataclass

from padbank.errors import PadbankError
from padbank.files.showedit import rename_clip
from padbank.store.library import Library
from padbank.workflow.revisions import change_text


def shows_naming(library: Library, clip: str) -> list[str]:
    """Shows whose files name the clip, by name; one that cannot be read is passed over."""
    named = []
    for path in sorted(library.shows.glob("*.toml")):
        try:
            if _says(path.read_text(encoding="utf-8"), clip):
                named.append(path.stem)
        except (OSError, UnicodeDecodeError):
            continue
    return named


def _says(text: str, clip: str) -> bool:
    return any(f"{quote}{clip}{quote}" in text for quote in "\"'")


@dataclass(frozen=True, slots=True, kw_only=True)
class Renamed:
    """Shows whose files say the new name now, and those that still say the old one (with why)."""

    shows: tuple[str, ...]
    left: tuple[tuple[str, str], ...]

    def sentences(self, old: str, new: str) -> list[str]:
        told = [f"{old} is {new} in the shows that name it too: {', '.join(self.shows)}"] if self.shows else []
        return told + [f"show {show} still says {old}: {why}" for show, why in self.left]


def rename_in_shows(library: Library, old: str, new: str) -> Renamed:
    """Write the new name into every show's file that names the clip; one that cannot be changed stops no other."""
    done, left = [], []
    for path in sorted(library.shows.glob("*.toml")):
        try:
            before = path.read_text(encoding="utf-8")
            if not _says(before, old):
                continue
            after = change_text(library, path, None, lambda text: rename_clip(text, old, new))
        except (PadbankError, OSError, UnicodeDecodeError) as error:
            left.append((path.stem, str(error)))
            continue
        if after.replace("\r\n", "\n") != before:
            done.append(path.stem)
    return Renamed(shows=tuple(done), left=tuple(left))
