"""One file into the library: copy, decode once, measure, propose. Runs in a worker process.

One decoding pass feeds the meter, the edge finder and the hash of the sound.
Short sounds stay in memory for it, so that what a pad will play is measured
at once; long ones are never held whole.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from padbank.domain import Measurement, Original, Recipe
from padbank.dsp.edges import EdgeFinder, Edges
from padbank.dsp.measure import Meter
from padbank.dsp.render import prepare
from padbank.dsp.roles import propose_role
from padbank.errors import DecodeError, PadbankError
from padbank.files.decode import SoundReader, open_sound
from padbank.files.encode import write_lossless
from padbank.store import originals
from padbank.units import seconds_to_frames

IN_MEMORY_S = 60.0
"""Sounds up to this long are held in memory and measured as a pad will play them at once."""

COPY_SUFFIX_CHARS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestJob:
    """One file, or one section of it, to take in."""

    path: str
    originals_folder: str
    start_s: float | None = None
    end_s: float | None = None
    name: str | None = None
    """clip name to propose, where the file's own will not do"""
    tags: tuple[str, ...] = ()
    licence: str | None = None
    credit: str | None = None

    @property
    def is_section(self) -> bool:
        return self.start_s is not None or self.end_s is not None

    @property
    def section_key(self) -> str:
        """How the catalogue tells sections of one file apart; empty for the whole file."""
        if not self.is_section:
            return ""
        return f"{self.start_s or 0:.6f}-{'' if self.end_s is None else f'{self.end_s:.6f}'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestOutcome:
    """What became of a job: an original with what was found out about it, or a refusal."""

    job: IngestJob
    refused: str | None = None
    known_sha256: str | None = None
    original: Original | None = None
    recipe: Recipe | None = None
    role_reason: str = ""
    as_file: Measurement | None = None
    as_played: Measurement | None = None
    warnings: tuple[str, ...] = ()
    n_bytes: int = 0
    mtime_ns: int = 0


_known: frozenset[str] = frozenset()


def start_worker(known: frozenset[str]) -> None:
    """Run once in each worker process: the originals that the library has already."""
    global _known
    _known = known


def ingest(job: IngestJob) -> IngestOutcome:
    """Take one file in. Never raises for a bad file: the outcome says why it was refused."""
    try:
        return _ingest(job, Path(job.originals_folder))
    except DecodeError as error:
        return IngestOutcome(job=job, refused=error.reason)
    except PadbankError as error:
        return IngestOutcome(job=job, refused=str(error))
    except OSError as error:
        return IngestOutcome(job=job, refused=f"cannot be read ({error.strerror or error})")


def _ingest(job: IngestJob, folder: Path) -> IngestOutcome:
    path = Path(job.path)
    before = os.stat(path)
    with open_sound(path) as reader:  # refuses what is no sound before anything is copied
        cut = job.is_section or reader.info.has_picture
        if cut:
            temporary, sha256, n_bytes, warnings = _cut_section(reader, job, folder)
    if not cut:
        temporary, sha256, n_bytes = originals.copy_in(folder, path, path.suffix.lower()[:COPY_SUFFIX_CHARS])
        warnings = ()
    after = os.stat(path)
    try:
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            return IngestOutcome(job=job, refused="changed while it was read: add it again when it is finished")
        if sha256 in _known:
            return IngestOutcome(job=job, known_sha256=sha256, n_bytes=before.st_size, mtime_ns=before.st_mtime_ns)
        found = _study(temporary)
        if found.edges.silent:
            return IngestOutcome(job=job, refused="holds only silence")
        original = Original(
            sha256=sha256,
            sound_sha256=found.sound_sha256,
            suffix=temporary.suffix,
            n_bytes=n_bytes,
            frames=found.as_file.frames,
            sample_rate_hz=found.as_file.sample_rate_hz,
            channels=found.as_file.channels,
            source=str(path),
            source_start_s=(job.start_s or 0.0) if cut else None,
            source_end_s=((job.start_s or 0.0) + found.as_file.duration_s) if cut else None,
        )
        originals.settle(folder, temporary, sha256, temporary.suffix)
    finally:
        temporary.unlink(missing_ok=True)
    return IngestOutcome(
        job=job,
        original=original,
        recipe=found.recipe,
        role_reason=found.role_reason,
        as_file=found.as_file,
        as_played=found.as_played,
        warnings=(*warnings, *found.warnings),
        n_bytes=before.st_size,
        mtime_ns=before.st_mtime_ns,
    )


