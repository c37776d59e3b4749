"""Files that are dropped on the page: kept beside the library until they are added.

Each drop gets a folder of its own inside the library's ``dropped`` folder, named
after the server that took it; what servers that ended have left there is taken
away by the next one that starts.
Files arrive one request each, as they are, under their own names made safe;
nothing in a name can lead out of that folder. When the work is done the folder
is taken away: the library holds its own copy of every original.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, TypedDict

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from padbank.cardnames import name_fault
from padbank.errors import InputError, StoreError
from padbank.units import format_bytes
from padbank.web.desk import Body, Desk, answer, body_of, desk_of
from padbank.web.jobs import JobHandle
from padbank.workflow.rights import check_licence
from padbank.workflow.tags import check_tag

if TYPE_CHECKING:
    from padbank.workflow.add import AddReport

MOST_FILES = 20_000

MOST_LETTERS, MOST_BYTES = 120, 180
"""Of a name's stem: file systems take 255 units or bytes."""

_UNSAFE = re.compile(r'[\x00-\x1f\x7f\ud800-\udfff"*/:<>?\\|]')


def safe_file_name(name: str) -> str:
    """A dropped file's own name without anything that a file system could stumble over.

    >>> safe_file_name("../../etc/passwd")
    'passwd'
    """
    last = PurePosixPath(name.replace("\\", "/")).name
    cleaned = _UNSAFE.sub("_", last).strip(" .")
    if not cleaned:
        raise InputError(f"a file is named {name!r}: give it a name and drop it again")
    stem, dot, suffix = cleaned.rpartition(".") if "." in cleaned else (cleaned, "", "")
    stem = stem[:MOST_LETTERS].encode()[:MOST_BYTES].decode(errors="ignore")
    short = f"{stem}{dot}{suffix[:12]}".rstrip(" .")
    return short if name_fault(short) is None else f"_{short}"  # a device's name on Windows, such as "con.wav"


def new_drop(request: Request) -> Response:
    desk = desk_of(request)
    desk.refuse_when_gone()
    drop_id = f"{desk.started}-{secrets.token_hex(6)}"
    folder = desk.folder / "dropped" / drop_id
    folder.mkdir(parents=True)
    desk.drops[drop_id] = folder
    return answer({"drop": drop_id})


def _folder(desk: Desk, drop_id: str) -> Path:
    folder = desk.drops.get(drop_id)
    if folder is None:
        raise InputError("this drop is no longer known: drop the files again")
    return folder


SPARE_BYTES = 200_000_000
"""What a dropped file has to leave free, so that the library can still be written."""


def _refuse_without_room(folder: Path, name: str, n_bytes: int) -> None:
    free = shutil.disk_usage(folder).free
    if free - n_bytes < SPARE_BYTES:
        raise StoreError(
            f"{name} takes {format_bytes(n_bytes)} and {format_bytes(free)} are free on the library's disk: "
            "make room there and drop it again, or add it by its path"
        )


async def put_file(request: Request) -> Response:
    desk = desk_of(request)
    folder = _folder(desk, request.path_params["drop"])
    name = safe_file_name(request.query_params.get("name", ""))
    number = request.path_params["number"]
    if number >= MOST_FILES:
        raise InputError(f"that is more than {MOST_FILES} files at once: drop fewer, or add the folder by its path")
    _refuse_without_room(folder, name, int(request.headers.get("content-length") or 0))
    inside = folder / f"{number:05d}"
    path = inside / name
    got = 0
    try:
        inside.mkdir(exist_ok=True)
        with open(path, "wb") as file:
            async for chunk in request.stream():
                file.write(chunk)
                got += len(chunk)
    except OSError as error:
        path.unlink(missing_ok=True)
        raise StoreError(f"{name} could not be kept ({error.strerror}): make room on the library's disk and drop it again") from error
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return answer({"got": got})


async def add_drop(request: Request) -> Response:
    """Begin adding what was dropped; the job's result is the report."""
    desk = desk_of(request)
    settings = _settings(await body_of(request))
    drop_id = request.path_params["drop"]
    folder = _folder(desk, drop_id)
    paths = sorted(p for inside in folder.iterdir() for p in inside.iterdir())
    if not paths:
        raise InputError("nothing arrived of what was dropped: drop the files again")

    def work(job: JobHandle) -> object:
        try:
            return _add(desk, job, paths, settings, folder)
        finally:
            desk.drops.pop(drop_id, None)
            shutil.rmtree(folder, ignore_errors=True)

    job = desk.jobs.start("adding", "the library", work, stop_raises=True)
    return answer(job.seen())


async def add_paths(request: Request) -> Response:
    """Begin adding files and folders of this computer by their paths."""
    desk = desk_of(request)
    if not request.state.owner:
        raise InputError("paths are added on the computer that runs padbank: drop the files here instead")
    body = await body_of(request)
    settings = _settings(body)
    paths = [Path(os.path.expanduser(p.strip().strip('"'))) for p in body.texts("paths") if p.strip()]
    if not paths:
        raise InputError("no path was typed: write the path of a file or folder")
    for path in paths:
        if not path.is_absolute():
            raise InputError(f"{path} is not a whole path: begin it at the top, such as {Path.home() / 'clips'}")
        if not path.exists():
            raise InputError(f"{path} is not there: check the spelling")
    job = desk.jobs.start("adding", "the library", lambda job: _add(desk, job, paths, settings, None), stop_raises=True)
    return answer(job.seen())


class Settings(TypedDict):
    """Tags and rights for what is added."""

    tags: list[str]
    licence: str | None
    credit: str | None


def _settings(body: Body) -> Settings:
    licence = body.maybe("licence")
    return {
        "tags": [check_tag(t) for t in body.texts("tags")],
        "licence": check_licence(licence) if licence else None,
        "credit": body.maybe("credit"),
    }


def _add(desk: Desk, job: JobHandle, paths: list[Path], settings: Settings, folder: Path | None) -> dict[str, object]:
    from padbank.workflow.add import add

    with desk.library() as library:
        report = add(library, paths, **settings, progress=job.progress)
    return seen_report(report, folder)


def seen_report(report: AddReport, folder: Path | None) -> dict[str, object]:
    """The report with paths as the person knows them (dropped files by their names)."""

    top = None if folder is None else Path(os.path.abspath(folder))  # the library may have been named from where one stands

    def shown(path: str) -> str:
        return Path(path).name if top is not None and Path(path).is_relative_to(top) else path

    return {
        "added": [{"path": shown(e.path), "clip": e.clip, "role": e.role, "reason": e.reason} for e in report.added],
        "already": [
            {"path": shown(e.path), "clip": e.clip, "same_as": Path(e.same_as).name if e.same_as else None} for e in report.already
        ],
        "passed_over": report.passed_over,
        "refused": [{"path": shown(r.path), "reason": r.reason} for r in report.refused],
        "warnings": [{"path": shown(w.path), "reason": w.reason} for w in report.warnings],
    }


def give_up_drop(request: Request) -> Response:
    desk = desk_of(request)
    folder = desk.drops.pop(request.path_params["drop"], None)
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)
    return answer({"done": True})


routes = [
    Route("/api/drops", new_drop, methods=["POST"]),
    Route("/api/drop/{drop}/{number:int}", put_file, methods=["PUT"]),
    Route("/api/drops/{drop}/add", add_drop, methods=["POST"]),
    Route("/api/drops/{drop}", give_up_drop, methods=["DELETE"]),
    Route("/api/add", add_paths, methods=["POST"]),
]
