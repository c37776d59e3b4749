"""Edits that never overwrite an edit: what was seen is compared with what is there now.

A *revision* is a short hash of all that a person can change of a clip or of a
file's text. Whoever edits says which revision they saw; when it is another by
now (another tab, a command beside the page), nothing is changed and
``ChangedMeanwhile`` tells the later one.

Functions: ``clip_revision``, ``text_revision``, ``clip_as_seen``,
``change_text``.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

from padbank.domain import Clip
from padbank.errors import InputError, StoreError
from padbank.files.fileops import sync
from padbank.store.library import Library


class ChangedMeanwhile(StoreError):
    """What was to be edited is no longer what the person saw."""


def clip_revision(clip: Clip) -> str:
    """A short hash of a clip's name, recipe, tags and rights."""
    seen = [clip.name, asdict(clip.recipe), clip.tags, clip.licence, clip.credit]
    return hashlib.sha256(json.dumps(seen, sort_keys=True).encode()).hexdigest()[:16]


def text_revision(text: str) -> str:
    """A short hash of a file's text."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@contextmanager
def clip_as_seen(library: Library, name: str, seen: str | None) -> Iterator[Clip]:
    """The clip, held against other writers until the block ends.

    Raises
    ------
    ChangedMeanwhile
        when its revision is not ``seen`` (None: whatever it is now)
    """
    with library.catalogue.atomic():
        if seen and library.catalogue.clip_named(name) is None:
            raise ChangedMeanwhile(f"{name} is gone: it was renamed or removed elsewhere since this page read it")
        clip = library.clip(name)
        if seen and clip_revision(clip) != seen:
            raise ChangedMeanwhile(
                f"{name} was changed elsewhere since this page read it: look at it as it is now, then repeat your edit"
            )
        yield clip


def change_text(
    library: Library, path: Path, seen: str | None, change: Callable[[str], str]
) -> str:
    """Replace a show's or rig's text by ``change(text)``, whole or not at all; returns the new text.

    Raises
    ------
    ChangedMeanwhile
        when the file's revision is not ``seen`` (None: whatever it is now)
    """
    with library.catalogue.atomic():
        text = _text_of(path)
        if seen and text_revision(text) != seen:
            raise _changed(path)
        new = change(text)
        if new != text:
            temporary = path.with_name(f".{path.name}.new")
            try:
                with open(temporary, "wb") as file:
                    file.write(new.encode("utf-8"))
                    sync(file)
                if _text_of(path) != text:  # an editor takes no lock: it may have saved while this was written
                    raise _changed(path)
                os.replace(temporary, path)
            except BaseException:
                temporary.unlink(missing_ok=True)
                raise
        return new


def _text_of(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name} cannot be read: check that it is there and is UTF-8 text") from error


def _changed(path: Path) -> ChangedMeanwhile:
    return ChangedMeanwhile(
        f"{path.name} was changed elsewhere since this page read it: look at it as it is now, then repeat your edit"
    )
