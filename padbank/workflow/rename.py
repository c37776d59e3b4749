"""A clip under another name: shows that name it follow.

The catalogue renames a clip in its layouts and takes by itself; this does it
in the shows' files, where comments and order stay.

Function: ``rename_in_shows``. Class: ``Renamed``.
"""

from __future__ import annotations

from dataclasses import dataclass

from padbank.errors import PadbankError
from padbank.files.showedit import rename_clip
from padbank.store.library import Library
from padbank.workflow.revisions import change_text


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
            if not any(f"{quote}{old}{quote}" in before for quote in "\"'"):
                continue
            after = change_text(library, path, None, lambda text: rename_clip(text, old, new))
        except (PadbankError, OSError, UnicodeDecodeError) as error:
            left.append((path.stem, str(error)))
            continue
        if after.replace("\r\n", "\n") != before:
            done.append(path.stem)
    return Renamed(shows=tuple(done), left=tuple(left))
