"""A sound that is read piece by piece, wherever it is kept.

What it answers: how do the limiter and the renderer go over a sound several times without
asking whether it lies in memory or, where it is long, in a file?

Classes: ``Sound`` (the protocol), ``HeldSound``. Function: ``pieces``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

PIECE_FRAMES = 1 << 20


class Sound(Protocol):
    """Frames ``(frames, channels)`` of float64, nominal range -1 to 1."""

    @property
    def frames(self) -> int: ...

    @property
    def channels(self) -> int: ...

    def read(self, first: int, last: int) -> NDArray[np.float64]:
        """Frames ``first`` to ``last - 1``, which lie within the sound; not to be written to."""


class HeldSound:
    """A sound in memory, from ``(frames, channels)`` or ``(frames,)``."""

    def __init__(self, samples: NDArray[Any]) -> None:
        samples = np.asarray(samples, dtype=np.float64)
        self.samples = samples[:, None] if samples.ndim == 1 else samples

    @property
    def frames(self) -> int:
        return len(self.samples)

    @property
    def channels(self) -> int:
        return self.samples.shape[1]

    def read(self, first: int, last: int) -> NDArray[np.float64]:
        return self.samples[first:last]


def pieces(sound: Sound) -> Iterator[NDArray[np.float64]]:
    """The whole sound, in order."""
    for first in range(0, sound.frames, PIECE_FRAMES):
        yield sound.read(first, min(first + PIECE_FRAMES, sound.frames))
