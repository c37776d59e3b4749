"""``add``: files and folders into the library, on all cores, resumable, nothing lost.

What becomes of each file is ``workflow.ingest``; ``workflow.intake`` makes it
last. Functions: ``add``, ``find_files``.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from padbank.errors import InputError
from padbank.files.decode import is_sound_name
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.workflow.ingest import IngestJob
from padbank.workflow.intake import AddReport, take_in
from padbank.workflow.rights import check_licence
from padbank.workflow.tags import check_tag


def find_files(paths: Iterable[Path], passed_over: list[str] | None = None) -> Iterator[Path]:
    """The files to try: those named, and in folders all with a sound's or video's suffix.

    Hidden files and folders (and the copies that some systems leave, ``._x``) are passed over. A folder
    that cannot be looked into is given itself, so that whoever tries it says why. ``passed_over`` takes the names
    of other files in the folders.

    Raises
    ------
    InputError
        when a named path is not there
    """
    for path in paths:
        if path.is_dir():
            yield from _files_in(path, [] if passed_over is None else passed_over)
        elif path.exists() or path.is_symlink():
            yield path
        else:
            raise InputError(f"{path} is not there: check the name (quote it when it has spaces)")


def _files_in(path: Path, passed_over: list[str]) -> Iterator[Path]:
    closed: list[str] = []
    for folder, folders, names in os.walk(path, onerror=lambda error: closed.append(error.filename)):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(names):
            if name.startswith("."):
                continue
            if is_sound_name(Path(name)):
                yield Path(folder) / name
            else:
                passed_over.append(name)
    yield from map(Path, closed)


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
    others: list[str] = []
    files = list(dict.fromkeys(Path(os.path.abspath(f)) for f in find_files(paths, others)))
    if (start_s is not None or end_s is not None) and len(files) != 1:
        raise InputError("--from and --to cut one file: name that file alone")
    if start_s is not None and end_s is not None and end_s <= start_s:
        raise InputError("--to is not after --from: swap them or choose a later end")
    jobs = [
        IngestJob(path=str(f), start_s=start_s, end_s=end_s, tags=tags, licence=licence, credit=credit) for f in files
    ]
    report = take_in(library, jobs, progress=progress, workers=workers)
    return replace(report, passed_over=tuple(others))
