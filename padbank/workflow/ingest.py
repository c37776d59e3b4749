"""One file into the library: read, hash, decode once, measure, propose. Runs in a worker process.

A file of usual size is opened and read once: what is hashed, decoded and kept
are the same bytes in memory. A long one is copied first, and its copy decoded
in blocks. One decoding pass feeds the meter, the edge finder and the hash of
the sound. Short sounds stay in memory for it, so that what a pad will play is
measured at once; long ones are never held whole.

What comes out lies under a temporary name and is not on the disk for sure;
``workflow.intake`` sees to that.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from padbank.domain import Measurement, Original, Recipe
from padbank.dsp.edges import EdgeFinder, Edges
from padbank.dsp.measure import Meter
from padbank.dsp.render import prepare
from padbank.dsp.roles import propose_role
from padbank.errors import DecodeError, PadbankError, StoreError
from padbank.files.decode import SoundReader, open_regular, open_sound
from padbank.files.encode import write_lossless
from padbank.files.reader import BLOCK_FRAMES
from padbank.store import originals
from padbank.store.originals import Arrival
from padbank.units import seconds_to_frames

IN_MEMORY_S = 60.0
"""Sounds up to this long are held in memory and measured as a pad will play them; longer ones are
measured as they are while they stream by, and as played when a show first wants them."""
IN_MEMORY_BYTES = 16_000_000
"""Files up to this size are read whole, once."""
SMALL_BLOCK_FRAMES = 8192
CONTROL = re.compile("[\\x00-\\x1f\\x7f-\\x9f\\u2028\\u2029]")


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestJob:
    """One file, or one section of it, to take in."""

    path: str
    start_s: float | None = None
    end_s: float | None = None
    name: str | None = None
    """clip name to propose, where the file's own will not do"""
    tags: tuple[str, ...] = ()
    licence: str | None = None
    credit: str | None = None

    @property
    def source(self) -> str:
        """The path as text that can be stored and shown in a line: what cannot becomes ``\\xe9`` or ``\\n``."""
        text = os.fsencode(self.path).decode("utf-8", "backslashreplace")
        return CONTROL.sub(lambda found: repr(found[0])[1:-1], text)

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
    """What became of a job: an original with what was found out about it, or a refusal.

    ``arrival`` is the copy that waits to become the original; ``known_sha256``
    says that the library holds these bytes already.
    """

    refused: str | None = None
    known_sha256: str | None = None
    arrival: Arrival | None = None
    original: Original | None = None
    recipe: Recipe | None = None
    role_reason: str = ""
    as_file: Measurement | None = None
    as_played: Measurement | None = None
    warnings: tuple[str, ...] = ()
    n_bytes: int = 0
    mtime_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a run puts what it takes in, and which originals are there: suffixes by SHA-256."""

    originals: Path
    incoming: Path
    known: Mapping[str, str]

    def holds(self, sha256: str, n_bytes: int) -> bool:
        """Are these bytes there already, as many as there were?"""
        if (suffix := self.known.get(sha256)) is None:
            return False
        try:
            return os.stat(originals.original_path(self.originals, sha256, suffix)).st_size == n_bytes
        except OSError:
            return False


_place: Place


def start_worker(place: Place) -> None:
    """Run once in each worker process, before ``ingest_all``."""
    global _place
    _place = place


def ingest_all(jobs: Sequence[IngestJob]) -> list[IngestOutcome]:
    """``ingest`` for a few files in a worker process."""
    return [ingest(job, _place) for job in jobs]


def ingest(job: IngestJob, place: Place) -> IngestOutcome:
    """Take one file in. A bad file never raises: the outcome says why it was refused.

    Raises
    ------
    StoreError
        when the library cannot take any more (disk full, no permission)
    """
    try:
        return _ingest(job, place)
    except DecodeError as error:
        return IngestOutcome(refused=error.reason)
    except StoreError:
        raise
    except PadbankError as error:
        return IngestOutcome(refused=str(error))
    except MemoryError:
        return IngestOutcome(refused="needs more memory than there is: close other programs and add it again")
    except OSError as error:
        return IngestOutcome(refused=f"cannot be read ({(error.strerror or str(error)).lower()})")


def _ingest(job: IngestJob, place: Place) -> IngestOutcome:
    path = Path(job.path)
    with open_regular(path) as file:
        before = os.fstat(file.fileno())
        data = file.read(before.st_size + 1) if before.st_size <= IN_MEMORY_BYTES else None
        taken = _take(job, path, file, data, place)
        after = os.fstat(file.fileno())
    same = (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
    if not same or (data is not None and len(data) != before.st_size):
        return taken.refuse("changed while it was read: add it again when it is finished")
    found = taken.found
    if found is None:
        return IngestOutcome(known_sha256=taken.sha256, n_bytes=before.st_size, mtime_ns=before.st_mtime_ns)
    if found.edges.silent:
        return taken.refuse("holds only silence")
    arrival = taken.arrival or originals.write_in(place.incoming, data or b"", taken.sha256, taken.suffix)
    cut_from_s = (job.start_s or 0.0) if taken.is_cut else None
    return IngestOutcome(
        arrival=arrival,
        original=Original(
            sha256=taken.sha256,
            sound_sha256=found.sound_sha256,
            suffix=taken.suffix,
            n_bytes=arrival.n_bytes,
            frames=found.frames,
            sample_rate_hz=found.sample_rate_hz,
            channels=found.channels,
            source=job.source,
            source_start_s=cut_from_s,
            source_end_s=None if cut_from_s is None else cut_from_s + found.frames / found.sample_rate_hz,
        ),
        recipe=found.recipe,
        role_reason=found.role_reason,
        as_file=found.as_file,
        as_played=found.as_played,
        warnings=(*taken.warnings, *found.warnings),
        n_bytes=before.st_size,
        mtime_ns=before.st_mtime_ns,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """A file hashed and studied. ``arrival`` is its copy, None while it is still in memory alone;
    ``found`` is None where the library holds these bytes already."""

    sha256: str
    suffix: str
    arrival: Arrival | None = None
    found: _Found | None = None
    is_cut: bool = False
    warnings: tuple[str, ...] = ()

    def refuse(self, reason: str) -> IngestOutcome:
        if self.arrival is not None:
            originals.drop([self.arrival])
        return IngestOutcome(refused=reason)


def _take(job: IngestJob, path: Path, file: BinaryIO, data: bytes | None, place: Place) -> _Taken:
    suffix = originals.plain_suffix(path.name)
    sha256 = hashlib.sha256(data).hexdigest() if data is not None else ""
    if data is not None and not job.is_section and place.holds(sha256, len(data)):
        return _Taken(sha256=sha256, suffix=suffix)
    with open_sound(path, file if data is None else io.BytesIO(data)) as reader:
        if job.is_section or reader.info.has_picture:
            arrival = _cut_section(reader, job, place.incoming)
            return _study_copy(arrival, place, is_cut=True, warnings=tuple(reader.warnings))
        if data is not None:
            return _Taken(sha256=sha256, suffix=suffix, found=_study(reader))
    return _study_copy(originals.copy_in(place.incoming, file, suffix), place)


def _study_copy(arrival: Arrival, place: Place, *, is_cut: bool = False, warnings: tuple[str, ...] = ()) -> _Taken:
    """A copy that lies among the incoming files: what is kept is what is decoded."""
    found = None
    try:
        if not place.holds(arrival.sha256, arrival.n_bytes):
            with open_sound(arrival.temporary) as reader:
                found = _study(reader)
    finally:
        if found is None:
            originals.drop([arrival])
    kept = None if found is None else arrival
    return _Taken(sha256=arrival.sha256, suffix=arrival.suffix, arrival=kept, found=found, is_cut=is_cut, warnings=warnings)


def _cut_section(reader: SoundReader, job: IngestJob, incoming: Path) -> Arrival:
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
            raise DecodeError(job.source, "is shorter than where the section starts: choose an earlier --from")

    stem = originals.incoming_path(incoming)
    try:
        kept = write_lossless(stem, section(), rate_hz, info.channels, source_subtype=info.subtype)
    except StoreError as error:
        if isinstance(error.__cause__, OSError):
            raise originals.cannot_keep(incoming, error.__cause__) from error
        raise
    sha256, n_bytes = originals.hash_file(kept)
    return Arrival(temporary=kept, sha256=sha256, n_bytes=n_bytes, suffix=kept.suffix)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    sound_sha256: str
    frames: int
    sample_rate_hz: int
    channels: int
    edges: Edges
    recipe: Recipe
    role_reason: str
    as_file: Measurement | None
    as_played: Measurement | None
    warnings: tuple[str, ...]


def _study(reader: SoundReader) -> _Found:
    """One decoding pass: levels, edges, role, hash of the sound."""
    rate_hz, channels, claimed = reader.info.sample_rate_hz, reader.info.channels, reader.info.frames_claimed
    finder = EdgeFinder(rate_hz, channels)
    meter: Meter | None = None
    digest = hashlib.sha256(f"{rate_hz}/{channels}/".encode())
    held: list[NDArray[np.float32]] = []
    frames = 0
    # one frame more than there should be: a short sound comes in one block then
    most = min(BLOCK_FRAMES, max(SMALL_BLOCK_FRAMES, claimed + 1)) if claimed else BLOCK_FRAMES
    for block in reader.blocks(most):
        finder.feed(block)
        digest.update(np.ascontiguousarray(block, dtype="<f4").reshape(-1).data)
        frames += len(block)
        if meter is not None:
            meter.feed(block)
            continue
        held.append(block)
        if frames > IN_MEMORY_S * rate_hz:  # too long to hold: it is measured as it streams by
            meter = Meter(rate_hz, channels)
            for early in held:
                meter.feed(early)
            held.clear()
    whole = np.concatenate(held) if len(held) > 1 else held[0] if held else None
    edges = finder.finish(reader.seek_read if whole is None else lambda start, n: whole[start : start + n])
    proposal = propose_role(finder.envelope, edges)
    recipe = Recipe(
        start_s=edges.onset_frame / rate_hz,
        end_s=None if edges.end_frame >= frames else edges.end_frame / rate_hz,
        fade_in_s=edges.fade_in_frames / rate_hz,
        fade_out_s=edges.fade_out_frames / rate_hz,
        role=proposal.role,
    )
    return _Found(
        sound_sha256=digest.hexdigest(),
        frames=frames,
        sample_rate_hz=rate_hz,
        channels=channels,
        edges=edges,
        recipe=recipe,
        role_reason=proposal.reason,
        as_file=meter.result() if meter else None,
        as_played=None if whole is None or edges.silent else measure_as_played(whole, rate_hz, recipe),
        warnings=tuple(reader.warnings),
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
