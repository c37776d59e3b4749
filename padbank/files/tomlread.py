"""Reading a TOML file that a person wrote: every fault at once, each with its line.

``read_text`` gets the text off the disk (UTF-8, with or without a byte order
mark, any line endings). ``open_document`` parses it with ``tomllib`` and
returns a ``Table``: ask it for the fields that the file may hold, by kind and
range; what is wrong is noted with its line, a harmless value is returned, and
the reading goes on. ``Faults.stop_if_any`` then raises one ConfigError that
lists everything. ``Table.finish`` reports the keys that nobody asked for and
offers the nearest known one.

Functions: ``read_text``, ``open_document``, ``parse_size``, ``suggest_name``, ``joined``.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Sequence
from datetime import date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar, get_args

from padbank.domain import NAME_PATTERN
from padbank.errors import ConfigError, InputError
from padbank.files.tomllines import PathKey, line_numbers

T = TypeVar("T")

LARGEST_FILE_BYTES = 4_000_000
"""A rig or show is a few kilobytes; anything this large is another kind of file."""

FAULTY_NAME = "x"
"""What stands for a name that was at fault, until the faults are raised."""

_SIZE_UNITS = {
    "": 1,
    "b": 1,
    "kb": 1000,
    "mb": 1000**2,
    "gb": 1000**3,
    "kib": 1024,
    "mib": 1024**2,
    "gib": 1024**3,
}


# ---------------------------------------------------------------- text


def read_text(path: Path | str, kind: str) -> str:
    """Text of a rig or show file.

    Parameters
    ----------
    kind : what the file should be, for the error's words: ``"rig"``, ``"show"``.

    Raises
    ------
    ConfigError : not there, not a plain file, far too large, or not UTF-8.
    """
    path = Path(path)
    if not path.exists():
        raise ConfigError(f"there is no such {kind} file: check the name", path=path)
    if not path.is_file():
        raise ConfigError(f"this is not a file: name the {kind}'s .toml file", path=path)
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ConfigError(f"far too large for a {kind} file: name its .toml file", path=path)
        raw = path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise ConfigError(f"cannot be read ({reason}): check its permissions", path=path) from error
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise ConfigError("the text is saved as UTF-16: save it again as UTF-8", path=path)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ConfigError(
            "the text is not UTF-8: save it again as UTF-8", path=path, line=line
        ) from error


def parse_size(value: object) -> int | None:
    """Bytes of ``"48 MB"``, ``"1.5 GiB"`` or a whole number; None when it is neither.

    kB, MB, GB are decimal, as cards are sold; KiB, MiB, GiB are powers of 1024.
    """
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return value if value >= 0 else None
    if not isinstance(value, str):
        return None
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]*)\s*", value)
    if not match or match[2].lower() not in _SIZE_UNITS:
        return None
    return math.floor(float(match[1]) * _SIZE_UNITS[match[2].lower()] + 0.5)


# ---------------------------------------------------------------- faults and fields


class Faults:
    """The faults found in one file so far."""

    def __init__(self, path: Path | str | None) -> None:
        self.path = path
        self.found: list[ConfigError] = []

    def add(self, reason: str, line: int | None, field: str | None) -> None:
        self.found.append(ConfigError(reason, path=self.path, line=line, field=field))

    def stop_if_any(self) -> None:
        """Raise one ConfigError that lists every fault in the order of its line."""
        if self.found:
            raise joined(self.found, self.path)


def joined(faults: Sequence[ConfigError], path: Path | str | None) -> ConfigError:
    """One error that lists all faults in the order of their lines, those without a line last."""
    if len(faults) == 1:
        return faults[0]
    faults = sorted(faults, key=lambda fault: fault.line or math.inf)
    listed = []
    for fault in faults:
        line = None if fault.line is None else f"line {fault.line}"
        where = ", ".join(part for part in (line, fault.field) if part)
        listed.append(f"  {where}: {fault.reason}" if where else f"  {fault.reason}")
    return ConfigError(f"{len(faults)} faults:\n" + "\n".join(listed), path=path, faults=tuple(faults))


class Table:
    """One table of the file. Each getter notes what is wrong and returns something usable.

    A ``default`` of ``...`` means that the field must be given.
    """

    def __init__(
        self,
        values: dict[str, Any],
        path: PathKey,
        lines: dict[PathKey, int],
        faults: Faults,
        top_keys: Sequence[str] = (),
    ) -> None:
        self.values, self.path, self.lines, self.faults = values, path, lines, faults
        self.top_keys = top_keys
        self._asked: list[str] = []

    def line(self, key: str | None = None) -> int | None:
        path = self.path if key is None else (*self.path, key)
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def label(self, key: str | None = None) -> str | None:
        """``segments[2].wants[1].hits``, counting from 1 as people do."""
        text = ""
        for part in self.path if key is None else (*self.path, key):
            text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
        return text or None

    def fault(self, reason: str, key: str | None = None) -> None:
        self.faults.add(reason, self.line(key), self.label(key))

    def has(self, key: str) -> bool:
        return key in self.values

    def _get(self, key: str, default: object, needed: str) -> Any:
        self._asked.append(key)
        if key in self.values:
            return self.values[key]
        if default is ...:
            self.fault(f"{key!r} is missing: add {needed}")
        return None

    def text(self, key: str, default: Any = ..., example: str = "some text") -> str:
        value = self._get(key, default, f'{key} = "{example}"')
        if value is None:
            return "" if default is ... else default
        if not isinstance(value, str):
            self.fault(f"{_shown(value)} is not text: put it in double quotes", key)
            return ""
        return value.strip()

    def name(self, key: str, default: Any = ..., example: str = "harbour-night") -> str:
        """A name of lower-case letters, digits and hyphens."""
        before = len(self.faults.found)
        value = self.text(key, default, example)
        if len(self.faults.found) > before:
            return FAULTY_NAME
        if value is default or NAME_PATTERN.match(value):
            return value
        self.fault(
            f"{value!r} cannot be a name: use lower-case letters, digits and hyphens, "
            f"such as {suggest_name(value, example)!r}",
            key,
        )
        return FAULTY_NAME

    def optional_name(self, key: str, example: str = "harbour-night") -> str | None:
        return self.name(key, None, example) or None

    def tag(self, key: str) -> str | None:
        """A tag: one word, in lower case as the library keeps it."""
        value = self.text(key, None, "laugh")
        if not value:
            return None
        if re.search(r"[\s,;=\"']", value):
            self.fault(f"{value!r} is not a tag: use one word without spaces or commas", key)
        return value.lower()

    def number(
        self, key: str, default: Any = ..., low: float = -math.inf, high: float = math.inf
    ) -> float:
        value = self._get(key, default, f"{key} = a number{_range(low, high)}")
        fallback = max(low, min(high, 1.0)) if default is ... else default
        if value is None:
            return fallback
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.fault(f"{_shown(value)} is not a number: write one{_range(low, high)}", key)
            return fallback
        if not (math.isfinite(value) and low <= value <= high):
            self.fault(f"{value:g} is out of range: use a number{_range(low, high)}", key)
            return fallback
        return float(value)

    def whole(
        self, key: str, default: Any = ..., low: float = -math.inf, high: float = math.inf
    ) -> int:
        value = self._get(key, default, f"{key} = a whole number{_range(low, high)}")
        fallback = int(max(low, min(high, 1))) if default is ... else default
        if value is None:
            return fallback
        if isinstance(value, bool) or not isinstance(value, int):
            self.fault(f"{_shown(value)} is not a whole number: write one{_range(low, high)}", key)
            return fallback
        if not low <= value <= high:
            self.fault(f"{value} is out of range: use a whole number{_range(low, high)}", key)
            return fallback
        return value

    def size(self, key: str, default: Any = ..., low: int = 1) -> int:
        value = self._get(key, default, f'{key} = "64 MB"')
        if value is None:
            return low if default is ... else default
        n_bytes = parse_size(value)
        if n_bytes is None or n_bytes < low:
            self.fault(
                f'{_shown(value)} is not a size: write "64 MB", "512 kB" or a number of bytes', key
            )
            return low
        return n_bytes

    def yes(self, key: str, default: bool = False) -> bool:
        value = self._get(key, default, f"{key} = true")
        if value is None:
            return default
        if not isinstance(value, bool):
            self.fault(f"{_shown(value)} is not true or false: write true or false, no quotes", key)
            return default
        return value

    def choice(self, key: str, choices: object, default: Any) -> Any:
        allowed = [str(each) for each in get_args(choices)]
        value = self._get(key, default, f'{key} = "{allowed[0]}"')
        if value is None:
            return default
        if value not in allowed:
            near = get_close_matches(str(value), allowed, 1, 0.5)
            hint = f" (did you mean {near[0]!r}?)" if near else ""
            self.fault(f"{_shown(value)} is not one of {', '.join(map(repr, allowed))}{hint}", key)
            return default
        return value

    def day(self, key: str) -> date | None:
        value = self._get(key, None, f"{key} = 2026-12-05")
        if isinstance(value, datetime):
            return value.date()
        if isinstance(value, str):
            try:
                return date.fromisoformat(value.strip())
            except ValueError:
                value = _Text(value)
        if value is not None and not isinstance(value, date):
            self.fault(f"{_shown(value)} is not a date: write year-month-day, 2026-12-05", key)
            return None
        return value

    def wholes(self, key: str, default: Any, low: int, high: int) -> Any:
        """A list of whole numbers as a tuple."""
        value = self._get(key, default, f"{key} = [{low}]")
        if value is None:
            return default
        good = isinstance(value, list) and all(
            isinstance(v, int) and not isinstance(v, bool) and low <= v <= high for v in value
        )
        if not good or not value:
            self.fault(
                f"{_shown(value)} is not a list of whole numbers{_range(low, high)}: "
                "write them in square brackets, such as [1, 2]",
                key,
            )
            return default
        return tuple(value)

    def name_lists(self, key: str) -> tuple[tuple[str, ...], ...]:
        """A list of lists of at least two different names."""
        value = self._get(key, (), "")
        if value is None:
            return ()
        if not isinstance(value, list):
            self.fault('write lists of clips in square brackets: [["one", "two"]]', key)
            return ()
        groups = []
        for index, group in enumerate(value):
            inner = Table({}, (*self.path, key, index), self.lines, self.faults)
            if (
                not isinstance(group, list)
                or not all(isinstance(each, str) for each in group)
                or len(set(group)) < 2
            ):
                inner.fault(
                    "each entry is itself a list of two or more clips: "
                    '[["one", "two"], ["three", "four"]]'
                )
            else:
                groups.append(tuple(dict.fromkeys(group)))
        return tuple(groups)

    def table(self, key: str) -> Table:
        """The table of that name; an empty one when it is absent."""
        value = self._get(key, None, "")
        if value is not None and not isinstance(value, dict):
            self.fault(f"{_shown(value)} is not a table: write [{key}] on a line of its own", key)
            value = None
        return Table(value or {}, (*self.path, key), self.lines, self.faults, self.top_keys)

    def tables(self, key: str, needed: bool = False) -> list[Table]:
        """The tables of that name, written ``[[key]]`` or as a list of ``{…}``."""
        value = self._get(key, ... if needed else None, f"at least one [[{key}]]")
        if value is None:
            return []
        if isinstance(value, dict):
            self.fault(f"write [[{key}]] with double brackets: there can be several", key)
            value = [value]
        if not isinstance(value, list):
            self.fault(f"{_shown(value)} is not a list of tables: write [[{key}]]", key)
            return []
        if needed and not value:
            self.fault(f"this list is empty: add at least one [[{key}]]", key)
        found = []
        for index, each in enumerate(value):
            inner = Table(
                each if isinstance(each, dict) else {},
                (*self.path, key, index),
                self.lines,
                self.faults,
                self.top_keys,
            )
            if isinstance(each, dict):
                found.append(inner)
            else:
                inner.fault(f"{_shown(each)} is not a table: write it in braces, {{ … }}")
        return found

    def finish(self) -> None:
        """Report every key that no getter asked for."""
        for key in self.values:
            if key in self._asked:
                continue
            known = [k for k in self._asked if k not in self.values]
            near = get_close_matches(key, known, 1, 0.6) or get_close_matches(
                key, self._asked, 1, 0.75
            )
            if self.path and key in self.top_keys:
                hint = "it belongs at the top of the file, above the first line in [brackets]"
            elif near:
                hint = f"did you mean {near[0]!r}?"
            else:
                hint = f"this place takes {', '.join(sorted(set(self._asked)))}"
            self.fault(f"there is no setting {key!r} here: {hint}", key)

    def build(self, make: type[T], **values: Any) -> T | None:
        """Make a domain value; what it refuses becomes a fault at this table's line."""
        try:
            return make(**values)
        except InputError as error:
            self.fault(str(error))
            return None


