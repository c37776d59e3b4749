"""``split``: one long recording of many cues becomes clips, cut at its silences.

The silences are found roughly; each cut is then moved by our own onset search,
so that every clip starts within a millisecond before its sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from padbank.dsp.edges import find_edges
from padbank.errors import InputError
from padbank.files.decode import open_sound
from padbank.files.split import find_sections
from padbank.progress import Progress, silent
from padbank.store.library import Library, clip_name_for
from padbank.workflow.ingest import IngestJob
from padbank.workflow.intake import AddReport, take_in
from padbank.workflow.rights import check_licence
from padbank.workflow.tags import check_tag

MARGIN_S = 0.25
"""Silence kept before and after each section, for the onset search and for reverbs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One cue found in a recording; positions in seconds of the recording.

    ``start_s`` to ``end_s`` is cut out, silence on both sides included;
    ``onset_s`` to ``sound_end_s`` is what its clip would play.
    """

    number: int
    name: str
    start_s: float
    end_s: float
    onset_s: float
    sound_end_s: float

    @property
    def duration_s(self) -> float:
        return self.sound_end_s - self.onset_s


def find_cues(
    path: Path, *, min_silence_s: float = 0.5, min_cue_s: float = 0.05, progress: Progress = silent
) -> list[Section]:
    """The cues of a recording, in order.

    Raises
    ------
    DecodeError
        when the file cannot be read
    InputError
        when it holds only silence
    """
    rough = find_sections(path, min_silence_s=min_silence_s, min_clip_s=min_cue_s, progress=progress)
    if not rough:
        raise InputError(f"{path}: holds only silence, so there is nothing to split")
    sections: list[Section] = []
    with open_sound(path) as reader:
        rate_hz = reader.info.sample_rate_hz
        for index, (rough_start_s, rough_end_s) in enumerate(rough):
            progress(index, len(rough), f"cue {index + 1}")
            before = rough[index - 1][1] if index else 0.0
            after = rough[index + 1][0] if index + 1 < len(rough) else rough_end_s + MARGIN_S
            start_s = max(before, rough_start_s - MARGIN_S, 0.0)
            end_s = min(after, rough_end_s + MARGIN_S)
            first = int(start_s * rate_hz)
            samples = reader.seek_read(first, int(end_s * rate_hz) - first)
            edges = find_edges(samples, rate_hz)
            if edges.silent:
                continue
            sections.append(
                Section(
                    number=len(sections) + 1,
                    name=clip_name_for(f"{path.stem}-{len(sections) + 1:02d}", set()),
                    start_s=first / rate_hz,
                    end_s=(first + len(samples)) / rate_hz,
                    onset_s=(first + edges.onset_frame) / rate_hz,
                    sound_end_s=(first + edges.end_frame) / rate_hz,
                )
            )
    progress(len(rough), len(rough), "")
    return sections


def add_cues(
    library: Library, path: Path, sections: Sequence[Section], *, tags: Sequence[str] = (), licence: str | None = None,
    credit: str | None = None, progress: Progress = silent,
) -> AddReport:  # fmt: skip
    """Take the sections into the library, each as lossless audio with where it came from."""
    full = str(path.absolute())
    tags = tuple(check_tag(t) for t in tags)
    licence = check_licence(licence) if licence else None
    jobs = [
        IngestJob(
            path=full, start_s=s.start_s, end_s=s.end_s, name=s.name,
            tags=tags, licence=licence, credit=credit,
        )
        for s in sections
    ]  # fmt: skip
    return take_in(library, jobs, progress=progress)
