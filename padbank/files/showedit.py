"""Edits of a show's text, piece by piece, that keep its comments, order and line endings.

Each function takes the text and returns the text; the outcome is read again
before it is returned, so that an edit can never leave a file that is no show.

Functions: ``set_top``, ``set_level``, ``add_segment``, ``set_segment``,
``remove_segment``, ``move_segment``, ``add_want``, ``set_want``,
``remove_want``, ``rename_clip``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

import tomlkit
import tomlkit.items

from padbank.domain import Want, check_name
from padbank.errors import InputError
from padbank.files.showfile import show_from_toml

TOP = ("title", "date", "rig", "like", "rights", "always_bank")
LEVEL = ("target_lufs", "ceiling_dbtp", "hit_offset_lu", "rule", "limit_max_db")
SEGMENT = ("title", "bank", "any_time")
WANT = ("hits", "must", "value", "count")

_PLAIN: dict[str, Any] = {"hits": None, "must": False, "value": 1.0, "count": 1}


def _simple(key: str, value: Any, *, none: bool = False) -> None:
    """Raise InputError unless ``value`` is a text, a number or yes or no (or, with ``none``, nothing)."""
    good = isinstance(value, (str, int, float)) or (none and value is None)
    if isinstance(value, str):
        good = not any(0xD800 <= ord(c) <= 0xDFFF for c in value)
    if not good:
        raise InputError(f"{key} is {value!r}: write a word or a number")


def set_top(text: str, key: str, value: Any) -> str:
    """Set one of ``TOP``; None takes the line away."""
    if key not in TOP:
        raise InputError(f"a show has no {key!r} to set: it has {', '.join(TOP)}")
    _simple(key, value, none=True)
    if key == "date" and isinstance(value, str):
        try:
            value = date.fromisoformat(value)
        except ValueError:
            raise InputError(f"date {value!r}: write year-month-day, such as 2026-12-05") from None

    def change(document: tomlkit.TOMLDocument) -> None:
        if value is None or value == "":
            if key in document:
                document.remove(key)
        else:
            document[key] = value

    if value not in (None, "") and key not in tomlkit.parse(_plain(text)):
        return _with_line(text, f"{key} = {tomlkit.item(value).as_string()}")
    return edited(text, change)


def set_level(text: str, key: str, value: Any) -> str:
    """Set one of ``LEVEL``."""
    if key not in LEVEL:
        raise InputError(f"a show's level has no {key!r}: it has {', '.join(LEVEL)}")
    _simple(key, value)

    def change(document: tomlkit.TOMLDocument) -> None:
        if "level" not in document:
            document.append("level", tomlkit.table())
        level: Any = document["level"]
        level[key] = value

    return edited(text, change)


def add_segment(text: str, name: str, title: str = "", *, any_time: bool = False) -> str:
    """A new segment, after the others."""
    check_name("segment", name)
    _simple("title", title)

    def change(document: tomlkit.TOMLDocument) -> None:
        segments = _segments(document)
        if any(s.get("name") == name for s in segments):
            raise InputError(f"there is a segment {name!r} already: choose another name")
        inline = isinstance(segments, tomlkit.items.Array)
        new: Any = tomlkit.inline_table() if inline else tomlkit.table()
        new["name"] = name
        if title:
            new["title"] = title
        if any_time:
            new["any_time"] = True
        if not inline:
            new["wants"] = tomlkit.array().multiline(True)
            new.add(tomlkit.nl())
        segments.append(new)

    return edited(text, change)


def set_segment(text: str, name: str, key: str, value: Any) -> str:
    """Set one of ``SEGMENT`` of a segment; None takes the line away."""
    if key not in SEGMENT:
        raise InputError(f"a segment has no {key!r} to set: it has {', '.join(SEGMENT)}")
    _simple(key, value, none=True)

    def change(document: tomlkit.TOMLDocument) -> None:
        segment = _segment(document, name)
        if value is None or value == "" or value is False:
            if key in segment:
                segment.remove(key)
        elif key in segment or "wants" not in segment or not hasattr(segment, "value"):
            segment[key] = value
        else:
            wants = segment["wants"]  # a new key goes before the wants, where a person would write it
            segment.remove("wants")
            segment[key] = value
            segment["wants"] = wants

    return edited(text, change)


def remove_segment(text: str, name: str) -> str:
    """Take a segment with its wants away."""

    def change(document: tomlkit.TOMLDocument) -> None:
        segments = _segments(document)
        if len(segments) == 1:
            raise InputError("a show needs a segment: add another before you take this one away")
        del segments[_at(document, name)]

    return edited(text, change)


def move_segment(text: str, name: str, by: int) -> str:
    """Move a segment earlier (``by`` < 0) or later in the show."""

    def change(document: tomlkit.TOMLDocument) -> None:
        segments = _segments(document)
        at = _at(document, name)
        to = min(len(segments) - 1, max(0, at + by))
        if to == at:
            return
        order = list(range(len(segments)))
        order.insert(to, order.pop(at))
        bodies = [segments[i] for i in order]
        if isinstance(segments, tomlkit.items.AoT):
            document["segments"] = tomlkit.items.AoT([*bodies])
        else:
            for i, body in enumerate(bodies):
                segments[i] = body

    return edited(text, change)


def add_want(text: str, segment: str, want: Want) -> str:
    """A want at the end of a segment's."""

    def change(document: tomlkit.TOMLDocument) -> None:
        inside = _segment(document, segment)
        new = tomlkit.inline_table()
        if want.clip is not None:
            new["clip"] = want.clip
        else:
            new["tag"] = want.tag
        for key in ("count", "hits", "must", "value"):
            value = getattr(want, key)
            if key == "hits" or value != _PLAIN[key]:
                new[key] = _tidy(value)
        if "wants" not in inside:
            inside["wants"] = tomlkit.array().multiline(True)
        wants: Any = inside["wants"]
        if isinstance(wants, tomlkit.items.Array) and len(wants) == 0 and "\n" not in wants.as_string():
            fresh = tomlkit.array()
            fresh.add_line(new)
            fresh.add_line(indent="")
            inside["wants"] = fresh
            return
        wants.append(new)

    return edited(text, change)


