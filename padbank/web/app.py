"""``create_app``: the page's server, built from a library folder and nothing else.

Routes are thin: they read the request, call one function of ``workflow`` and
answer JSON. One handler turns every ``PadbankError`` into a sentence and a
status; nothing else ever reaches a browser.
"""

from __future__ import annotations

import asyncio
import importlib
import logging
import sqlite3
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from pathlib import Path

from jinja2 import Environment, PackageLoader, select_autoescape
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route, Router
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

from padbank.errors import CardError, DecodeError, InputError, PadbankError, PlanError, StoreError
from padbank.web import (
    clip_routes,
    drop_routes,
    job_routes,
    show_routes,
    stage_routes,
)
from padbank.web.desk import Desk, answer, desk_of
from padbank.web.guard import COOKIE, VISIT_LASTS_S, BodyTooLarge, BodyTooSlow, Guard, Sharing
from padbank.web.jobs import catalogue_sentence
from padbank.workflow.face import face_file
from padbank.workflow.revisions import ChangedMeanwhile

log = logging.getLogger(__name__)

HERE = Path(__file__).parent

LOOK_S = 1.0
"""Between two looks for what others changed."""

PLACES = ("clips", "show", "layout", "export", "sheet", "rehearse")

STATUS: tuple[tuple[type[PadbankError], int], ...] = (
    (ChangedMeanwhile, 409),
    (PlanError, 422),
    (DecodeError, 422),
    (InputError, 400),
    (CardError, 409),
    (StoreError, 503),
)

_pages = Environment(loader=PackageLoader("padbank.web"), autoescape=select_autoescape())


def create_app(
    library_folder: Path | str,
    *,
    port: int | None = None,
    addresses: Iterable[str] = (),
    sharing: Sharing | None = None,
) -> Starlette:
    """Build the page's server.

    Parameters
    ----------
    library_folder : the library that it works on
    port : the port that it will listen on, for the Host check; None allows any
    addresses : this machine's addresses in the network, when it is shared
    sharing : the keeper of one-time addresses, when it is shared

    Returns
    -------
    Starlette application; ``app.state.desk`` holds what its routes share.
    """
    desk = Desk(Path(library_folder), sharing)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        before = await _look(desk)  # before any page: what changes while warming up is told too
        watcher = asyncio.create_task(_watch(desk, before))
        yield
        watcher.cancel()
        desk.close()

    routes: list[BaseRoute] = [
        Route("/", _front),
        *[Route(f"/{place}", _desk_page) for place in PLACES],
        *[Route(f"/{place}/{{name}}", _desk_page) for place in PLACES],
        Route("/stage", _stage_page),
        Route("/join/{token}", _join, methods=["GET", "POST"]),
        *clip_routes.routes,
        *drop_routes.routes,
        *job_routes.routes,
        *show_routes.routes,
        Mount("/api/layouts", LaterRoutes("layout_routes")),
        Mount("/api/export", LaterRoutes("export_routes")),
        *stage_routes.routes,
        Route("/static/face/{weight}.ttf", _face),
        Mount("/static", StaticFiles(directory=HERE / "static"), name="static"),
    ]
    app = Starlette(
        routes=routes,
        middleware=[
            Middleware(Guard, port=port, addresses=tuple(addresses), sharing=sharing),
            Middleware(GZipMiddleware, minimum_size=2000, compresslevel=3),
        ],
        exception_handlers={
            PadbankError: _sentence,
            OSError: _disk_error,
            sqlite3.Error: _catalogue_error,
            HTTPException: _http_error,
            BodyTooLarge: _too_large,
            BodyTooSlow: _too_slow,
        },
        lifespan=lifespan,
    )
    app.state.desk = desk
    return app


class LaterRoutes:
    """Routes whose module is loaded when they are first asked for: the planner and the renderer
    bring large libraries, and the first page should not wait for them."""

    def __init__(self, module: str) -> None:
        self.module = module
        self._router: Router | None = None

    def load(self) -> Router:
        if self._router is None:
            self._router = Router(routes=importlib.import_module(f"padbank.web.{self.module}").routes)
        return self._router

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        router = await asyncio.to_thread(self.load) if self._router is None else self._router
        await router(scope, receive, send)


