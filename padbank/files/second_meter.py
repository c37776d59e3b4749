"""The second meter: measures again, by other people's code, what our own meter has levelled.

Integrated and momentary loudness go through pyloudnorm with its
BS.1770-matching filter class, true peak through ``scipy.signal.resample_poly``
at 8 times the rate (``second_peak``); nothing here shares a line with ``padbank.dsp``.

pyloudnorm's habits are kept from biting: it refuses less than 400 ms and
rounds a trailing part of a block *in*, so only whole hops of 100 ms are given
to it (BS.1770-5 Annex 1 drops the incomplete last block); it holds everything
in memory several times over, so long sounds go through it in pieces of 20 s,
each with a second of lead for its filters, and its block values are gated
together at the end.

Functions: ``measure_again`` (an array), ``measure_file_again`` (a file, in
flat memory), ``measure_again_from`` (anything that can be read by position); ``sections_of``,
``measure_section`` and ``joined`` for a long sound on several cores.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.domain import Role
from padbank.errors import InputError
from padbank.files.second_peak import true_peak
from padbank.units import MONO_ON_BOTH_SIDES_LU, gain_to_db, power_to_db

Read = Callable[[int, int], NDArray[Any]]
"""(start frame, number of frames) -> samples (frames, channels)"""

PIECE_S, LEAD_S = 20, 1
SECTION_S = 120
BLOCK_S, HOP_S = 0.4, 0.1
SLIDE_PER_S = 100
"""The momentary window moves in steps of 10 ms."""
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU, OFFSET_LU = -70.0, -10.0, -0.691  # BS.1770-5 Annex 1
MAX_CHANNELS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondReading:
    """What the second meter read. None: no such value (silence, or under 400 ms), or not asked for."""

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    true_peak_dbtp: float | None
    method: str


def measure_again(samples: NDArray[Any], rate_hz: int, *, as_played: bool) -> SecondReading:
    """Measure an array of any float type, (frames, channels) or (frames,), nominal ±1.0.

    ``as_played``: a mono sound counts as played on both sides (+3.01 LU).
    Raises InputError for NaN or infinite values and for more than 5 channels.
    """
    samples = np.asarray(samples)
    if samples.ndim == 1:
        samples = samples[:, np.newaxis]
    return measure_again_from(
        lambda start, n: samples[start : start + n],
        len(samples),
        rate_hz,
        samples.shape[1],
        as_played=as_played,
    )


def measure_file_again(path: Path | str, *, as_played: bool) -> SecondReading:
    """Measure a file in flat memory; raises DecodeError where it cannot be read."""
    from padbank.files.decode import open_sound

    with open_sound(path) as reader:
        frames = sum(len(block) for block in reader.blocks())
        info = reader.info
        return measure_again_from(
            reader.seek_read, frames, info.sample_rate_hz, info.channels, as_played=as_played
        )


def measure_again_from(
    read: Read, frames: int, rate_hz: int, channels: int, *, as_played: bool, role: Role | None = None
) -> SecondReading:
    """Measure whatever ``read(start, n)`` gives, a piece at a time.

    ``role``: only the loudness that this role is levelled by is read, and the other is None. A
    phrase too short or too quiet for an integrated value has its momentary one read.
    """
    sections = [
        measure_section(read, frames, rate_hz, channels, section, role=role)
        for section in sections_of(frames, rate_hz, role)
    ]
    return joined(sections, read, frames, rate_hz, channels, as_played=as_played)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """What one stretch of a sound gives. ``powers``: of the 400 ms blocks that begin in it.

    ``momentary_lufs``: of a sound in one section, where it is wanted.
    """

    powers: NDArray[np.float64]
    momentary_lufs: float | None
    peak: float


def sections_of(frames: int, rate_hz: int, role: Role | None = None) -> list[tuple[int, int]]:
    """First and last frame (exclusive) of the stretches that can be measured one by one.

    Together they give what the whole sound gives. A hit stays whole: its window slides over all of it.
    """
    step = SECTION_S * rate_hz if role == "phrase" else frames
    return [(first, min(first + step, frames)) for first in range(0, frames, step)] if frames else []


def measure_section(
    read: Read, frames: int, rate_hz: int, channels: int, section: tuple[int, int], *, role: Role | None = None
) -> Section:
    """Measure one of ``sections_of``. ``read`` and ``frames`` are the whole sound's."""
    if not 1 <= channels <= MAX_CHANNELS:
        raise InputError(f"{channels} channels: the second meter takes 1 to {MAX_CHANNELS}")
    meter = _meter(rate_hz)
    powers, momentary = np.zeros(0), None
    if role != "hit":
        powers = _block_powers(meter, read, frames, rate_hz, section)
    if role != "phrase" or (section == (0, frames) and _integrated(powers) is None):
        momentary = _momentary_max(meter, read, frames, rate_hz, channels)
    peak = true_peak(partial(_get, read), frames, *section)
    return Section(powers=powers, momentary_lufs=momentary, peak=peak)


