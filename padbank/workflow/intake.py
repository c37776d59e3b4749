"""What jobs bring becomes originals and clips, a group at a time.

A group is reported only after its copies are on the disk, lie under their
names and the catalogue has them: first every copy is synced, then one
transaction moves the new ones into place, syncs the folders and writes the
rows. A stop at any moment leaves a group whole or not there.

Function: ``take_in``. Classes: ``Added``, ``Refused``, ``AddReport``.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from padbank.domain import Clip
from padbank.progress import Progress, silent
from padbank.store import originals
from padbank.store.library import Library, clip_name_for
from padbank.workflow.batches import outcomes_of
from padbank.workflow.incoming import clear_leftovers, incoming_folder
from padbank.workflow.ingest import IngestJob, IngestOutcome, Place
from padbank.workflow.keys import played_key


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
    passed_over: tuple[str, ...] = ()
    """files in the folders that are no sound or video by their names, by name"""


def take_in(
    library: Library,
    jobs: Sequence[IngestJob],
    *,
    progress: Progress = silent,
    workers: int | None = None,
) -> AddReport:
    """Run jobs and write what they bring into the catalogue, in the order of the jobs.

    Raises
    ------
    StoreError
        when the library cannot take any more (disk full, read-only); what was reported is kept
    """
    clear_leftovers(library.originals)
    intake = _Intake(library, jobs)
    to_do = intake.pass_over_known()
    done = len(jobs) - len(to_do)
    if to_do:
        with incoming_folder(library.originals) as incoming:
            place = Place(originals=library.originals, incoming=incoming, known=library.catalogue.suffixes())
            # Groups come in the order of the jobs, so that names do not hang on which core was faster.
            for outcomes in outcomes_of([jobs[i] for i in to_do], place, workers):
                at, to_do = to_do[: len(outcomes)], to_do[len(outcomes) :]
                intake.settle(list(zip(at, outcomes, strict=True)))
                for index in at:
                    done += 1
                    progress(done, len(jobs), Path(jobs[index].source).name)
    progress(len(jobs), len(jobs), "")
    return intake.report()


class _Intake:
    """The state of one ``take_in``: what became of each job, by its index."""

    def __init__(self, library: Library, jobs: Sequence[IngestJob]) -> None:
        self.library = library
        self.catalogue = library.catalogue
        self.jobs = jobs
        self.entries: dict[int, Added] = {}
        self.refused: dict[int, Refused] = {}
        self.warnings: list[Refused] = []
        self._names: set[str] = set()
        self._names_version = -1
        self._arriving: set[str] = set()

    def report(self) -> AddReport:
        entries = [self.entries[i] for i in sorted(self.entries)]
        return AddReport(
            added=tuple(e for e in entries if e.state != "already"),
            already=tuple(e for e in entries if e.state == "already"),
            refused=tuple(self.refused[i] for i in sorted(self.refused)),
            warnings=tuple(self.warnings),
        )

    def pass_over_known(self) -> list[int]:
        """Settle the files that are as they were when they were added; the indices of the others."""
        known = {index: clip for index, job in enumerate(self.jobs) if (clip := self._known(job))}
        writes = any(self.jobs[index].tags or self.jobs[index].licence for index in known)
        with self.catalogue.atomic() if writes else nullcontext():
            for index, clip in known.items():
                self.entries[index] = self._already(self.jobs[index], clip)
        return [index for index in range(len(self.jobs)) if index not in known]

    def _known(self, job: IngestJob) -> Clip | None:
        """The clip of a file that has not changed since it was added."""
        seen = self.catalogue.source_seen(job.source, job.section_key)
        match = self.catalogue.clip_of(seen[2]) if seen and _unchanged(job.path, seen) else None
        return match[0] if match and not match[1] and self.library.has_original_file(match[0]) else None

    def settle(self, group: Sequence[tuple[int, IngestOutcome]]) -> None:
        """Bring one group in, whole or not at all."""
        arrivals = [outcome.arrival for _, outcome in group if outcome.arrival is not None]
        originals.sync_arrivals(arrivals)
        wanted: list[originals.Arrival] = []
        self._arriving.clear()
        with self.catalogue.atomic():
            self._learn_names()
            for index, outcome in group:
                if arrival := self._settle_one(index, outcome):
                    wanted.append(arrival)
            originals.settle(self.library.originals, wanted)
        in_place = {arrival.temporary for arrival in wanted}
        originals.drop(arrival for arrival in arrivals if arrival.temporary not in in_place)

    def _learn_names(self) -> None:
        """Names in use; another program may have added some since the last group."""
        version = self.catalogue.version()
        if version != self._names_version:
            self._names, self._names_version = self.catalogue.names_taken(), version

    def _settle_one(self, index: int, outcome: IngestOutcome) -> originals.Arrival | None:
        """Write one outcome into the catalogue; its copy, where that is needed."""
        job = self.jobs[index]
        if outcome.refused is not None:
            self.refused[index] = Refused(path=job.source, reason=outcome.refused)
            return None
        self.warnings.extend(Refused(path=job.source, reason=text) for text in outcome.warnings)
        match = self._clip_like(outcome)
        if match is None:
            self._add(index, outcome)
            return outcome.arrival
        clip, removed = match
        if removed:
            self.catalogue.set_removed(clip.name, False)
        self.entries[index] = self._already(job, clip, brought_back=removed)
        self._note(job, outcome, clip.original.sha256)
        if outcome.arrival is None or self._has_original(clip):
            return None
        self._arriving.add(clip.original.sha256)
        return replace(outcome.arrival, suffix=clip.original.suffix)  # it had been lost

    def _clip_like(self, outcome: IngestOutcome) -> tuple[Clip, bool] | None:
        """A clip of the same bytes, else one of the same sound whose original is there; was it removed?"""
        if outcome.original is None:
            return self.catalogue.clip_of(outcome.known_sha256 or "")
        if match := self.catalogue.clip_of(outcome.original.sha256):
            return match
        twin = self.catalogue.original_like(outcome.original.sound_sha256)
        match = self.catalogue.clip_of(twin) if twin else None
        return match if match and self._has_original(match[0]) else None

    def _has_original(self, clip: Clip) -> bool:
        """Whether a clip's original is in its place, or comes with the group that is being settled."""
        return clip.original.sha256 in self._arriving or self.library.has_original_file(clip)

    def _add(self, index: int, outcome: IngestOutcome) -> None:
        job = self.jobs[index]
        assert outcome.original and outcome.recipe
        clip = Clip(
            name=clip_name_for(job.name or _stem(job), self._names),
            original=outcome.original,
            recipe=outcome.recipe,
            tags=tuple(sorted(job.tags)),
            licence=job.licence,
            credit=job.credit,
        )
        self._names.add(clip.name)
        self.catalogue.add_original(clip.original)
        self.catalogue.add_clip(clip)
        self._arriving.add(clip.original.sha256)
        if outcome.as_file:
            self.catalogue.keep_measurement(clip.original.sha256, "file", outcome.as_file)
        if outcome.as_played:
            self.catalogue.keep_measurement(clip.original.sha256, played_key(clip.recipe), outcome.as_played)
        self._note(job, outcome, clip.original.sha256)
        self.entries[index] = Added(path=job.source, clip=clip.name, role=clip.recipe.role, reason=outcome.role_reason)

    def _note(self, job: IngestJob, outcome: IngestOutcome, sha256: str) -> None:
        self.catalogue.note_source(job.source, job.section_key, outcome.n_bytes, outcome.mtime_ns, sha256)

    def _already(self, job: IngestJob, clip: Clip, *, brought_back: bool = False) -> Added:
        if new := [t for t in job.tags if t not in clip.tags]:
            self.catalogue.change_tags(clip.name, new, [])
        noted = job.licence is not None and clip.licence is None
        if noted:
            self.catalogue.set_rights(clip.name, job.licence, job.credit or clip.credit)
        same = None if clip.original.source == job.source else clip.original.source
        return Added(
            path=job.source,
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


def _stem(job: IngestJob) -> str:
    stem = Path(job.path).stem
    return f"{stem}-{job.start_s or 0:.0f}s" if job.is_section else stem
