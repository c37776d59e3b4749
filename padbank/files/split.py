"""One long recording of many cues: where are its silences, and which sections lie between?

The recording is decoded twice, in flat memory: once to learn its loudest
point, its usual level and its floor, so that "silent" is relative to this
recording; once in windows of 20 s, overlapping by more than the shortest
silence, in which ``pydub.silence`` finds the silent stretches. The cuts are
good to some 10 ms; ``refine`` lets the caller move them to the frame.

Functions: ``find_sections``, ``find_levels``.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from padbank.errors import InputError
from padbank.files.decode import SoundReader, open_sound
from padbank.files.reader import Samples
from padbank.progress import Progress, silent
from padbank.units import power_to_db

Refine = Callable[[SoundReader, int, int], tuple[int, int] | None]
"""(open sound, first frame, frame after the last) -> the same, moved; None drops the section."""

WINDOW_S = 20.0
STEP_MS = 10
"""Silence is looked for in steps of 10 ms."""
CELL_S = 0.01
"""Levels are taken over cells of 10 ms."""
BELOW_USUAL_DB = 40.0
ABOVE_FLOOR_DB = 6.0
"""Silence lies 40 dB below the usual level, or 6 dB above the floor where that is higher
(common practice, no source)."""
LEAST_BELOW_DB = 12.0
"""However high the floor, silence stays this far below the usual level."""
MARGIN_S = 0.05
"""Kept of the silence on each side of a section: soft beginnings lie below the threshold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Levels of a recording over cells of 10 ms, RMS over all channels, in dBFS."""

    frames: int
    peak: float
    usual_dbfs: float
    floor_dbfs: float

    @property
    def threshold_dbfs(self) -> float:
        """Below this the recording counts as silent."""
        wanted = max(self.usual_dbfs - BELOW_USUAL_DB, self.floor_dbfs + ABOVE_FLOOR_DB)
        return min(wanted, self.usual_dbfs - LEAST_BELOW_DB)


def find_levels(reader: SoundReader, progress: Progress = silent) -> Levels:
    """Decode once and take the peak, the usual level (95th percentile) and the floor (5th)."""
    cell = max(1, round(CELL_S * reader.info.sample_rate_hz))
    powers: list[Any] = []
    frames, peak = 0, 0.0
    for block in reader.blocks(cell * 256):
        frames += len(block)
        peak = max(peak, float(np.abs(block).max(initial=0.0)))
        whole = len(block) // cell * cell
        squares = np.mean(np.square(block, dtype=np.float64), axis=1)
        powers.append(squares[:whole].reshape(-1, cell).mean(axis=1).astype(np.float32))
        progress(frames, max(frames, reader.info.frames_claimed or 0), "listening")
    cells = np.concatenate(powers) if powers else np.zeros(0, np.float32)
    heard = cells[cells > 1e-12]  # digital silence says nothing of the room's floor
    if not heard.size:
        return Levels(frames=frames, peak=peak, usual_dbfs=-math.inf, floor_dbfs=-math.inf)
    low, high = np.percentile(heard, [5, 95])
    floor = float(low) if heard.size > 0.9 * cells.size else 0.0
    return Levels(
        frames=frames, peak=peak, usual_dbfs=power_to_db(float(high)), floor_dbfs=power_to_db(floor)
    )


def find_sections(
    path: Path | str,
    *,
    min_silence_s: float = 0.7,
    min_clip_s: float = 0.08,
    threshold_dbfs: float | None = None,
    refine: Refine | None = None,
    progress: Progress = silent,
) -> list[tuple[float, float]]:
    """Find the sections of a recording that lie between silences.

    Parameters
    ----------
    path : sound or video file of any length
    min_silence_s : a shorter pause does not divide, 0.1 s or more
    min_clip_s : a shorter section is dropped as a click
    threshold_dbfs : RMS level below which it is silent; None takes it from the recording itself
    refine : moves the cuts of each section, or drops it

    Returns
    -------
    list of (start_s, end_s) in order, none overlapping; empty when all is silent

    Raises
    ------
    DecodeError : the file cannot be read
    InputError : a length that cannot be used
    """
    if not 0.1 <= min_silence_s <= 30.0:
        raise InputError(f"shortest silence {min_silence_s} s: use 0.1 to 30 s")
    if not 0.0 <= min_clip_s <= 3600.0:
        raise InputError(f"shortest clip {min_clip_s} s: use 0 s or more")
    with open_sound(path) as reader:
        rate_hz = reader.info.sample_rate_hz
        levels = find_levels(reader, progress)
        if levels.peak == 0.0 or not math.isfinite(levels.usual_dbfs):
            return []
        threshold = levels.threshold_dbfs if threshold_dbfs is None else threshold_dbfs
        silences = _merge(_silences(reader, levels, threshold, min_silence_s, progress))
        sections = _between(silences, levels.frames, round(MARGIN_S * rate_hz))
        if refine is not None:
            sections = _refined(refine, reader, sections)
        return [
            (start / rate_hz, end / rate_hz)
            for start, end in sections
            if end - start >= max(1.0, min_clip_s * rate_hz)
        ]


def _refined(refine: Refine, reader: SoundReader, sections: list[tuple[int, int]]) -> list[tuple[int, int]]:
    moved: list[tuple[int, int]] = []
    for start, end in sections:
        result = refine(reader, start, end)
        if result is not None:
            moved.append((max(start, result[0]), min(end, result[1])))
    return moved


def _silences(
    reader: SoundReader, levels: Levels, threshold_dbfs: float, min_silence_s: float, progress: Progress
) -> Iterator[tuple[int, int]]:
    """Silent (start, end) frames in windows; one silence may come in two overlapping parts."""
    detect_silence, audio_segment = _pydub()
    rate_hz = reader.info.sample_rate_hz
    window = round((WINDOW_S + 3 * min_silence_s) * rate_hz)
    hop = round(WINDOW_S * rate_hz)
    gain = 1.0 / levels.peak  # 16 bits are plenty once the loudest point fills them
    relative_db = threshold_dbfs + 20.0 * math.log10(gain)
    for start in range(0, levels.frames, hop):
        n = min(window, levels.frames - start)
        samples = reader.seek_read(start, n)
        segment = audio_segment(
            data=_int16(samples, gain), sample_width=2, frame_rate=rate_hz, channels=samples.shape[1]
        )
        found = detect_silence(
            segment,
            min_silence_len=round(min_silence_s * 1000),
            silence_thresh=relative_db,
            seek_step=STEP_MS,
        )
        last = start + n >= levels.frames
        for from_ms, to_ms in found:
            end = start + to_ms * rate_hz // 1000
            if last and to_ms >= len(segment):
                end = levels.frames
            yield start + from_ms * rate_hz // 1000, min(end, levels.frames)
        progress(min(start + hop, levels.frames), levels.frames, "looking for silences")
        if last:
            return


def _int16(samples: Samples, gain: float) -> bytes:
    scaled = np.clip(samples * np.float32(gain * 32767.0), -32768.0, 32767.0)
    return np.rint(scaled).astype("<i2").tobytes()


def _pydub() -> tuple[Callable[..., list[list[int]]], Callable[..., Any]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it looks for an ffmpeg program that is not needed here
        from pydub import AudioSegment
        from pydub.silence import detect_silence
    return detect_silence, AudioSegment


def _merge(parts: Iterator[tuple[int, int]]) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for start, end in sorted(parts):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged


def _between(silences: list[tuple[int, int]], frames: int, margin: int) -> list[tuple[int, int]]:
    """What lies between silences, each side widened by ``margin``, at most half the silence."""
    sections = []
    at, lead = 0, 0
    for start, end in [*silences, (frames, frames)]:
        widen = min(margin, (end - start) // 2)
        if start > at:
            sections.append((at - lead, start + widen))
        at, lead = end, widen
    return sections
