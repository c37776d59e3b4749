"""Originals: written once under the SHA-256 of their bytes, then only ever read.

``originals/ab/abcdef….wav``. A copy is written under a temporary name in the
same folder tree, synced, checked and renamed, so that a crash leaves either
nothing or the whole file. Nothing here deletes or rewrites an original.
Functions: ``write_in``, ``copy_in``, ``sync_arrivals``, ``settle``,
``original_path``, ``hash_file``, ``all_originals``.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from padbank.errors import StoreError

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

CHUNK_BYTES = 1 << 20
SYNC_THREADS = 8
"""File systems write down what several threads sync in one go: many small files wait a fifth as long."""
CANNOT_SYNC = frozenset(getattr(errno, name, -1) for name in ("EINVAL", "ENOSYS", "ENOTSUP", "EOPNOTSUPP"))
NO_ROOM = frozenset(getattr(errno, name, -1) for name in ("ENOSPC", "EDQUOT"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A finished copy under a temporary name; ``settle`` makes it an original with that suffix."""

    temporary: Path
    sha256: str
    n_bytes: int
    suffix: str


def original_path(folder: Path, sha256: str, suffix: str) -> Path:
    """Where an original lies below the library's ``originals``, there or not."""
    return folder / sha256[:2] / f"{sha256}{suffix}"


def plain_suffix(name: str) -> str:
    """The ending of a file's name as every file system takes it: ``.wav``, or nothing for odd ones."""
    suffix = os.path.splitext(name)[1].lower()
    return suffix if re.fullmatch(r"\.[a-z0-9]{1,9}", suffix) else ""


def hash_file(path: Path) -> tuple[str, int]:
    """SHA-256 (hex) and length in bytes of a file, read in chunks."""
    digest, n_bytes = hashlib.sha256(), 0
    with open(path, "rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            digest.update(chunk)
            n_bytes += len(chunk)
    return digest.hexdigest(), n_bytes


# ---------------------------------------------------------------- on the way in


def incoming_path(incoming: Path, suffix: str = "") -> Path:
    """A fresh temporary name for a file that is still being written."""
    return incoming / f"{os.urandom(16).hex()}{suffix}"


def cannot_keep(folder: Path, error: OSError) -> StoreError:
    """Why a copy could not be written into the library, and what to do."""
    library = next((place.parent for place in (folder, *folder.parents) if place.name == "originals"), folder)
    if error.errno in NO_ROOM:
        return StoreError(
            f"the disk of the library ({library}) is full; what was added is kept: make room there and run the same again to go on"
        )
    return StoreError(
        f"the library ({library}) cannot be written ({error.strerror or error}): check its disk and that you may write there"
    )


def write_in(incoming: Path, data: bytes, sha256: str, suffix: str) -> Arrival:
    """Write bytes to a temporary name. Not on the disk for sure before ``sync_arrivals``.

    Raises
    ------
    StoreError
        when it cannot be written (disk full, no permission)
    """
    temporary = incoming_path(incoming, suffix)
    try:
        with open(temporary, "wb", buffering=0) as file:
            if (written := file.write(data)) != len(data):
                raise OSError(errno.ENOSPC, f"only {written} of {len(data)} bytes could be written")
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise cannot_keep(incoming, error) from error
    return Arrival(temporary=temporary, sha256=sha256, n_bytes=len(data), suffix=suffix)


def copy_in(incoming: Path, source: BinaryIO, suffix: str) -> Arrival:
    """Copy an open file from its start, byte for byte, to a temporary name.

    Raises
    ------
    OSError
        when the source cannot be read
    StoreError
        when the copy cannot be written
    """
    temporary = incoming_path(incoming, suffix)
    digest, n_bytes = hashlib.sha256(), 0
    source.seek(0)
    try:
        with open(temporary, "wb", buffering=0) as new:
            while chunk := source.read(CHUNK_BYTES):
                digest.update(chunk)
                n_bytes += len(chunk)
                try:
                    if new.write(chunk) != len(chunk):
                        raise OSError(errno.ENOSPC, "only a part of it could be written")
                except OSError as error:
                    raise cannot_keep(incoming, error) from error
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
    return Arrival(temporary=temporary, sha256=digest.hexdigest(), n_bytes=n_bytes, suffix=suffix)


def sync_arrivals(arrivals: Sequence[Arrival]) -> None:
    """See that every byte is on the disk.

    Raises
    ------
    StoreError
        when one cannot be synced or is not as long as it was
    """
    _in_threads(_sync_arrival, arrivals)


def _sync_arrival(arrival: Arrival) -> None:
    try:
        handle = os.open(arrival.temporary, os.O_RDWR | getattr(os, "O_BINARY", 0))
        try:
            _sync(handle)
            n_bytes = os.fstat(handle).st_size
        finally:
            os.close(handle)
    except OSError as error:
        raise cannot_keep(arrival.temporary.parent, error) from error
    if n_bytes != arrival.n_bytes:
        raise StoreError(
            f"a copy in {arrival.temporary.parent} holds {n_bytes} of {arrival.n_bytes} bytes: check the library's disk"
        )


def settle(folder: Path, arrivals: Sequence[Arrival]) -> None:
    """Take synced copies among the originals under their SHA-256, and see that they stay there.

    Raises
    ------
    StoreError
        when one cannot be put in its place
    """
    shelves = sorted({folder / a.sha256[:2] for a in arrivals})
    try:
        if new := [shelf for shelf in shelves if not shelf.is_dir()]:
            for shelf in new:
                shelf.mkdir(parents=True, exist_ok=True)
            _sync_folder(folder)
        for arrival in arrivals:
            _put(arrival, original_path(folder, arrival.sha256, arrival.suffix))
    except OSError as error:
        raise cannot_keep(folder, error) from error
    _in_threads(_sync_folder, shelves)


def _put(arrival: Arrival, final: Path) -> None:
    try:
        os.replace(arrival.temporary, final)
    except PermissionError:  # Windows: the same bytes are there already, read-only or open somewhere
        if not (final.exists() and final.stat().st_size == arrival.n_bytes):
            raise
        arrival.temporary.unlink(missing_ok=True)
    with contextlib.suppress(OSError):  # some file systems keep no permissions
        final.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)


def drop(arrivals: Iterable[Arrival]) -> None:
    """Delete copies that nobody came to need."""
    for arrival in arrivals:
        with contextlib.suppress(OSError):
            arrival.temporary.unlink(missing_ok=True)


def _in_threads(work: Callable[[Any], None], items: Sequence[Any]) -> None:
    if len(items) < 2:
        for item in items:
            work(item)
        return
    for _ in _threads().map(work, items):
        pass


@cache
def _threads() -> ThreadPoolExecutor:
    from concurrent.futures import ThreadPoolExecutor

    return ThreadPoolExecutor(SYNC_THREADS, thread_name_prefix="sync")


def _sync(handle: int) -> None:
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in CANNOT_SYNC:
            raise


def _sync_folder(folder: Path) -> None:
    """Make renames durable where the system can sync a folder (not Windows)."""
    if os.name == "nt":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def all_originals(folder: Path) -> Iterator[Path]:
    """Every kept original, in order of name."""
    if folder.is_dir():
        for shelf in sorted(folder.iterdir()):
            if shelf.is_dir() and len(shelf.name) == 2:
                yield from sorted(shelf.iterdir())
