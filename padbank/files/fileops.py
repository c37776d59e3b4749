"""Every change to a card, one step each, so that any step can be made to fail in a test.

Answers: how is a file written so that it is really there, and what happens
when a file is open elsewhere. ``PermissionError`` (on Windows: another program
has the file open) is tried again a few times; a rename never replaces what is
there already; folders are synced where the system can do that.

Class: ``FileOps``. Functions: ``exists``, ``hash_file``, ``sync``.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO, TypeVar

T = TypeVar("T")

BLOCK_BYTES = 1 << 20
_NO_FILE_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.ENOSYS}
"""What file systems answer that cannot sync at all; any other fault counts."""
_NO_FOLDER_SYNC = {
    errno.EINVAL,
    errno.ENOTSUP,
    errno.EACCES,
    errno.EBADF,
    errno.EISDIR,
    errno.ENOSYS,
    errno.EPERM,
}
"""What systems answer when a folder cannot be synced; any other fault counts."""


def exists(path: Path) -> bool:
    """Whether anything has this name, a broken link included."""
    return os.path.lexists(path)


def hash_file(path: Path, *, from_disk: bool = False) -> str:
    """SHA-256 of a file's bytes; ``from_disk`` asks the system to drop what it remembers first."""
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        if from_disk and hasattr(os, "posix_fadvise"):
            with suppress(OSError):  # a hint; not every file system takes it
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        while block := file.read(BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


def sync(file: BinaryIO) -> None:
    """Flush a file to the disk; file systems that cannot are left to their own ways."""
    file.flush()
    try:
        os.fsync(file.fileno())
    except OSError as fault:
        if fault.errno not in _NO_FILE_SYNC:
            raise


class FileOps:
    """The steps. Each goes through ``step``, which a test replaces to make it fail."""

    waits_s: tuple[float, ...] = (0.05, 0.1, 0.2, 0.4, 0.8)
    """Pauses between tries when another program holds a file."""

    def step(self, what: str, path: Path, act: Callable[[], T]) -> T:
        """Do one step at the operating system."""
        return act()

    def sleep(self, time_s: float) -> None:
        time.sleep(time_s)

    def free_bytes(self, folder: Path) -> int:
        """Room that is left where ``folder`` is."""
        return shutil.disk_usage(folder).free

    def cluster_bytes(self, folder: Path) -> int:
        """Smallest room that a file takes there, where the system says so, else 32 KiB."""
        if hasattr(os, "statvfs"):
            return max(512, os.statvfs(folder).f_frsize)
        return 32_768

    def _patiently(self, what: str, path: Path, act: Callable[[], T]) -> T:
        for wait_s in self.waits_s:
            try:
                return self.step(what, path, act)
            except PermissionError:
                self.sleep(wait_s)
        return self.step(what, path, act)

    def make_folder(self, path: Path) -> None:
        """Make one folder and those above it; one that is there already is fine."""
        if path.is_dir():
            return
        if path.parent != path:
            self.make_folder(path.parent)
        self._patiently("make folder", path, lambda: path.mkdir(exist_ok=True))

    def write_file(self, path: Path, source: bytes | Path) -> None:
        """Write a new file whole and sync it; one of that name must not be there."""
        with self._patiently("create", path, lambda: open(path, "xb")) as file:
            if isinstance(source, bytes):
                for start in range(0, len(source), BLOCK_BYTES):
                    self._write(file, path, source[start : start + BLOCK_BYTES])
            else:
                with open(source, "rb") as old:
                    while block := old.read(BLOCK_BYTES):
                        self._write(file, path, block)
            self.step("sync", path, lambda: sync(file))

    def _write(self, file: BinaryIO, path: Path, block: bytes) -> None:
        self.step("write", path, lambda: file.write(block))

    def rename(self, old: Path, new: Path) -> None:
        """Rename; raises FileExistsError rather than replace anything."""
        if exists(new):
            raise FileExistsError(errno.EEXIST, "is there already", str(new))
        self._patiently("rename", old, lambda: os.rename(old, new))

    def unlink(self, path: Path) -> None:
        """Remove one file; one that is gone already is fine."""
        if exists(path):
            self._patiently("unlink", path, lambda: path.unlink(missing_ok=True))

    def remove_folder(self, path: Path) -> bool:
        """Remove a folder when it is empty; False when it holds something."""
        if not path.is_dir():
            return True
        with os.scandir(path) as entries:
            if next(entries, None) is not None:
                return False
        self._patiently("remove folder", path, path.rmdir)
        return True

    def sync_folder(self, path: Path) -> None:
        """Make renames in a folder lasting, where the system can."""
        if os.name == "nt":
            return

        def flush() -> None:
            handle = os.open(path, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)

        try:
            self.step("sync folder", path, flush)
        except OSError as fault:
            if fault.errno not in _NO_FOLDER_SYNC:
                raise
