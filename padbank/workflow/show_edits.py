"""A show as a person edits it on a page: what it wants, what is missing, one edit at a time.

Typed words become wants: a clip's name is that clip, a tag is "so many clips
with this tag", with a number before it for how many (``3 laugh``), ``x8`` for
the expected hits and ``must`` or ``!`` for a must. Edits go through
``revisions.change_text``, so that nobody's edit is lost.

Functions: ``list_shows``, ``read_words``, ``seen_show``, ``edit_show``.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from padbank.domain import Finding, Rig, Show, Want
from padbank.errors import InputError
from padbank.files import showedit
from padbank.files.showfile import load_show, show_from_toml
from padbank.layout.rigcheck import check_rig
from padbank.layout.showcheck import check_show
from padbank.store.library import Library
from padbank.workflow.revisions import change_text, text_revision
from padbank.workflow.shows import find_rig_file, find_show_file, open_show

_COUNT = re.compile(r"^\d{1,3}$")
_HITS = re.compile(r"^[x×](\d+(?:\.\d+)?)$|^(\d+(?:\.\d+)?)[x×]$")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowRow:
    """One show of the library; ``fault`` says why its file cannot be read, ``last`` that it was laid out last of all."""

    name: str
    title: str = ""
    date: date | None = None
    rig: str = ""
    fault: str | None = None
    last: bool = False
    laid_out: bool = False


def list_shows(library: Library) -> list[ShowRow]:
    """Every show of the library by its file's name."""
    rows = []
    last = library.catalogue.last_laid_out()
    laid_out = library.catalogue.shows_laid_out()
    for path in sorted(library.shows.glob("*.toml")):
        try:
            show = load_show(path)
        except InputError as error:
            rows.append(ShowRow(name=path.stem, fault=str(error)))
            continue
        rows.append(
            ShowRow(
                name=path.stem, title=show.title, date=show.date, rig=show.rig,
                last=show.name == last, laid_out=show.name in laid_out,
            )
        )  # fmt: skip
    return rows


def read_words(text: str, clips: Sequence[str], tags: Sequence[str]) -> Want:
    """The want that typed words mean.

    >>> read_words("3 laugh x8 must", [], ["laugh"]).hits
    8.0

    Raises
    ------
    InputError
        when no clip and no tag is meant, naming the nearest ones
    """
    count, hits, must = 1, 1.0, False
    words: list[str] = []
    for word in text.strip().split():
        lower = word.lower()
        if lower in ("must", "!"):
            must = True
        elif match := _HITS.match(lower):
            hits = float(match.group(1) or match.group(2))
        elif _COUNT.match(lower) and not words:
            count = int(lower)
        else:
            words.append(lower)
    named = "-".join(words).rstrip("!")
    must = must or "-".join(words).endswith("!")
    if not named:
        raise InputError("write the name of a clip or a tag, such as: 3 laugh x8 must")
    if named in clips and not (named in tags and count > 1):
        if count != 1:
            raise InputError(f"{named} is one clip: leave the {count} out, or write x{count} for its hits")
        return Want(clip=named, hits=hits, must=must)
    if named in tags:
        return Want(tag=named, count=count, hits=hits, must=must)
    near = difflib.get_close_matches(named, [*clips, *tags], n=3, cutoff=0.5)
    near = near or [name for name in (*clips, *tags) if named in name][:3]
    hint = f"did you mean {' or '.join(near)}?" if near else "the clips' names and tags are listed in Clips"
    raise InputError(f"neither a clip nor a tag is called {named!r}: {hint}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenShow:
    """A show with all that is to be known beside it."""

    show: Show
    rig: Rig
    file: str
    revision: str
    findings: tuple[Finding, ...]
    clips: tuple[str, ...]
    tags: tuple[tuple[str, int], ...]
    missing: tuple[tuple[str, int, str], ...]
    """(segment, number of the want from 0, what is missing)"""


def seen_show(library: Library, name: str) -> SeenShow:
    """Read a show, hold it against the library and its rig, and say what is missing."""
    path = find_show_file(library, name)
    revision = text_revision(path.read_bytes().decode("utf-8", errors="replace"))
    opened = open_show(library, name)
    show, clips = opened.show, opened.clips
    usable = {n for n, c in clips.items() if show.rights == "any" or c.cleared}
    missing = []
    for segment in show.segments:
        for index, want in enumerate(segment.wants):
            text = ""
            if want.clip is not None:
                if want.clip not in clips:
                    text = "no clip of this name"
                elif want.clip not in usable:
                    text = "rights are not cleared"
            else:
                have = sum(want.tag in clips[n].tags for n in usable)
                all_ = sum(want.tag in c.tags for c in clips.values())
                if have < want.count:
                    text = f"{have} of {want.count} there" + (f", {all_ - have} not cleared" if all_ > have else "")
            if text:
                missing.append((segment.name, index, text))
    return SeenShow(
        show=show,
        rig=opened.rig,
        file=str(path),
        revision=revision,
        findings=(*check_rig(opened.rig), *check_show(show, opened.rig, clips)),
        clips=tuple(sorted(clips)),
        tags=tuple(library.catalogue.tag_counts().items()),
        missing=tuple(missing),
    )


def edit_show(library: Library, name: str, seen: str | None, edit: Mapping[str, Any]) -> SeenShow:
    """One edit: ``{"do": …}`` with what it needs.

    ``set`` (key, value), ``level`` (key, value), ``add segment`` (segment,
    title, any_time), ``set segment`` (segment, key, value), ``remove segment``,
    ``move segment`` (segment, by), ``add want`` (segment, words), ``set want``
    (segment, index, changes), ``remove want`` (segment, index).

    Raises
    ------
    InputError, ChangedMeanwhile
    """
    path = find_show_file(library, name)

    def text_of(key: str) -> str:
        value = edit.get(key)
        if not isinstance(value, str):
            raise InputError(f"the edit lacks {key!r}: reload the page")
        return value

    def whole_of(key: str) -> int:
        value = edit.get(key)
        if not isinstance(value, int) or isinstance(value, bool):
            raise InputError(f"the edit lacks {key!r}: reload the page")
        return value

    def change(text: str) -> str:
        do = edit.get("do")
        if do == "set":
            return showedit.set_top(text, text_of("key"), edit.get("value"))
        if do == "level":
            return showedit.set_level(text, text_of("key"), edit.get("value"))
        if do == "add segment":
            return showedit.add_segment(text, text_of("segment"), edit.get("title") or "", any_time=bool(edit.get("any_time")))
        if do == "set segment":
            return showedit.set_segment(text, text_of("segment"), text_of("key"), edit.get("value"))
        if do == "remove segment":
            return showedit.remove_segment(text, text_of("segment"))
        if do == "move segment":
            return showedit.move_segment(text, text_of("segment"), whole_of("by"))
        if do == "add want":
            clips = [c.name for c in library.catalogue.clips()]
            want = read_words(text_of("words"), clips, list(library.catalogue.tag_counts()))
            return showedit.add_want(text, text_of("segment"), want)
        if do == "set want":
            changes = edit.get("changes")
            if not isinstance(changes, dict):
                raise InputError("the edit lacks 'changes': reload the page")
            return showedit.set_want(text, text_of("segment"), whole_of("index"), changes)
        if do == "remove want":
            return showedit.remove_want(text, text_of("segment"), whole_of("index"))
        raise InputError(f"a show cannot be edited by {do!r}: reload the page")

    if edit.get("do") == "set" and edit.get("key") == "rig":
        find_rig_file(library, text_of("value"))
    show_from_toml(change_text(library, path, seen, change), path)
    return seen_show(library, name)