def joined(
    sections: Sequence[Section], read: Read, frames: int, rate_hz: int, channels: int, *, as_played: bool
) -> SecondReading:
    """The reading of a sound from all its sections."""
    from scipy import __version__ as scipy_version

    played_lu = MONO_ON_BOTH_SIDES_LU if as_played and channels == 1 else 0.0
    integrated = _integrated(np.concatenate([np.zeros(0), *(section.powers for section in sections)]))
    momentary = sections[0].momentary_lufs if len(sections) == 1 else None
    if len(sections) > 1 and integrated is None:
        momentary = _momentary_max(_meter(rate_hz), read, frames, rate_hz, channels)
    peak = max((section.peak for section in sections), default=0.0)
    return SecondReading(
        integrated_lufs=None if integrated is None else integrated + played_lu,
        momentary_max_lufs=None if momentary is None else momentary + played_lu,
        true_peak_dbtp=gain_to_db(peak) if peak > 0 else None,
        method=f"pyloudnorm-{_version('pyloudnorm')}/DeMan; resample_poly-8x/scipy-{scipy_version}",
    )


def _meter(rate_hz: int) -> Any:
    import pyloudnorm

    return pyloudnorm.Meter(rate_hz, filter_class="DeMan")


def _version(package: str) -> str:
    from importlib.metadata import version

    return version(package)


def _get(read: Read, start: int, n: int) -> NDArray[np.float64]:
    samples = np.array(read(start, n), dtype=np.float64)
    if not np.isfinite(samples).all():
        raise InputError("the sound holds values that are no numbers (NaN or infinite)")
    return samples


def _block_powers(
    meter: Any, read: Read, frames: int, rate_hz: int, section: tuple[int, int]
) -> NDArray[np.float64]:
    """Weighted mean square of the whole 400 ms blocks of a section, 100 ms apart (BS.1770-5 eq. 3)."""
    n_blocks = math.floor((frames - BLOCK_S * rate_hz) / (HOP_S * rate_hz) + 1e-9) + 1
    first_block = section[0] * 10 // rate_hz  # sections begin on a whole second
    if section[1] < frames:
        n_blocks = min(n_blocks, section[1] * 10 // rate_hz)
    powers: list[float] = []
    blocks_per_piece = round(PIECE_S / HOP_S)
    for first in range(first_block, n_blocks, blocks_per_piece):
        count = min(blocks_per_piece, n_blocks - first)
        start = first * rate_hz // 10
        lead = min(start, LEAD_S * rate_hz)
        length = lead + math.ceil((BLOCK_S + (count - 1) * HOP_S) * rate_hz - 1e-6)
        samples = _get(read, start - lead, length)
        meter.integrated_loudness(samples)
        values = np.array(meter.blockwise_loudness[round(lead / rate_hz / HOP_S) :])
        powers.extend(10.0 ** ((values[:count] - OFFSET_LU) / 10.0))
    return np.array(powers)


def _integrated(powers: NDArray[np.float64]) -> float | None:
    """Gate block powers twice and average them (BS.1770-5 eq. 5 to 7)."""
    kept = powers[powers >= 10.0 ** ((ABSOLUTE_GATE_LUFS - OFFSET_LU) / 10.0)]
    if not kept.size:
        return None
    kept = kept[kept > kept.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)]
    return OFFSET_LU + power_to_db(float(kept.mean()))


def _momentary_max(meter: Any, read: Read, frames: int, rate_hz: int, channels: int) -> float | None:
    """Loudest 400 ms of the sound extended with silence, in steps of 10 ms."""
    from scipy.signal import lfilter

    window = math.floor(BLOCK_S * rate_hz + 0.5)
    total = frames + window
    weights = np.array([1.0, 1.0, 1.0, 1.41, 1.41])[:channels]
    # The filters are pyloudnorm's own; run with their state so that pieces join without a seam.
    stages = [(stage.b, stage.a, np.zeros((2, channels))) for stage in meter._filters.values()]
    history = np.zeros(0)  # weighted squares from frame `base` on
    base, slide, loudest = 0, 0, 0.0
    for start in range(0, total, PIECE_S * rate_hz):
        n = min(PIECE_S * rate_hz, total - start)
        samples = np.zeros((n, channels))
        held = _get(read, start, min(n, frames - start)) if start < frames else samples[:0]
        samples[: len(held)] = held
        for i, (b, a, state) in enumerate(stages):
            samples, state = lfilter(b, a, samples, axis=0, zi=state)
            state[np.abs(state) < 1e-150] = 0.0  # digital silence would leave denormal numbers
            stages[i] = (b, a, state)
        squares = np.concatenate([history, (samples**2) @ weights])
        sums = np.concatenate([[0.0], np.cumsum(squares)])
        last = (base + len(squares) - window) * SLIDE_PER_S // rate_hz
        starts = np.arange(slide, last + 1) * rate_hz // SLIDE_PER_S - base
        starts = starts[(starts >= 0) & (starts + window <= len(squares))]
        if starts.size:
            loudest = max(loudest, float((sums[starts + window] - sums[starts]).max()))
            slide += len(starts)
        keep_from = max(0, slide * rate_hz // SLIDE_PER_S - base)
        history = squares[keep_from:]
        base += keep_from
    power = loudest / window
    return OFFSET_LU + power_to_db(power) if power > 1e-30 else None