def set_want(text: str, segment: str, index: int, changes: Mapping[str, Any]) -> str:
    """Change fields of ``WANT`` of one want; a usual value takes its field away."""
    for key, value in changes.items():
        if key not in WANT:
            raise InputError(f"a want has no {key!r} to set: it has {', '.join(WANT)}")
        _simple(key, value, none=True)

    def change(document: tomlkit.TOMLDocument) -> None:
        want = _want(document, segment, index)
        for key, value in changes.items():
            if value is None or value == _PLAIN[key]:
                if key in want:
                    del want[key]
            else:
                want[key] = _tidy(value)

    return edited(text, change)


def remove_want(text: str, segment: str, index: int) -> str:
    """Take one want away."""

    def change(document: tomlkit.TOMLDocument) -> None:
        _want(document, segment, index)
        del _segment(document, segment)["wants"][index]

    return edited(text, change)


def rename_clip(text: str, old: str, new: str) -> str:
    """The same show with a clip under its new name: in wants, pins, ``apart`` and ``together``."""

    def change(document: tomlkit.TOMLDocument) -> None:
        wants = [want for segment in document.get("segments", []) for want in segment.get("wants", [])]
        for table in (*wants, *document.get("pins", [])):
            if table.get("clip") == old:
                table["clip"] = new
        for group in (*document.get("apart", []), *document.get("together", [])):
            for index, name in enumerate(group):
                if name == old:
                    group[index] = new

    return edited(text, change)


# ---------------------------------------------------------------- parts


def _plain(text: str) -> str:
    return text.removeprefix("\ufeff").replace("\r\n", "\n")


def _with_line(text: str, line: str) -> str:
    """The text with a line after the show's name: a new key has to stand before the first table."""
    show_from_toml(text)
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines(keepends=True)
    at = next(i for i, each in enumerate(lines) if re.match(r"\ufeff?\s*[\"']?name[\"']?\s*=", each))
    lines[at] = lines[at].rstrip("\r\n") + end
    lines.insert(at + 1, line + end)
    result = "".join(lines)
    show_from_toml(result)
    return result


def _segments(document: tomlkit.TOMLDocument) -> Any:
    if "segments" not in document:
        document.append("segments", tomlkit.aot())
    return document["segments"]


def _at(document: tomlkit.TOMLDocument, name: str) -> int:
    for index, segment in enumerate(_segments(document)):
        if segment.get("name") == name:
            return index
    raise InputError(f"there is no segment {name!r} in this show: look at it anew")


def _segment(document: tomlkit.TOMLDocument, name: str) -> Any:
    return _segments(document)[_at(document, name)]


def _want(document: tomlkit.TOMLDocument, segment: str, index: int) -> Any:
    wants = _segment(document, segment).get("wants", [])
    if not 0 <= index < len(wants):
        raise InputError(f"segment {segment!r} has no want number {index + 1}: look at it anew")
    return wants[index]


def _tidy(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value.is_integer() else value


def edited(text: str, change: Callable[[tomlkit.TOMLDocument], None]) -> str:
    """Apply ``change`` to the text of a good show; the outcome is a good show or an error."""
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    crlf = "\r\n" in text
    plain = _plain(text)
    show_from_toml(plain)
    if not plain.endswith("\n"):
        plain += "\n"
    document = tomlkit.parse(plain)
    change(document)
    result = tomlkit.dumps(document)
    show_from_toml(result)
    return mark + (result.replace("\n", "\r\n") if crlf else result)
