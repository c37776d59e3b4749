"""All figures of a sound in one pass: loudness, range, sample peak, true peak.

Answers: what goes into ``domain.Measurement``? Feed blocks of any size as
they are decoded; memory stays flat (160 bytes for each second of sound).

Functions and classes: ``Meter``, ``measure``. Constant: ``METHOD`` (from ``method``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padbank.domain import Measurement
from padbank.dsp.chunks import (
    SMALLEST_SAMPLE,
    Chunker,
    Singles,
    as_block,
    block_range,
    check_format,
)
from padbank.dsp.energies import UNIT_FRAMES
from padbank.dsp.loudness import LoudnessPart
from padbank.dsp.method import METHOD
from padbank.dsp.peak import HISTORY, RINGING, PeakFinder
from padbank.units import gain_to_db


class Meter:
    """Streaming meter for everything in ``Measurement``.

    Parameters
    ----------
    sample_rate_hz : 8,000 to 192,000, whole
    channels : 1 to 6: C; L R; L R C; L R Ls Rs; L R C Ls Rs; L R C LFE Ls Rs
    as_played : a mono sound counts as played on both sides (+3.01 LU)

    The figures do not depend on the block sizes fed, and ``result`` may be
    asked at any time. Silence has None for every level; so has a sound
    without frames.

    Examples
    --------
    >>> meter = Meter(48_000, 2)
    >>> meter.feed(np.zeros((480, 2)))
    >>> meter.result().true_peak_dbtp is None
    True
    """

    def __init__(self, sample_rate_hz: int, channels: int, *, as_played: bool = False) -> None:
        check_format(sample_rate_hz, channels)
        self._rate_hz = int(sample_rate_hz)
        self._channels = channels
        self._method = METHOD + ("/as-played" if as_played and channels == 1 else "")
        self._loudness = LoudnessPart(self._rate_hz, channels, as_played)
        chunk_frames = self._loudness.energies.chunk_frames
        self._chunker = Chunker(channels, chunk_frames, HISTORY)
        self._finder = PeakFinder(chunk_frames)
        self._frames = 0
        self._sample_peak = 0.0
        self._true_peak = 0.0

    def feed(self, block: NDArray[np.floating]) -> None:
        """Add ``(frames, channels)`` float samples, nominal ±1.0.

        Raises
        ------
        InputError : NaN, infinity or values beyond +180 dBFS; integers;
            another number of channels than announced
        """
        block = as_block(block, self._channels)
        peak = block_range(block)
        self._sample_peak = max(self._sample_peak, peak)
        self._frames += len(block)
        self._chunker.add(block, peak < SMALLEST_SAMPLE, self._take)

    def _take(self, chunk: Singles) -> None:
        self._true_peak = self._finder.largest(chunk, self._true_peak)
        self._loudness.take(chunk[:, HISTORY:])

    def result(self) -> Measurement:
        """The figures of what was fed so far; feeding may go on."""
        return self.result_and_second()[0]

    def result_and_second(self) -> tuple[Measurement, float | None]:
        """``result`` and the loudness of the loudest second in LUFS (None for silence)."""
        part, chunker = self._loudness, self._chunker
        rest = chunker.rest(max(part.tail_frames, RINGING), UNIT_FRAMES)
        loud = part.read(rest[:, HISTORY:], chunker.filled)
        peak = max(self._finder.largest_of_rest(rest, self._true_peak), self._sample_peak)
        sounds = self._sample_peak >= SMALLEST_SAMPLE
        measurement = Measurement(
            frames=self._frames,
            sample_rate_hz=self._rate_hz,
            channels=self._channels,
            integrated_lufs=loud.integrated_lufs if sounds else None,
            momentary_max_lufs=loud.momentary_max_lufs if sounds else None,
            short_term_max_lufs=loud.short_term_max_lufs if sounds else None,
            loudness_range_lu=loud.loudness_range_lu if sounds else None,
            true_peak_dbtp=gain_to_db(peak) if sounds else None,
            sample_peak_dbfs=gain_to_db(self._sample_peak) if sounds else None,
            method=self._method,
        )
        return measurement, loud.loudest_second_lufs if sounds else None


def measure(
    samples: NDArray[np.floating], sample_rate_hz: int, *, as_played: bool = False
) -> Measurement:
    """Measure a whole sound.

    Parameters
    ----------
    samples : (frames, channels) or (frames,) float, nominal ±1.0
    sample_rate_hz : 8,000 to 192,000
    as_played : a mono sound counts as played on both sides (+3.01 LU)

    Raises
    ------
    InputError : as ``Meter.feed``

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 997 / 48_000 * np.arange(48_000))
    >>> f"{measure(tone, 48_000).integrated_lufs:.2f}"
    '-3.01'
    """
    block = as_block(samples)
    meter = Meter(sample_rate_hz, block.shape[1], as_played=as_played)
    meter.feed(block)
    return meter.result()