def _cut_section(reader: SoundReader, job: IngestJob, folder: Path) -> tuple[Path, str, int, tuple[str, ...]]:
    """Keep a section, or a video's sound, as lossless audio under a temporary name."""
    info = reader.info
    rate_hz = info.sample_rate_hz
    first = seconds_to_frames(job.start_s or 0.0, rate_hz)
    last = None if job.end_s is None else seconds_to_frames(job.end_s, rate_hz)

    def section() -> Iterator[NDArray[np.float32]]:
        at, got = 0, 0
        if first and last is not None and last - first <= IN_MEMORY_S * rate_hz:
            block = reader.seek_read(first, last - first)
            if len(block):
                yield block
            got = len(block)
        else:
            for block in reader.blocks():
                low, high = max(first - at, 0), len(block) if last is None else min(last - at, len(block))
                at += len(block)
                if high > low:
                    got += high - low
                    yield block[low:high]
                if last is not None and at >= last:
                    break
        if not got:
            raise DecodeError(job.path, "is shorter than where the section starts: choose an earlier --from")

    stem = originals.incoming_path(folder)
    kept = write_lossless(stem, section(), rate_hz, info.channels, source_subtype=info.subtype)
    sha256, n_bytes = originals.hash_file(kept)
    return kept, sha256, n_bytes, tuple(reader.warnings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    sound_sha256: str
    edges: Edges
    recipe: Recipe
    role_reason: str
    as_file: Measurement
    as_played: Measurement | None
    warnings: tuple[str, ...]


def _study(path: Path) -> _Found:
    """One decoding pass over a kept original: levels, edges, role, hash of the sound."""
    with open_sound(path) as reader:
        rate_hz, channels = reader.info.sample_rate_hz, reader.info.channels
        meter, finder = Meter(rate_hz, channels), EdgeFinder(rate_hz, channels)
        digest = hashlib.sha256(f"{rate_hz}/{channels}/".encode())
        held: list[NDArray[np.float32]] | None = []
        frames = 0
        for block in reader.blocks():
            meter.feed(block)
            finder.feed(block)
            digest.update(np.ascontiguousarray(block, dtype="<f4").tobytes())
            frames += len(block)
            if held is not None:
                held.append(block.copy())
                if frames > IN_MEMORY_S * rate_hz:
                    held = None
        if held:
            whole = np.concatenate(held)
            edges = finder.finish(lambda start, n: whole[start : start + n])
        else:
            edges = finder.finish(reader.seek_read)
        as_file = meter.result()
        warnings = tuple(reader.warnings)
    proposal = propose_role(finder.envelope, edges)
    recipe = Recipe(
        start_s=edges.onset_frame / rate_hz,
        end_s=None if edges.end_frame >= frames else edges.end_frame / rate_hz,
        fade_in_s=edges.fade_in_frames / rate_hz,
        fade_out_s=edges.fade_out_frames / rate_hz,
        role=proposal.role,
    )
    as_played = None
    if held and not edges.silent:
        as_played = measure_as_played(whole, rate_hz, recipe)
    return _Found(
        sound_sha256=digest.hexdigest(),
        edges=edges,
        recipe=recipe,
        role_reason=proposal.reason,
        as_file=as_file,
        as_played=as_played,
        warnings=warnings,
    )


def measure_as_played(
    samples: NDArray[np.float32], rate_hz: int, recipe: Recipe, *, offset_s: float = 0.0
) -> Measurement:
    """What a pad would play at the original's rate: trimmed, faded, mono on both sides.

    ``samples`` are the original from ``offset_s`` on.
    """
    mono = recipe.channels != "as-is" or samples.shape[1] == 1
    channels = 1 if mono else 2
    heard = prepare(samples, rate_hz, recipe, out_rate_hz=rate_hz, channels=channels, offset_s=offset_s)
    meter = Meter(rate_hz, channels, as_played=True)
    meter.feed(heard)
    return meter.result()
