"""Exports: where to, what would change, writing, proving. Long work runs in the background."""

from __future__ import annotations

from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from padbank.web.desk import Body, Desk, answer, body_of, desk_of, named
from padbank.web.jobs import JobHandle
from padbank.workflow import export_look
from padbank.workflow.export import export
from padbank.workflow.verify import verify


def _listed(desk: Desk) -> list[export_look.MountedFolder]:
    return export_look.mounted_folders([desk.folder.absolute().parent / "exports"])


def folders(request: Request) -> Response:
    desk = desk_of(request)
    return answer({"folders": _listed(desk), "last": desk.last_export})


def _chosen(desk: Desk, body: Body, *, owner: bool) -> Path:
    """The folder that the request names; from another computer only one that was chosen here."""
    folder = export_look.export_folder(body.text("folder"))
    if not owner:
        export_look.refuse_unless_listed(folder, [f.path for f in _listed(desk)] + ([desk.last_export] if desk.last_export else []))
    return folder


async def look(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_look, desk_of(request), named(request.path_params["show"]), body, request.state.owner)


def _look(desk: Desk, show: str, body: Body, owner: bool) -> Response:
    folder = _chosen(desk, body, owner=owner)
    with desk.library() as library:
        seen = export_look.look(library, show, folder)
        if owner:
            desk.last_export = str(folder)
        return answer(seen)


async def write(request: Request) -> Response:
    """Write the set, then read it back: one job with one result."""
    body = await body_of(request)
    return await run_in_threadpool(_write, desk_of(request), named(request.path_params["show"]), body, request.state.owner)


def _write(desk: Desk, show: str, body: Body, owner: bool) -> Response:
    accept, seen = body.texts("accept"), body.maybe("seen")
    folder = _chosen(desk, body, owner=owner)

    def work(job: JobHandle) -> object:
        with desk.library() as library:
            done = export(library, show, folder, accept=accept, seen=seen, progress=job.progress)
            job.note(written=True)
            verified = verify(done.folder, progress=lambda n, total, label: job.progress(n, total, f"proving {label}"))
            return export_look.proof_of(library, verified, done, show)

    return answer(desk.jobs.start("writing", show, work, stop_raises=True).seen())


async def prove(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_prove, desk_of(request), body, request.state.owner)


def _prove(desk: Desk, body: Body, owner: bool) -> Response:
    folder = _chosen(desk, body, owner=owner)

    def work(job: JobHandle) -> object:
        with desk.library() as library:
            return export_look.proof_of(library, verify(folder, progress=job.progress))

    return answer(desk.jobs.start("proving", str(folder), work, stop_raises=True).seen())


# Below /api/export (see ``app``).
routes = [
    Route("/folders", folders),
    Route("/verify", prove, methods=["POST"]),
    Route("/{show}/look", look, methods=["POST"]),
    Route("/{show}/write", write, methods=["POST"]),
]
