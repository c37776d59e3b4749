"""``add``: files and folders into the library, on all cores, resumable, nothing lost.

Each file is committed on its own as soon as it is done, so that a stop at any
moment keeps what was reported. Functions: ``add``, ``find_files``.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from padbank.domain import Clip
from padbank.errors import InputError
from padbank.files.decode import is_sound_name
from padbank.progress import Progress, silent
from padbank.store.library import Library, clip_name_for
from padbank.store.originals import clear_leftovers, drop_unused
from padbank.workflow.ingest import IngestJob, IngestOutcome, ingest, start_worker
from padbank.workflow.keys import played_key
from padbank.workflow.pool import cores, worker_pool
from padbank.workflow.rights import check_licence
from padbank.workflow.tags import check_tag

POOL_FROM_FILES = 24
POOL_FROM_BYTES = 40_000_000
"""Below both, starting worker processes costs more than it saves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """One file's clip, with the reason for its role; ``same_as`` is where the same sound came from first."""

    path: str
    clip: str
    role: str
    reason: str
    state: Literal["added", "already", "brought back"] = "added"
    same_as: str | None = None
    licence_noted: bool = False
    """the clip was there without a licence, and this call stated one"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A file that was not taken in, or one with a warning, and why."""

    path: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AddReport:
    """What became of every file, each group in the order of the files."""

    added: tuple[Added, ...]
    already: tuple[Added, ...]
    refused: tuple[Refused, ...]
    warnings: tuple[Refused, ...]


def find_files(paths: Iterable[Path]) -> Iterator[Path]:
    """The files to try: those named, and in folders all with a sound's or video's suffix.

    Hidden files and folders (and the copies that some systems leave, ``._x``) are passed over.

    Raises
    ------
    InputError
        when a named path is not there
    """
    for path in paths:
        if path.is_dir():
            for folder, folders, names in os.walk(path):
                folders[:] = sorted(f for f in folders if not f.startswith("."))
                for name in sorted(names):
                    if not name.startswith(".") and is_sound_name(Path(name)):
                        yield Path(folder) / name
        elif path.exists() or path.is_symlink():
            yield path
        else:
            raise InputError(f"{path} is not there: check the name (quote it when it has spaces)")


def add(
    library: Library,
    paths: Sequence[Path],
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    tags: Sequence[str] = (),
    licence: str | None = None,
    credit: str | None = None,
    progress: Progress = silent,
    workers: int | None = None,
) -> AddReport:
    """Take files and folders into the library.

    Parameters
    ----------
    start_s, end_s : a section to cut, for one file
    tags, licence, credit : given to every clip that this call adds; to those already there the tags, and
        licence and credit where none was stated
    workers : processes; None chooses by how much there is to do

    Raises
    ------
    InputError
        for paths that are not there, bad tags or an unknown licence; a bad *file* never raises
    """
    tags = tuple(dict.fromkeys(check_tag(t) for t in tags))
    licence = check_licence(licence) if licence else None
    files = list(dict.fromkeys(Path(os.path.abspath(f)) for f in find_files(paths)))
    if (start_s is not None or end_s is not None) and len(files) != 1:
        raise InputError("--from and --to cut one file: name that file alone")
    if start_s is not None and end_s is not None and end_s <= start_s:
        raise InputError("--to is not after --from: swap them or choose a later end")
    clear_leftovers(library.originals)
    jobs = [
        IngestJob(
            path=str(f), originals_folder=str(library.originals), start_s=start_s, end_s=end_s, tags=tags,
            licence=licence, credit=credit,
        )
        for f in files
    ]  # fmt: skip
    return take_in(library, jobs, progress=progress, workers=workers)


