"""The error tree. Every error a user can meet is one sentence that says what to do next.

::

    PadbankError
    ├── InputError          a path, name or value that the user gave cannot be used
    │   └── ConfigError     a rig or show file: names the file, the line where known, the field
    ├── DecodeError         an audio or video file that cannot be read
    ├── StoreError          the library folder or its catalogue
    ├── CardError           the export folder or the card
    └── PlanError           a show that cannot be laid out (carries the reason in numbers)

Findings (``domain.Finding``) are for what would spoil a show and are returned
all at once; exceptions are for what cannot go on.
"""

from __future__ import annotations

from pathlib import Path


class PadbankError(Exception):
    """Base of all errors that padbank raises on purpose."""


class InputError(PadbankError):
    """Something the user gave cannot be used; the text says what would be."""


class ConfigError(InputError):
    """A fault in a rig or show file.

    Parameters
    ----------
    path : the file, or None when it was built in memory
    reason : what is wrong and what to write instead, without a final full stop
    line : 1-based line number where it is known
    field : dotted name of the field, such as ``memory.total_bytes``
    faults : the single faults, when ``reason`` lists several
    """

    def __init__(
        self,
        reason: str,
        *,
        path: Path | str | None = None,
        line: int | None = None,
        field: str | None = None,
        faults: tuple[ConfigError, ...] = (),
    ) -> None:
        self.path, self.line, self.field, self.reason = path, line, field, reason
        self.faults = faults
        where = str(path) if path is not None else "the settings"
        if line is not None:
            where += f", line {line}"
        if field:
            where += f", {field}"
        super().__init__(f"{where}: {reason}")


class DecodeError(PadbankError):
    """A file that cannot be read as sound; ``reason`` is fit to be shown in a list."""

    def __init__(self, path: Path | str, reason: str) -> None:
        self.path, self.reason = path, reason
        super().__init__(f"{path}: {reason}")


class StoreError(PadbankError):
    """The library folder cannot be opened, is in use, or does not hold what it should."""


class CardError(PadbankError):
    """The export folder or card cannot be written or read, or would not hold the set."""


class PlanError(PadbankError):
    """The show cannot be laid out on this rig; the text gives the smallest reason found."""
