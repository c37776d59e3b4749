"""From float samples to integers: TPDF dither with a fixed, seeded stream.

What it answers: the integers that go into the file, the same on every
machine, process and numpy version for the same samples and seed.

The dither is the difference of two even 16-bit numbers, scaled to one LSB
each: triangular over (-1, 1) LSB, mean 0, variance LSB^2/6. Rounding adds
LSB^2/12, so that the whole noise is LSB^2/4, independent of the signal
(Wannamaker, Lipshitz, Vanderkooy and Wright, "A theory of nonsubtractive
dither", IEEE Trans. Signal Processing 48(2), 2000; from memory). The stream is
SHAKE-128 (FIPS 202) of the seed and a block counter, so it depends on nothing
but the seed.

Functions: ``noise_counts``, ``quantise``, ``is_on_grid``, ``to_float``.
"""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.errors import InputError

BLOCK_VALUES = 1 << 18
"""Dither values per counter step; changing it changes every exported byte."""
COUNTS_PER_LSB = 1 << 16


def noise_counts(seed: bytes, n_values: int, first: int = 0) -> NDArray[np.int32]:
    """``n_values`` triangular integers in -65535..65535, unit 2**-16 LSB, from number ``first`` on.

    >>> noise_counts(b"padbank", 3).tolist() == noise_counts(b"padbank", 5)[:3].tolist()
    True
    """
    if n_values < 0:
        raise InputError(f"{n_values} dither values were asked for: use 0 or more")
    parts, last = [], first + n_values
    for block in range(first // BLOCK_VALUES, -(-last // BLOCK_VALUES)):
        skip = max(0, first - block * BLOCK_VALUES)
        count = min(BLOCK_VALUES, last - block * BLOCK_VALUES)
        stream = hashlib.shake_128(seed + block.to_bytes(8, "little")).digest(4 * count)
        pairs = np.frombuffer(stream, dtype="<u2").reshape(count, 2)[skip:].astype(np.int32)
        parts.append(pairs[:, 0] - pairs[:, 1])
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int32)


def is_on_grid(samples: NDArray[Any], bits: int) -> bool:
    """Whether every sample is already an integer of this depth, within its range."""
    scaled = np.asarray(samples, dtype=np.float64) * float(1 << (bits - 1))
    top = float(1 << (bits - 1))
    return bool(
        np.array_equal(scaled, np.rint(scaled))
        and (not scaled.size or (scaled.min() >= -top and scaled.max() <= top - 1))
    )


def quantise(
    samples: NDArray[Any], bits: int, seed: bytes, *, dither: bool = True, first_value: int = 0
) -> NDArray[np.int32]:
    """Integers of ``bits`` bits (right-aligned in int32) from ``(frames, channels)`` floats.

    Full scale 1.0 is ``2**(bits - 1)``; what would pass the range is held at
    its edge. Without dither: plain rounding, halves upward. ``first_value`` values of the same
    sound came before these.

    Raises
    ------
    InputError : ``bits`` is not 8 to 24, or a sample is not finite.
    """
    if not 8 <= bits <= 24:
        raise InputError(f"{bits} bits cannot be written: use 16 or 24")
    scaled = np.asarray(samples, dtype=np.float64) * float(1 << (bits - 1))
    if not np.isfinite(scaled).all():
        raise InputError("the sound holds values that are no numbers: decode it again")
    if dither:
        noise = noise_counts(seed, scaled.size, first_value).reshape(scaled.shape)
        scaled += noise / float(COUNTS_PER_LSB)
    scaled += 0.5
    np.floor(scaled, out=scaled)
    top = float(1 << (bits - 1))
    np.clip(scaled, -top, top - 1, out=scaled)
    return scaled.astype(np.int32)


def to_float(pcm: NDArray[np.int32], bits: int) -> NDArray[np.float64]:
    """The floats that a reader of the integers sees: ``pcm / 2**(bits - 1)``."""
    return pcm / float(1 << (bits - 1))