def take_in(
    library: Library,
    jobs: Sequence[IngestJob],
    *,
    progress: Progress = silent,
    workers: int | None = None,
) -> AddReport:
    """Run jobs and write what they bring into the catalogue, in the order of the jobs."""
    catalogue = library.catalogue
    taken = catalogue.names_taken()
    added: dict[int, Added] = {}
    already: dict[int, Added] = {}
    refused: dict[int, Refused] = {}
    warnings: list[tuple[int, Refused]] = []
    to_do: list[int] = []

    for index, job in enumerate(jobs):
        seen = catalogue.source_seen(job.path, job.section_key)
        known = catalogue.clip_of(seen[2]) if seen and _unchanged(job.path, seen) else None
        if known and not known[1] and library.has_original_file(known[0]):
            already[index] = _already(library, job, known[0])
        else:
            to_do.append(index)

    def settle(index: int, outcome: IngestOutcome) -> None:
        job = outcome.job
        if outcome.refused is not None:
            refused[index] = Refused(path=job.path, reason=outcome.refused)
            return
        warnings.extend((index, Refused(path=job.path, reason=text)) for text in outcome.warnings)
        with catalogue.atomic():
            sha256 = outcome.known_sha256 or (outcome.original.sha256 if outcome.original else "")
            match = catalogue.clip_of(sha256)
            if match is None and outcome.original and (twin := catalogue.original_like(outcome.original.sound_sha256)):
                match = catalogue.clip_of(twin)
                if not catalogue.has_original(sha256):
                    drop_unused(library.originals, sha256, outcome.original.suffix)
            if match is not None:
                clip, removed = match
                if removed:
                    catalogue.set_removed(clip.name, False)
                entry = _already(library, job, clip, brought_back=removed)
                (added if removed else already)[index] = entry
                catalogue.note_source(job.path, job.section_key, outcome.n_bytes, outcome.mtime_ns, clip.original.sha256)
                return
            assert outcome.original and outcome.recipe and outcome.as_file
            stem = job.name or _stem(job)
            clip = Clip(
                name=clip_name_for(stem, taken),
                original=outcome.original,
                recipe=outcome.recipe,
                tags=tuple(sorted(job.tags)),
                licence=job.licence,
                credit=job.credit,
            )
            taken.add(clip.name)
            catalogue.add_original(outcome.original)
            catalogue.add_clip(clip)
            catalogue.keep_measurement(clip.original.sha256, "file", outcome.as_file)
            if outcome.as_played:
                catalogue.keep_measurement(clip.original.sha256, played_key(clip.recipe), outcome.as_played)
            catalogue.note_source(job.path, job.section_key, outcome.n_bytes, outcome.mtime_ns, sha256)
            added[index] = Added(path=job.path, clip=clip.name, role=clip.recipe.role, reason=outcome.role_reason)

    done = len(jobs) - len(to_do)
    # Results are settled in the order of the jobs, so that names do not hang on which core was faster.
    with _runner(library, [jobs[i] for i in to_do], workers) as outcomes:
        for index, outcome in zip(to_do, outcomes, strict=True):
            settle(index, outcome)
            done += 1
            progress(done, len(jobs), Path(outcome.job.path).name)
    progress(len(jobs), len(jobs), "")
    return AddReport(
        added=tuple(added[i] for i in sorted(added)),
        already=tuple(already[i] for i in sorted(already)),
        refused=tuple(refused[i] for i in sorted(refused)),
        warnings=tuple(w for _, w in warnings),
    )


@contextmanager
def _runner(library: Library, jobs: Sequence[IngestJob], workers: int | None) -> Iterator[Iterator[IngestOutcome]]:
    """Outcomes of the jobs in their order, from this process or from a pool."""
    known = frozenset(
        o.sha256
        for o in library.catalogue.originals()
        if (clip := library.catalogue.clip_of(o.sha256)) and library.has_original_file(clip[0])
    )
    if workers is None:
        big = sum(_size(j.path) for j in jobs) >= POOL_FROM_BYTES and len(jobs) > 1
        workers = cores() if len(jobs) >= POOL_FROM_FILES or big else 1
    if workers <= 1:
        start_worker(known)
        yield map(ingest, jobs)
        return
    yield _pooled(jobs, workers, known)


def _pooled(jobs: Sequence[IngestJob], workers: int, known: frozenset[str]) -> Iterator[IngestOutcome]:
    """Outcomes in order. A file that brings its process down is refused, and the rest goes on."""
    at = 0
    while at < len(jobs):
        with worker_pool(workers, start_worker, (known,)) as pool:
            futures = [pool.submit(ingest, job) for job in jobs[at:]]
            try:
                for future in futures:
                    yield future.result()
                    at += 1
            except BrokenProcessPool:
                yield _alone(jobs[at], known)
                at += 1


def _alone(job: IngestJob, known: frozenset[str]) -> IngestOutcome:
    """One job in a process of its own: was it this file that brought the pool down?"""
    with worker_pool(1, start_worker, (known,)) as pool:
        try:
            return pool.submit(ingest, job).result()
        except BrokenProcessPool:
            return IngestOutcome(job=job, refused="makes the decoder crash: the file is badly damaged; make it again")


def _already(library: Library, job: IngestJob, clip: Clip, *, brought_back: bool = False) -> Added:
    if new := [t for t in job.tags if t not in clip.tags]:
        library.catalogue.change_tags(clip.name, new, [])
    noted = job.licence is not None and clip.licence is None
    if noted:
        library.catalogue.set_rights(clip.name, job.licence, job.credit or clip.credit)
    same = None if clip.original.source == job.path else clip.original.source
    return Added(
        path=job.path,
        clip=clip.name,
        role=clip.recipe.role,
        reason="brought back" if brought_back else "in the library already",
        state="brought back" if brought_back else "already",
        same_as=same,
        licence_noted=noted,
    )


def _unchanged(path: str, seen: tuple[int, int, str]) -> bool:
    try:
        stat = os.stat(path)
    except OSError:
        return False
    return (stat.st_size, stat.st_mtime_ns) == seen[:2]


def _size(path: str) -> int:
    try:
        return os.stat(path).st_size
    except OSError:
        return 0


def _stem(job: IngestJob) -> str:
    stem = Path(job.path).stem
    return f"{stem}-{job.start_s or 0:.0f}s" if job.is_section else stem
