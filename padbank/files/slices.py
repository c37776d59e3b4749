"""Part of a file, or several parts in a row, as a file of its own.

Decoding libraries get such an object and never a name, so that a name can
neither be taken for a URL or an option nor fail for its characters.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any, BinaryIO


class Slices:
    """A read-only, seekable view of ``(offset, length)`` parts of an open file.

    It has no ``name`` on purpose. The view ends where the underlying file
    ends, whatever the lengths say.
    """

    def __init__(self, file: BinaryIO, parts: Sequence[tuple[int, int]]) -> None:
        self._file: Any = file  # BinaryIO does not know readinto
        self._parts = [(offset, length) for offset, length in parts if length > 0]
        self._length = sum(length for _, length in self._parts)
        self._at = 0

    def __len__(self) -> int:
        return self._length

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def writable(self) -> bool:
        return False

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._length}[whence]
        self._at = max(0, base + offset)
        return self._at

    def read(self, size: int = -1) -> bytes:
        left = max(0, self._length - self._at)
        left = left if size is None or size < 0 else min(size, left)
        pieces = []
        at = self._at
        for offset, length in self._parts:
            if left == 0:
                break
            if at >= length:
                at -= length
                continue
            self._file.seek(offset + at)
            piece = self._file.read(min(left, length - at))
            if not piece:
                break
            pieces.append(piece)
            self._at += len(piece)
            left -= len(piece)
            if at + len(piece) < length:  # the file ended inside this part, or enough was read
                break
            at = 0
        return b"".join(pieces)

    def readinto(self, buffer: bytearray | memoryview) -> int:
        room = memoryview(buffer).cast("B")
        if len(self._parts) == 1:  # without a copy: decoders ask for a few kilobytes at a time
            offset, length = self._parts[0]
            self._file.seek(offset + self._at)
            count = int(self._file.readinto(room[: max(0, length - self._at)]))
            self._at += count
            return count
        data = self.read(len(room))
        room[: len(data)] = data
        return len(data)

    def close(self) -> None:
        """The underlying file belongs to the caller and stays open."""


def whole(file: BinaryIO, n_bytes: int) -> Slices:
    """A view of a whole file of ``n_bytes``."""
    return Slices(file, [(0, n_bytes)])