class _Text(str):
    """A string that has already failed to be something else."""


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "this list"
    if isinstance(value, dict):
        return "this table"
    text = str(value)
    return repr(text if len(text) <= 40 else text[:39] + "…") if isinstance(value, str) else text


def _range(low: float, high: float) -> str:
    if low == -math.inf and high == math.inf:
        return ""
    if high == math.inf:
        return f" from {low:g} up"
    return f" from {low:g} to {high:g}"


def suggest_name(text: str, example: str = "harbour-night") -> str:
    """The nearest name that is allowed: ``"Harbour Night!"`` gives ``"harbour-night"``."""
    made = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
    return made or example


_PARSE_HINTS = (
    (re.compile("[“”‘’„]"), "curly quotes: use straight ones (\")"),
    (re.compile(r"=\s*\d{1,4}\.\d{1,2}\.\d{1,4}"), "write a date as year-month-day, 2026-12-05"),
    (re.compile(r"=\s*-?\d+,\d"), "a decimal comma: write a point, such as 0.5"),
    (re.compile(r"=\s*(True|False|TRUE|FALSE|yes|no|on|off)\s*(#|$|,)"), "write true or false in small letters"),
    (re.compile(r"=\s*[A-Za-z][^\"'\[{]*$"), "put text in double quotes; true and false go without"),
    (re.compile(r"^\s*[^#=\[\]{}\"']+\s*:\s"), "write = between a name and its value, not a colon"),
    (re.compile(r"=\s*0\d"), "a number must not begin with 0"),
)  # fmt: skip


def open_document(text: str, path: Path | str | None, top_keys: Sequence[str]) -> Table:
    """Parse TOML text into the file's outermost table.

    Parameters
    ----------
    top_keys : keys that belong at the top of the file, so that one found
        further down (TOML gives it to the table above it) can be explained.

    Raises
    ------
    ConfigError : not TOML; with the line and, where it can be told, the cure.
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    try:
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        message = str(error) or "nested too deeply"
        match = re.search(r"\s*\(at line (\d+), column (\d+)\)", message)
        lines = text.split("\n")
        number = int(match[1]) if match else len(lines)
        if match:
            message = message[: match.start()]
        else:
            message = message.replace(" (at end of document)", " before the end of the file")
        line = lines[number - 1] if 0 < number <= len(lines) else ""
        hint = next((words for pattern, words in _PARSE_HINTS if pattern.search(line)), None)
        cure = hint or "check the quotes, brackets and commas on this line and the one above"
        raise ConfigError(
            f"cannot be understood ({message[:1].lower() + message[1:]}): {cure}",
            path=path,
            line=number,
        ) from error
    return Table(values, (), line_numbers(text), Faults(path), top_keys)
