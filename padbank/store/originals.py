"""Originals: written once under the SHA-256 of their bytes, then only ever read.

``originals/ab/abcdef….wav``. Writing goes to a temporary name in the same
folder tree, is synced, checked and renamed, so that a crash leaves either
nothing or the whole file. Functions: ``copy_in``, ``settle``,
``original_path``, ``hash_file``, ``find_leftovers``, ``clear_leftovers``.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import stat
import uuid
from collections.abc import Iterator
from pathlib import Path

from padbank.errors import StoreError

CHUNK_BYTES = 1 << 20


def original_path(folder: Path, sha256: str, suffix: str) -> Path:
    """Where an original lies below the library's ``originals``, there or not."""
    return folder / sha256[:2] / f"{sha256}{suffix}"


def hash_file(path: Path) -> tuple[str, int]:
    """SHA-256 (hex) and length in bytes of a file, read in chunks."""
    digest, n_bytes = hashlib.sha256(), 0
    with open(path, "rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            digest.update(chunk)
            n_bytes += len(chunk)
    return digest.hexdigest(), n_bytes


def incoming_path(folder: Path, suffix: str = "") -> Path:
    """A fresh temporary name among the originals, for a file that is still being written."""
    incoming = folder / "incoming"
    incoming.mkdir(parents=True, exist_ok=True)
    return incoming / f"{uuid.uuid4().hex}{suffix}"


def copy_in(folder: Path, source: Path, suffix: str) -> tuple[Path, str, int]:
    """Copy ``source`` byte for byte to a temporary name; return it, its SHA-256 and length.

    ``settle`` makes it an original, unlinking it drops it.

    Raises
    ------
    StoreError
        when the copy cannot be written (disk full, no permission)
    """
    temporary = incoming_path(folder, suffix)
    digest, n_bytes = hashlib.sha256(), 0
    try:
        with open(source, "rb") as old, open(temporary, "wb") as new:
            while chunk := old.read(CHUNK_BYTES):
                digest.update(chunk)
                n_bytes += len(chunk)
                new.write(chunk)
            new.flush()
            os.fsync(new.fileno())
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise StoreError(
            f"{source} could not be copied into the library ({error.strerror}): "
            "check that the file can be read and the library's disk has room"
        ) from error
    return temporary, digest.hexdigest(), n_bytes


def settle(folder: Path, temporary: Path, sha256: str, suffix: str) -> None:
    """Take a finished temporary file among the originals under its SHA-256."""
    final = original_path(folder, sha256, suffix)
    if final.exists():
        temporary.unlink()
        return
    final.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.replace(temporary, final)
    except PermissionError as error:  # Windows: somebody has the same original open right now
        if not final.exists():
            raise StoreError(f"{final} could not be written: close whatever holds it open and try again") from error
        temporary.unlink(missing_ok=True)
    _sync_folder(final.parent)
    with contextlib.suppress(OSError):  # some file systems keep no permissions
        final.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)


def drop_unused(folder: Path, sha256: str, suffix: str) -> None:
    """Delete a kept copy that no clip came to use (the same sound was there already)."""
    path = original_path(folder, sha256, suffix)
    with contextlib.suppress(OSError):
        path.chmod(stat.S_IRUSR | stat.S_IWUSR)  # Windows deletes no read-only file
        path.unlink()


def _sync_folder(folder: Path) -> None:
    """Make the rename durable where the system can sync a folder (not Windows)."""
    if os.name == "nt":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def find_leftovers(folder: Path) -> list[Path]:
    """Temporary files that a crash left behind."""
    incoming = folder / "incoming"
    return sorted(incoming.iterdir()) if incoming.is_dir() else []


def clear_leftovers(folder: Path) -> int:
    """Remove what ``find_leftovers`` finds; return how many there were."""
    leftovers = find_leftovers(folder)
    for path in leftovers:
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
    return len(leftovers)


def all_originals(folder: Path) -> Iterator[Path]:
    """Every kept original, in order of name."""
    if folder.is_dir():
        for shelf in sorted(folder.iterdir()):
            if shelf.is_dir() and len(shelf.name) == 2:
                yield from sorted(shelf.iterdir())
