"""From a clip to the sound that a pad plays: read, prepare, level, quantise, as WAV bytes.

``RenderJob`` holds all that the bytes hang on; the same job gives the same
bytes in any process. Functions: ``render_job``, ``render_to_file``,
``render_all``, ``read_part``, ``level_settings``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from padbank.domain import Clip, LevelRule, Measurement, Recipe, Role, Show
from padbank.dsp.level import clip_target_lufs
from padbank.dsp.method import METHOD
from padbank.dsp.render import finish_sound, loop_frames, prepare_blocks
from padbank.errors import InputError
from padbank.files.decode import open_sound
from padbank.files.encode import WavFile
from padbank.files.spool import Spool
from padbank.progress import Progress, silent
from padbank.units import seconds_to_frames
from padbank.workflow.keys import render_key
from padbank.workflow.pool import cores, worker_pool

RENDERER = "render-2"
"""Goes up whenever the same clip and recipe would give other bytes."""

SEEK_FROM_S = 120.0
"""Sections that end later than this are read by seeking, the rest from the start."""

POOL_FROM_S = 240.0
"""Seconds of sound from which worker processes pay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSettings:
    """How loud one clip is to become."""

    target_lufs: float
    ceiling_dbtp: float
    level_rule: LevelRule
    limit_max_db: float


