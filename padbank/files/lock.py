"""Locks that the system drops when a program ends, however it ends: a file that is held.

For one writer at a time in an export folder that file lies in the computer's own
temporary folder, named after the user and the export folder, so that nothing of it
lies on the card and nobody is shut out by another user's lock file.

Functions: ``only_writer``, ``holding``.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from padbank.errors import CardError


@contextmanager
def only_writer(folder: Path) -> Iterator[None]:
    """Hold ``folder`` for writing; CardError when another padbank is writing there."""
    key = hashlib.sha256(
        os.path.normcase(str(folder.resolve())).encode("utf-8", "surrogatepass")
    ).hexdigest()
    user = os.getuid() if hasattr(os, "getuid") else 0
    place = Path(tempfile.gettempdir()) / f"padbank-{user}-{key[:16]}.lock"
    try:
        with holding(place) as free:
            if not free:
                raise CardError(f"{folder}: another padbank is writing there: wait until it is done")
            yield
    except _CannotOpen as fault:
        raise CardError(f"{place}: cannot be made ({fault}): make the temporary folder writable") from None


class _CannotOpen(OSError):
    """The lock file itself cannot be made."""


@contextmanager
def holding(place: Path) -> Iterator[bool]:
    """Hold the file ``place`` (made when it is not there); False when another program holds it."""
    try:
        handle = os.open(place, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as fault:
        raise _CannotOpen(fault.strerror) from None
    try:
        try:
            _lock(handle)
        except OSError:
            yield False
        else:
            yield True
    finally:
        os.close(handle)


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
