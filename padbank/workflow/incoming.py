"""Where files lie while they are taken in, and what runs that were cut off have left there.

Each run has a folder of its own, ``originals/incoming/NAME``, beside a lock
that the system drops when the run ends, however it ends. So several runs can
add to one library at once, and each clears away what dead ones left.

Functions: ``incoming_folder``, ``find_leftovers``, ``clear_leftovers``.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from padbank.files.lock import holding
from padbank.store.originals import cannot_keep


@contextmanager
def incoming_folder(originals: Path) -> Iterator[Path]:
    """A fresh folder for one run's unfinished files, taken away at its end.

    Raises
    ------
    StoreError
        when it cannot be made
    """
    incoming = originals / "incoming"
    with ExitStack() as held:
        try:
            incoming.mkdir(parents=True, exist_ok=True)
            folder = _begin(incoming, held)
        except OSError as error:
            raise cannot_keep(incoming, error) from error
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)
            held.close()
            _remove(_lock_of(folder))


def _lock_of(folder: Path) -> Path:
    return folder.with_suffix(".lock")


def _begin(incoming: Path, held: ExitStack) -> Path:
    """A folder whose lock this run holds before the folder is there."""
    for _ in range(3):
        folder = incoming / os.urandom(16).hex()
        free = held.enter_context(holding(_lock_of(folder)))
        if free and _lock_of(folder).exists():  # else another run has just cleared it away
            break
    folder.mkdir()  # without a lock where the file system has none: nobody clears what cannot be locked
    return folder


def find_leftovers(originals: Path) -> list[Path]:
    """Unfinished files and folders of runs that are no more."""
    return [path for path in _inside(originals / "incoming") if path.suffix != ".lock" and not _alive(path)]


def _inside(incoming: Path) -> list[Path]:
    return sorted(incoming.iterdir()) if incoming.is_dir() else []


def _alive(folder: Path) -> bool:
    """Whether the run that this folder belongs to still holds its lock."""
    lock = _lock_of(folder)
    try:
        if not lock.exists():
            return False
        with holding(lock) as free:
            return not free
    except OSError:
        return True


def clear_leftovers(originals: Path) -> None:
    """Remove what dead runs left, and their locks, as far as that can be done."""
    for path in _inside(originals / "incoming"):
        lock = _lock_of(path)
        if path != lock and not lock.exists():
            _remove(path)
            continue
        with contextlib.suppress(OSError):
            with holding(lock) as free:
                if free:
                    _remove(lock.with_suffix(""))
                    _remove(lock)
            if free:
                _remove(lock)  # Windows removes no open file


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