def level_settings(show: Show, recipe: Recipe, *, even_lufs: float | None = None) -> LevelSettings:
    """Settings of a clip in a show; ``even_lufs`` is the show's lowered target under ``even``."""
    if even_lufs is not None:
        show = replace(show, target_lufs=even_lufs)
    return LevelSettings(
        target_lufs=clip_target_lufs(show, recipe),
        ceiling_dbtp=show.ceiling_dbtp,
        level_rule=show.level_rule,
        limit_max_db=show.limit_max_db,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderJob:
    """Everything that the bytes of a rendered file hang on."""

    clip: str
    original_sha256: str
    original_file: str
    recipe: Recipe
    channels: int
    sample_rate_hz: int
    bits: int
    as_played: bool
    loop_chunk: bool
    settings: LevelSettings
    duration_s: float = 0.0

    @property
    def key(self) -> str:
        """Equal keys promise equal bytes."""
        return render_key(
            RENDERER, METHOD, self.original_sha256, asdict(self.recipe), self.channels, self.sample_rate_hz,
            self.bits, self.as_played, self.loop_chunk, asdict(self.settings),
        )  # fmt: skip


def render_job(
    clip: Clip, original_file: Path, *, channels: int, sample_rate_hz: int, bits: int,
    as_played: bool, loop_chunk: bool, settings: LevelSettings,
) -> RenderJob:  # fmt: skip
    return RenderJob(
        clip=clip.name,
        original_sha256=clip.original.sha256,
        original_file=str(original_file),
        recipe=clip.recipe,
        channels=channels,
        sample_rate_hz=sample_rate_hz,
        bits=bits,
        as_played=as_played,
        loop_chunk=loop_chunk and clip.recipe.play_mode == "loop",
        settings=settings,
        duration_s=clip.duration_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedFacts:
    """What became of a clip's level, and the measured outcome (of the quantised sound)."""

    clip: str
    key: str
    role: Role
    frames: int
    gain_db: float
    limited_db: float
    short_lu: float
    reason: str
    settings: LevelSettings
    measurement: Measurement
    file: str
    loudest_second_lufs: float | None = None


def blocks_of(path: Path, recipe: Recipe, *, spare_frames: int = 0) -> Iterator[tuple[NDArray[np.float32], int]]:
    """Blocks ``(frames, channels)`` of what a recipe keeps of an original, each with the rate in Hz.

    ``spare_frames`` more are given after the trim's end, where there are any.
    """
    with open_sound(path) as reader:
        rate_hz = reader.info.sample_rate_hz
        first = seconds_to_frames(recipe.start_s, rate_hz)
        last = None if recipe.end_s is None else seconds_to_frames(recipe.end_s, rate_hz) + spare_frames
        if last is not None and last > SEEK_FROM_S * rate_hz and last - first < SEEK_FROM_S * rate_hz:
            yield reader.seek_read(first, last - first), rate_hz
            return
        at = 0
        for block in reader.blocks():
            low, high = max(first - at, 0), len(block) if last is None else min(last - at, len(block))
            if high > low:
                yield block[low:high], rate_hz
            at += len(block)
            if last is not None and at >= last:
                return


def read_part(path: Path, recipe: Recipe, *, spare_frames: int = 0) -> tuple[NDArray[np.float32], int]:
    """The frames that a recipe keeps, ``(frames, channels)``, and the rate in Hz.

    Raises
    ------
    InputError
        when the trim lies outside the sound
    """
    parts = list(blocks_of(path, recipe, spare_frames=spare_frames))
    if not parts:
        raise nothing_left(path, recipe)
    return np.concatenate([block for block, _ in parts]), parts[0][1]


def nothing_left(path: Path, recipe: Recipe) -> InputError:
    return InputError(
        f"nothing is left of {path.name} from {recipe.start_s:.3f} s on: move the clip's start (padbank edit), or --undo"
    )


def prepared_blocks(job: RenderJob) -> Iterator[NDArray[np.float64]]:
    """Trimmed, faded, in the job's channels and rate; not levelled yet."""
    # One frame more than the trim tells whether its end is a cut.
    blocks = blocks_of(Path(job.original_file), job.recipe, spare_frames=1)
    first = next(blocks, None)
    if first is None:
        raise nothing_left(Path(job.original_file), job.recipe)
    yield from prepare_blocks(
        chain([first[0]], (block for block, _ in blocks)),
        first[1],
        job.recipe,
        out_rate_hz=job.sample_rate_hz,
        channels=job.channels,
        offset_s=job.recipe.start_s,
    )


def loop_in(job: RenderJob, frames: int) -> tuple[int, int] | None:
    """The loop to write into the file, end exclusive: the recipe's, else the whole clip; None for no chunk."""
    return repeated(job, frames) if job.loop_chunk else None


def repeated(job: RenderJob, frames: int) -> tuple[int, int] | None:
    """The frames that a loop repeats, end exclusive; None for a clip that does not loop."""
    if job.recipe.play_mode != "loop" or frames == 0:
        return None
    return loop_frames(job.recipe, job.sample_rate_hz, frames) or (0, frames)


def render_to_file(job: RenderJob, path: str) -> RenderedFacts:
    """Render a job into a WAV at ``path``; long clips leave a working copy beside it meanwhile."""
    seed = hashlib.sha256(job.key.encode()).digest()
    with Spool(Path(path).parent, job.channels) as sound:
        for block in prepared_blocks(job):
            sound.write(block)
        loop = loop_in(job, sound.frames)
        with WavFile(path, sound.frames, job.channels, job.sample_rate_hz, job.bits, loop=loop) as file:
            done = finish_sound(
                sound,
                job.sample_rate_hz,
                file.write,
                role=job.recipe.role,
                target_lufs=job.settings.target_lufs,
                ceiling_dbtp=job.settings.ceiling_dbtp,
                level_rule=job.settings.level_rule,
                limit_max_db=job.settings.limit_max_db,
                bits=job.bits,
                seed=seed,
                as_played=job.as_played,
                loop=repeated(job, sound.frames),
            )
    return RenderedFacts(
        clip=job.clip,
        key=job.key,
        role=job.recipe.role,
        frames=sound.frames,
        gain_db=done.gain_db,
        limited_db=done.limited_db,
        short_lu=done.short_lu,
        reason=done.reason,
        settings=job.settings,
        measurement=done.measurement,
        file=path,
        loudest_second_lufs=done.loudest_second_lufs,
    )


def _one(pair: tuple[RenderJob, str]) -> RenderedFacts:
    return render_to_file(*pair)


def render_all(
    jobs: Sequence[RenderJob], folder: Path, *, progress: Progress = silent, workers: int | None = None
) -> dict[str, RenderedFacts]:
    """Render distinct jobs into ``folder``, on all cores when there is enough to do; by key."""
    distinct = {job.key: job for job in jobs}
    pairs = [(job, str(folder / f"{key[:32]}.wav")) for key, job in distinct.items()]
    results: dict[str, RenderedFacts] = {}

    def collect(facts: RenderedFacts) -> None:
        results[facts.key] = facts
        progress(len(results), len(pairs), facts.clip)

    seconds = sum(job.duration_s for job in distinct.values())
    if workers is None:
        workers = cores() if seconds >= POOL_FROM_S and len(pairs) > 1 else 1
    if workers <= 1:
        for pair in pairs:
            collect(_one(pair))
        return results
    with worker_pool(workers) as pool:
        for facts in pool.map(_one, pairs):
            collect(facts)
    return results
