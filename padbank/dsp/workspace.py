"""Work arrays that all meters of a thread share.

Answers: how does measuring hundreds of short clips not spend its time on fresh
memory? A meter works in a few megabytes for the length of one call; asking the
system for them anew for each clip can cost more than measuring it. So they are
kept, one set for each thread, and grow to what was asked for.

An array is only valid during the call that asked for it, and holds whatever
the last one left: nothing that has to last is kept here.

Functions: ``singles``, ``booleans``.
"""

from __future__ import annotations

import math
import threading
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

_Item = TypeVar("_Item", np.float32, np.bool_)


class _Shelf(threading.local):
    def __init__(self) -> None:
        self.singles: dict[str, NDArray[np.float32]] = {}
        self.booleans: dict[str, NDArray[np.bool_]] = {}


_shelf = _Shelf()

# glibc asks the system anew for each block of 128 KiB or more until it has seen a larger one
# freed; then it keeps what is freed (mallopt(3), "dynamic mmap threshold"). Numpy's own
# results, which cannot be put here, cost up to twice their arithmetic before that.
np.empty(1 << 23, dtype=np.uint8)


def singles(name: str, *shape: int) -> NDArray[np.float32]:
    """This thread's float32 array of that name, contiguous and with unknown contents."""
    return _of(_shelf.singles, name, shape, np.float32)


def booleans(name: str, *shape: int) -> NDArray[np.bool_]:
    """This thread's array of truth values of that name, contiguous and with unknown contents."""
    return _of(_shelf.booleans, name, shape, np.bool_)


def _of(
    arrays: dict[str, NDArray[_Item]], name: str, shape: tuple[int, ...], dtype: type[_Item]
) -> NDArray[_Item]:
    count = math.prod(shape)
    array = arrays.get(name)
    if array is None or len(array) < count:
        array = arrays[name] = np.empty(1 << (count - 1).bit_length(), dtype=dtype)
    return array[:count].reshape(shape)