def _warm_up(desk: Desk) -> None:
    """What will be wanted soon: the list of clips, then the large libraries."""
    desk.clips_listed()
    for module in ("layout_routes", "export_routes"):
        importlib.import_module(f"padbank.web.{module}")


async def _watch(desk: Desk, before: tuple[object, ...] | None) -> None:
    """Warm up, then tell open pages when anybody, a command beside them included, changed the catalogue or a show."""
    try:
        await asyncio.to_thread(_warm_up, desk)
    except Exception:
        log.exception("the list of clips could not be made ready")
    while True:
        await asyncio.sleep(LOOK_S)
        now = await _look(desk)
        if now is None:
            continue
        if before is not None and now != before:
            desk.hub.tell({"kind": "changed"})
        before = now


async def _look(desk: Desk) -> tuple[object, ...] | None:
    try:
        return await asyncio.to_thread(_fingerprint, desk)
    except (PadbankError, OSError, sqlite3.Error):
        return None  # said to whoever asks for something


def _fingerprint(desk: Desk) -> tuple[object, ...]:
    files = []
    for part in ("shows", "rigs"):
        for path in sorted((desk.folder / part).glob("*.toml")):
            stat = path.stat()
            files.append((path.name, stat.st_mtime_ns, stat.st_size))
    return (desk.library_version(), *files)


async def _front(request: Request) -> Response:
    return RedirectResponse("/clips" if request.state.visit == "everything" else "/stage", 303)


async def _desk_page(request: Request) -> Response:
    page = _pages.get_template("desk.html")
    return HTMLResponse(page.render(shared=desk_of(request).sharing is not None))


async def _stage_page(request: Request) -> Response:
    return HTMLResponse(_pages.get_template("stage.html").render())


async def _face(request: Request) -> Response:
    """The letters of the pad sheet, so that names come out alike on every screen."""
    path = face_file(request.path_params["weight"])
    if path is None:
        raise HTTPException(404)
    return FileResponse(path, media_type="font/ttf")


async def _join(request: Request) -> Response:
    """A one-time address: a page with one button, so that a preview of the link does not spend it."""
    sharing = desk_of(request).sharing
    token = request.path_params["token"]
    if request.method == "GET":
        return HTMLResponse(_pages.get_template("join.html").render(token=token))
    visit = sharing.redeem(token) if sharing else None
    if visit is None:
        page = _pages.get_template("join.html").render(token=None)
        return HTMLResponse(page, 403)
    response = RedirectResponse("/clips" if sharing and sharing.visit(visit) == "everything" else "/stage", 303)
    response.set_cookie(COOKIE, visit, max_age=int(VISIT_LASTS_S), httponly=True, samesite="strict", path="/")
    return response


def status_of(error: PadbankError) -> int:
    """The HTTP status that goes with an error."""
    return next((status for kind, status in STATUS if isinstance(error, kind)), 500)


async def _sentence(request: Request, error: Exception) -> Response:
    assert isinstance(error, PadbankError)
    return answer({"error": str(error)}, status_of(error))


async def _disk_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, OSError)
    log.warning("%s: %s", request.scope["path"], error)
    what = Path(error.filename).name if isinstance(error.filename, str) else "a file"
    return answer({"error": f"{what}: {error.strerror or error}: see that the library's disk is there and can be written"}, 503)


async def _catalogue_error(request: Request, error: Exception) -> Response:
    log.warning("%s: %s", request.scope["path"], error)
    assert isinstance(error, sqlite3.Error)
    return answer({"error": catalogue_sentence(error)}, 503)


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    sentences = {
        404: "there is nothing at this address: go back to the clips.",
        405: "this address does not take that: reload the page.",
    }
    if error.status_code == 404 and _is_visit(request):
        return HTMLResponse(_pages.get_template("lost.html").render(), 404)
    text = sentences.get(error.status_code, f"the request could not be answered ({error.detail}).")
    return answer({"error": text}, error.status_code)


def _is_visit(request: Request) -> bool:
    """Whether a person asks with the address bar, and not the page for its data."""
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith(("/api/", "/static/"))


async def _too_large(request: Request, error: Exception) -> Response:
    return answer({"error": str(error)}, 413)


async def _too_slow(request: Request, error: Exception) -> Response:
    return answer({"error": str(error)}, 408)
