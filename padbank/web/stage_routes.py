"""The stage view's state, the sockets, and one-time addresses for other screens."""

from __future__ import annotations

import asyncio
import contextlib
import json
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from padbank.errors import InputError
from padbank.web.desk import Desk, answer, body_of, desk_of, named

MESSAGE_LIMIT_BYTES = 4000


async def stage_now(request: Request) -> Response:
    return answer(desk_of(request).hub.stage_now())


def stage_banks(request: Request) -> Response:
    """Every bank of the layout that the stage shows: only what a player needs to see.

    A stage view gets the show that is on stage, whatever it asks for."""
    from padbank.workflow.stage import stage_view

    desk = desk_of(request)
    show = desk.hub.stage["show"]
    if request.state.visit == "everything":
        show = request.query_params.get("show") or show
    if not show:
        return answer({"show": None})
    named(show)
    with desk.library() as library:
        return answer(stage_view(library, show))


async def socket(websocket: WebSocket) -> None:
    """Hear what happens; a page with every right may also say it, a stage view may turn banks."""
    desk: Desk = websocket.app.state.desk
    everything = websocket.scope["state"]["visit"] == "everything"
    await websocket.accept()
    queue = desk.hub.open()
    sender = asyncio.create_task(_send(websocket, queue, visitor=not websocket.scope["state"]["owner"]))
    try:
        await websocket.send_json({"kind": "stage", "stage": desk.hub.stage_now()})
        while True:
            text = await _text(websocket)
            if len(text) > MESSAGE_LIMIT_BYTES:
                await websocket.close(1009, "that message is too long")
                break
            try:
                message = json.loads(text)
                if not isinstance(message, dict):
                    raise ValueError("no object")
                if message.get("kind") == "ping":
                    await websocket.send_json({"kind": "pong", "at": message.get("at")})
                    continue
                if not everything and message.get("kind") not in ("bank", "start"):
                    raise ValueError("a stage view only turns banks")
                told = desk.hub.change_stage(message)
            except (ValueError, RecursionError) as error:
                await websocket.send_json({"kind": "refused", "error": f"{error}: reload the page"})
                continue
            desk.hub.tell(told, but=queue if told["kind"] == "hit" else None)
    except WebSocketDisconnect:
        pass  # the page was closed, which is how every socket ends
    finally:
        desk.hub.close(queue)
        sender.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await sender


async def _text(websocket: WebSocket) -> str:
    """The next message as text; one of bytes is none of the page's and counts as empty."""
    message = await websocket.receive()
    if message["type"] == "websocket.disconnect":
        raise WebSocketDisconnect(message.get("code", 1005))
    return message.get("text") or ""


async def _send(websocket: WebSocket, queue: asyncio.Queue[dict[str, Any]], *, visitor: bool) -> None:
    while True:
        message = await queue.get()
        try:
            if message["kind"] == "ended":
                if visitor:
                    await websocket.close(4403, "this visit was ended on the computer that runs padbank")
                    return
                continue
            await websocket.send_json(message)
        except (RuntimeError, WebSocketDisconnect):
            return


async def invite(request: Request) -> Response:
    """A one-time address for another screen; only asked for on this computer."""
    desk = desk_of(request)
    if not request.state.owner:
        raise InputError("one-time addresses are made on the computer that runs padbank: ask there")
    if desk.sharing is None or desk.invite_base is None:
        raise InputError("the page is not shared: stop padbank and start it with padbank serve --share")
    body = await body_of(request)
    what = body.text("what", "stage")
    if what not in ("stage", "everything"):
        raise InputError("a screen may see the stage or everything: choose one")
    token = desk.sharing.invite("everything" if what == "everything" else "stage")
    return answer({"address": f"{desk.invite_base}/join/{token}", "what": what})


async def end_visits(request: Request) -> Response:
    desk = desk_of(request)
    if not request.state.owner or desk.sharing is None:
        raise InputError("visits are ended on the computer that runs padbank: ask there")
    ended = await run_in_threadpool(desk.sharing.end_all)
    desk.hub.tell({"kind": "ended"})
    return answer({"ended": ended})


routes = [
    Route("/api/stage", stage_now),
    Route("/api/stage/banks", stage_banks),
    Route("/api/invite", invite, methods=["POST"]),
    Route("/api/visits", end_visits, methods=["DELETE"]),
    WebSocketRoute("/ws/stage", socket),
    WebSocketRoute("/ws/desk", socket),
]
