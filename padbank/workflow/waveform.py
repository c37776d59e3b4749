"""The picture of a sound: lowest and highest sample in each column, at any zoom, in flat memory.

The first look at an original decodes it once, in blocks, and keeps the extremes
of every ``BUCKET_FRAMES`` frames beside the library; closer looks read the
frames themselves. Function: ``waveform``.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from padbank.domain import Clip
from padbank.errors import InputError
from padbank.files.decode import open_sound
from padbank.store.library import Library

BUCKET_FRAMES = 256
MAX_COLUMNS = 4000
FULL_SCALE = 32000
"""Kept extremes are 16-bit; this many steps are full scale, and 1.024 of it the most they hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waveform:
    """Extremes of a stretch of an original, all channels together, ±1 as full scale."""

    start_s: float
    end_s: float
    duration_s: float
    low: tuple[float, ...]
    high: tuple[float, ...]


def waveform(library: Library, clip: Clip, start_s: float, end_s: float | None, columns: int) -> Waveform:
    """The extremes of a stretch of a clip's original (not trimmed) in ``columns`` columns.

    Parameters
    ----------
    start_s, end_s : the stretch, in seconds of the original; ``end_s`` None is its end

    Raises
    ------
    InputError
        when the stretch is empty or outside the sound
    """
    original = clip.original
    rate_hz, length_s = original.sample_rate_hz, original.duration_s
    end_s = length_s if end_s is None else min(end_s, length_s)
    if not 0 <= start_s < end_s:
        raise InputError(f"{clip.name}: there is no sound from {start_s:.3f} s to {end_s:.3f} s")
    first, last = int(start_s * rate_hz), max(int(start_s * rate_hz) + 1, round(end_s * rate_hz))
    path = library.original_file(clip)
    if last - first >= BUCKET_FRAMES * columns * 2:
        extremes = _kept(library, clip, path)
        low, high = extremes[first // BUCKET_FRAMES : -(-last // BUCKET_FRAMES)].astype(np.float64).T / FULL_SCALE
    elif last - first <= 8_000_000:
        with open_sound(path) as reader:
            frames = reader.seek_read(first, last - first)
        low, high = (frames.min(axis=1), frames.max(axis=1)) if len(frames) else (np.zeros(1), np.zeros(1))
    else:
        raise InputError("that is too many columns for so long a stretch: ask for fewer")
    edges = np.linspace(0, len(low), min(columns, len(low)) + 1).astype(int)[:-1]
    return Waveform(
        start_s=first / rate_hz,
        end_s=last / rate_hz,
        duration_s=length_s,
        low=tuple(np.round(np.minimum.reduceat(low, edges), 4).tolist()),
        high=tuple(np.round(np.maximum.reduceat(high, edges), 4).tolist()),
    )


def kept_folder(library: Library) -> Path:
    """Pictures and renderings that can be made again at any time."""
    folder = library.folder / "kept"
    folder.mkdir(exist_ok=True)
    return folder


def _kept(library: Library, clip: Clip, path: Path) -> NDArray[np.int16]:
    """Extremes of the whole original, ``(buckets, 2)``, from beside the library or made now."""
    kept = kept_folder(library) / f"{clip.original.sha256[:32]}.wave.npy"
    try:
        known: NDArray[np.int16] = np.load(kept, allow_pickle=False)
        if known.ndim == 2 and known.dtype == np.int16:
            return known
    except (OSError, ValueError):
        pass  # not there yet, or damaged: made anew below
    parts: list[NDArray[np.int16]] = []
    held = np.zeros((0, clip.original.channels), dtype=np.float32)
    with open_sound(path) as reader:
        for block in reader.blocks():
            held = np.concatenate([held, block]) if len(held) else block
            whole = len(held) // BUCKET_FRAMES
            if whole:
                parts.append(_extremes(held[: whole * BUCKET_FRAMES]))
                held = held[whole * BUCKET_FRAMES :].copy()
    if len(held):
        rest = np.concatenate([held, np.repeat(held[-1:], BUCKET_FRAMES - len(held), axis=0)])
        parts.append(_extremes(rest))
    made = np.concatenate(parts) if parts else np.zeros((1, 2), dtype=np.int16)
    temporary = kept.with_name(f"{kept.name}.{os.getpid()}.{os.urandom(3).hex()}.new")
    try:
        with open(temporary, "wb") as file:
            np.save(file, made, allow_pickle=False)
        os.replace(temporary, kept)
    finally:
        temporary.unlink(missing_ok=True)
    return made


def _extremes(frames: NDArray[np.float32]) -> NDArray[np.int16]:
    buckets = frames.reshape(len(frames) // BUCKET_FRAMES, -1)
    both = np.stack([buckets.min(axis=1), buckets.max(axis=1)], axis=1)
    return np.round(np.clip(both, -1.024, 1.024) * FULL_SCALE).astype(np.int16)
