"""The envelope of a sound, gathered while it streams by: peak and power of every 5 ms.

What it answers: what the search for edges and the guess of a role need to know of a whole
sound, in a few numbers a hop. Each hop is kept as its highest and lowest sample, mean and mean
square; at the end the median of the means is taken for DC, and peak and
power are counted from there, so that DC counts for nothing and hum stays even.

Classes: ``Envelope``, ``EnvelopeFollower``. Functions: ``as_frames``, ``mean_back``,
``means_back``, ``running_sums``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.errors import InputError
from padbank.units import seconds_to_frames

Samples = NDArray[Any]
Read = Callable[[int, int], Samples]
"""``read(start_frame, n_frames)``: those frames of the original again, fewer at its end."""

HOP_S = 0.005
MAX_HOPS = 1 << 18
"""More hops than this (22 minutes) are merged in pairs: memory stays flat."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """What the pass kept, per hop: the peak and the mean square about the sound's DC.

    ``ripple`` is the mean square about the hop's own mean, which rumble hardly moves. All
    are the largest of the channels; arrays of shape ``(hops,)``.
    """

    sample_rate_hz: int
    frames: int
    hop_frames: int
    peak: NDArray[np.float64]
    power: NDArray[np.float64]
    ripple: NDArray[np.float64]

    @property
    def hop_s(self) -> float:
        return self.hop_frames / self.sample_rate_hz

    def from_hop(self, hop: int) -> Envelope:
        return replace(self, peak=self.peak[hop:], power=self.power[hop:], ripple=self.ripple[hop:])

    def reversed(self) -> Envelope:
        return replace(
            self, peak=self.peak[::-1], power=self.power[::-1], ripple=self.ripple[::-1]
        )


class EnvelopeFollower:
    """Streaming gatherer of an ``Envelope``.

    Parameters
    ----------
    sample_rate_hz : int
    channels : int

    Memory: 32 bytes per hop and channel, no more than 8 MiB a channel for any length.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        if sample_rate_hz <= 0 or channels <= 0:
            raise InputError(
                f"{sample_rate_hz} Hz with {channels} channels is no sound: check the file"
            )
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self._hop = max(1, seconds_to_frames(HOP_S, sample_rate_hz))
        self._rest: Samples = np.zeros((0, channels))
        # per hop and channel: highest, lowest, mean, mean square
        self._hops: list[NDArray[np.float64]] = []
        self._count = 0
        self._frames = 0
        self._envelope: Envelope | None = None

    def feed(self, block: Samples) -> None:
        """Take the next ``(frames, channels)`` block."""
        block = as_frames(block)
        if block.shape[1] != self.channels:
            raise InputError(
                f"a block of {block.shape[1]} channels came for a sound of {self.channels}"
            )
        self._frames += len(block)
        hop = self._hop
        if len(self._rest):
            take = min(hop - len(self._rest), len(block))
            self._rest = np.concatenate([self._rest, block[:take]])
            block = block[take:]
            if len(self._rest) < hop:
                return
            self._keep(self._rest[None])
            self._rest = self._rest[:0]
        whole = len(block) // hop
        if whole:
            self._keep(block[: whole * hop].reshape(whole, hop, self.channels))
        self._rest = block[whole * hop :].copy()
        if self._count > MAX_HOPS and self._count % 2 == 0:
            self._halve()

    def _keep(self, hops: Samples) -> None:
        self._hops.append(_hop_figures(hops))
        self._count += len(hops)

    def _halve(self) -> None:
        """Merge hops in pairs; what is left over goes on as a part of the next, longer hop."""
        pairs = np.concatenate(self._hops, axis=1).reshape(4, -1, 2, self.channels)
        self._hops = [
            np.stack(
                [
                    pairs[0].max(axis=1),
                    pairs[1].min(axis=1),
                    pairs[2].mean(axis=1),
                    pairs[3].mean(axis=1),
                ]
            )
        ]
        self._count //= 2
        self._hop *= 2

    @property
    def envelope(self) -> Envelope:
        """The hops so far, the last one perhaps short."""
        if self._envelope is None or self._envelope.frames != self._frames:
            parts = list(self._hops)
            if len(self._rest):
                parts.append(_hop_figures(self._rest[None]))
            if not parts:
                parts = [np.zeros((4, 0, self.channels))]
            high, low, mean, square = np.concatenate(parts, axis=1)
            dc = np.median(mean, axis=0) if len(mean) else np.zeros(self.channels)
            self._envelope = Envelope(
                sample_rate_hz=self.sample_rate_hz,
                frames=self._frames,
                hop_frames=self._hop,
                peak=np.maximum(high - dc, dc - low).max(axis=1),
                power=np.maximum(square - 2 * dc * mean + dc * dc, 0.0).max(axis=1),
                ripple=np.maximum(square - mean * mean, 0.0).max(axis=1),
            )
        return self._envelope


def as_frames(samples: Samples) -> Samples:
    """``(frames,)`` as ``(frames, 1)``."""
    samples = np.asarray(samples)
    return samples[:, None] if samples.ndim == 1 else samples


def mean_back(power: NDArray[np.float64], hops: int) -> NDArray[np.float64]:
    """Mean of the last ``hops`` values at each hop (fewer at the start)."""
    return means_back(running_sums(power), hops)


def running_sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of the values before each place, from 0 to all of them: ``(values + 1,)``."""
    return np.concatenate([[0.0], np.cumsum(values)])


def means_back(sums: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Mean of the last ``width`` values at each (fewer at the start), from their running sums."""
    means = np.empty(len(sums) - 1)
    head = min(width, len(means))
    means[:head] = sums[1 : head + 1] / np.arange(1, head + 1)
    means[head:] = (sums[head + 1 :] - sums[1 : len(sums) - head]) / width
    return means


def _hop_figures(hops: Samples) -> NDArray[np.float64]:
    """Highest, lowest, mean and mean square of ``(hops, frames, channels)``: (4, hops, channels)."""
    planes = np.ascontiguousarray(np.moveaxis(hops, 2, 0))  # a channel at a time is 20 times as fast
    mean = planes.mean(axis=2, dtype=np.float64)
    centred = planes - mean[:, :, None].astype(hops.dtype)
    square = np.einsum("chf,chf->ch", centred, centred) / hops.shape[1] + mean**2
    return np.stack([planes.max(axis=2).T, planes.min(axis=2).T, mean.T, square.T]).astype(np.float64)
