"""Shows: list, begin, look at, edit."""

from __future__ import annotations

import json
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from padbank.web.desk import Body, Desk, answer, body_of, desk_of, named
from padbank.workflow.plain import plain
from padbank.workflow.revisions import text_revision
from padbank.workflow.show_edits import SeenShow, edit_show, list_shows, seen_show
from padbank.workflow.shows import list_rigs, new_show


def show_list(request: Request) -> Response:
    with desk_of(request).library() as library:
        return answer({"shows": list_shows(library), "rigs": list_rigs(library)})


def as_seen(seen: SeenShow) -> dict[str, Any]:
    value = {
        "show": seen.show, "rig": {"name": seen.rig.name, "title": seen.rig.title, "banks": seen.rig.banks,
                                   "pads": len(seen.rig.pads)},
        "file": seen.file, "revision": seen.revision, "findings": seen.findings, "clips": seen.clips,
        "tags": seen.tags, "missing": seen.missing,
    }  # fmt: skip
    return {**value, "state": text_revision(json.dumps(plain(value)))}


def one_show(request: Request) -> Response:
    with desk_of(request).library() as library:
        return answer(as_seen(seen_show(library, named(request.path_params["show"]))))


async def begin_show(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_begin, desk_of(request), body)


def _begin(desk: Desk, body: Body) -> Response:
    with desk.library() as library:
        like, rig = body.maybe("like"), body.maybe("rig")
        path = new_show(library, body.text("name"), like=like and named(like), rig=rig and named(rig))
        return answer({"name": path.stem})


async def edit_one(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_edit, desk_of(request), request.path_params["show"], body)


def _edit(desk: Desk, show: str, body: Body) -> Response:
    edit = body.mapping("edit")
    if edit.get("key") == "rig" and isinstance(edit.get("value"), str):
        named(edit["value"])
    with desk.library() as library:
        return answer(as_seen(edit_show(library, named(show), body.maybe("seen"), edit)))


routes = [
    Route("/api/shows", show_list),
    Route("/api/shows", begin_show, methods=["POST"]),
    Route("/api/shows/{show}", one_show),
    Route("/api/shows/{show}/edit", edit_one, methods=["POST"]),
]
