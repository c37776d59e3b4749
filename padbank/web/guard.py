"""Who may ask for what: the one gate that every request and every socket passes.

- The Host header must name an address that the server listens on (a page of
  another name that resolves to this machine gets nothing).
- An Origin header, where there is one, must be the page's own; requests that
  change something and sockets must carry it.
- From this machine (a loopback peer asking for a loopback name) everything is
  allowed. From anywhere else nothing is, except with the cookie that a one-time
  address handed out; that cookie says whether it opens the stage view only or
  everything.
- Bodies have limits, answers carry the security headers.

``Sharing`` keeps one-time addresses and the visits they opened; ``Guard`` is
plain ASGI middleware.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
import logging
import secrets
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Literal

from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

log = logging.getLogger(__name__)

Visit = Literal["stage", "everything"]

COOKIE = "padbank_visit"
TOKEN_LASTS_S = 600.0
"""A one-time address that nobody opened is worthless after this."""

VISIT_LASTS_S = 16 * 3600.0
"""A visit lasts for one long evening."""

BODY_LIMIT_BYTES = 1_000_000
"""Largest body of any request but a dropped file."""

DROP_LIMIT_BYTES = 4_000_000_000
"""Largest file that may be dropped on the page (a long video)."""

BODY_WAIT_S = 60.0
"""The longest pause in the middle of a body."""

DROP_PREFIX = "/api/drop/"

STAGE_PATHS = ("/stage", "/static/", "/api/stage", "/ws/stage", "/join/")
"""What a visit to the stage view may ask for."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; "
    "connect-src 'self'; media-src 'self' blob:; manifest-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
)

HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), midi=(self)"),
)


UNEXPECTED = "something unexpected went wrong: the terminal that runs padbank shows where."


@dataclass(slots=True)
class _Pass:
    what: Visit
    until: float


class Sharing:
    """One-time addresses and the visits that they opened. All in memory: a restart ends them."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._tokens: dict[str, _Pass] = {}
        self._visits: dict[str, _Pass] = {}

    def invite(self, what: Visit) -> str:
        """A new token for one visit."""
        token = secrets.token_urlsafe(18)
        with self._lock:
            self._tokens[token] = _Pass(what, self._now() + TOKEN_LASTS_S)
        return token

    def redeem(self, token: str) -> str | None:
        """The cookie value of a visit, once; None for a token that is wrong, used or old."""
        with self._lock:
            for known in list(self._tokens):
                if self._tokens[known].until < self._now():
                    del self._tokens[known]
            match = next((t for t in self._tokens if hmac.compare_digest(t.encode(), token.encode())), None)
            if match is None:
                return None
            what = self._tokens.pop(match).what
            visit = secrets.token_urlsafe(24)
            self._visits[visit] = _Pass(what, self._now() + VISIT_LASTS_S)
            return visit

    def visit(self, cookie: str | None) -> Visit | None:
        """What a cookie opens; None for an unknown or old one."""
        if not cookie:
            return None
        with self._lock:
            for known, entry in self._visits.items():
                if hmac.compare_digest(known.encode(), cookie.encode()):
                    return entry.what if entry.until >= self._now() else None
        return None

    def end_all(self) -> int:
        """Close every visit and forget every unused address; returns how many visits there were."""
        with self._lock:
            n = len(self._visits)
            self._visits.clear()
            self._tokens.clear()
            return n


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def split_host(value: str) -> tuple[str, int | None] | None:
    """``("127.0.0.1", 8808)`` from a Host header; None when it is no host."""
    host, port = value.strip().lower(), ""
    if host.startswith("["):
        host, bracket, rest = host[1:].partition("]")
        if not bracket or (rest and not rest.startswith(":")):
            return None
        port = rest[1:]
    elif host.count(":") == 1:
        host, port = host.split(":")
    elif ":" in host:
        return None
    if port and not (port.isascii() and port.isdigit()):
        return None
    return (host, int(port) if port else None) if host else None


class Guard:
    """ASGI middleware that lets through what may pass and answers the rest with a sentence.

    Parameters
    ----------
    app : what is guarded
    port : the port that the server listens on; None allows any (in-process tests)
    addresses : further host names or addresses under which the page may be asked for
    sharing : one-time addresses; None when the server listens on this machine only
    """

    def __init__(
        self, app: ASGIApp, *, port: int | None, addresses: Iterable[str] = (), sharing: Sharing | None = None
    ) -> None:
        self.app, self.port, self.sharing = app, port, sharing
        self.hosts = {"localhost", "127.0.0.1", "::1", *(a.lower() for a in addresses)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = [(k.decode("latin-1").lower(), v.decode("latin-1")) for k, v in scope["headers"]]
        refusal = self._refusal(scope, headers)
        if refusal:
            await _refuse(scope, receive, send, *refusal)
            return
        if scope["type"] == "websocket":
            try:
                await self.app(scope, receive, send)
            except Exception:
                log.exception("unexpected error for %s", scope["path"])
            return
        limit = DROP_LIMIT_BYTES if scope["path"].startswith(DROP_PREFIX) else BODY_LIMIT_BYTES
        length = dict(headers).get("content-length", "")
        if length and not (length.isascii() and length.isdigit()):
            await _refuse(scope, receive, send, 400, "the request's length is no number.")
            return
        if length and int(length) > limit:
            await _refuse(scope, receive, send, 413, _too_large(limit))
            return
        started = False

        async def noticing(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, _limited(receive, limit), _with_headers(noticing, scope["path"]))
        except ClientDisconnect:
            return  # the page was closed or a drop was stopped: nobody waits for an answer
        except Exception:
            # Whatever the routes did not foresee: the terminal gets the trace, the browser a sentence.
            log.exception("unexpected error for %s", scope["path"])
            if started:
                raise
            await _refuse(scope, receive, send, 500, UNEXPECTED)

    def _refusal(self, scope: Scope, headers: list[tuple[str, str]]) -> tuple[int, str] | None:
        def only(name: str) -> str | None:
            values = [v for k, v in headers if k == name]
            return None if not values else (values[0] if len(values) == 1 else "\0several")

        host = split_host(only("host") or "")
        if host is None or host[0] not in self.hosts or (self.port is not None and (host[1] or 80) != self.port):
            return 403, "this page answers only under its own address: open the one that padbank serve printed."
        origin = only("origin")
        unsafe = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        if origin is not None or unsafe:
            scheme, _, rest = (origin or "").partition("://")
            if scheme != "http" or split_host(rest) != host:
                return 403, "another page asked for this: use padbank's own page."
        if only("sec-fetch-site") in ("cross-site", "same-site") and not _is_page(scope, headers):
            return 403, "another page asked for this: use padbank's own page."
        client = scope.get("client")
        here = client is None or is_loopback(client[0]) or client[0] == "testclient"
        visit: Visit | None = "everything" if here and is_loopback(host[0]) else None
        if visit is None and self.sharing is not None:
            visit = self.sharing.visit(_cookie(only("cookie")))
        scope.setdefault("state", {})
        scope["state"]["visit"] = visit
        scope["state"]["owner"] = here and is_loopback(host[0])
        path = scope["path"]
        if visit == "everything" or path.startswith(("/join/", "/static/")):
            return None
        if visit == "stage" and (path == "/" or any(path == p or path.startswith(p if p.endswith("/") else p + "/") for p in STAGE_PATHS)):
            return None
        if visit == "stage":
            return 403, "this address opens the stage view only: open /stage."
        return 403, "this page needs a one-time address: ask for one on the computer that runs padbank."


def _is_page(scope: Scope, headers: list[tuple[str, str]]) -> bool:
    """A person following a link to a page (not a script, picture or frame of another site)."""
    got = dict(headers)
    return (
        scope["type"] == "http"
        and scope["method"] == "GET"
        and got.get("sec-fetch-mode") == "navigate"
        and got.get("sec-fetch-dest") == "document"
        and not scope["path"].startswith("/api/")
    )


def _cookie(header: str | None) -> str | None:
    try:
        morsel = SimpleCookie(header or "").get(COOKIE)
    except CookieError:
        return None
    return morsel.value if morsel else None


def _too_large(limit: int) -> str:
    return f"that is more than the {limit / 1e6:g} MB that this page takes at once: send less."


class BodyTooSlow(Exception):
    """Raised while a body is read of which nothing more arrives."""

    def __init__(self) -> None:
        super().__init__(f"nothing more arrived for {BODY_WAIT_S:g} s: see that the network holds, then send it again.")


class BodyTooLarge(Exception):
    """Raised while a body is read that passes its limit."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        super().__init__(_too_large(limit))


def _limited(receive: Receive, limit: int) -> Receive:
    got, whole = 0, False

    async def inner() -> Message:
        nonlocal got, whole
        if whole:
            return await receive()  # waits for the end of the connection, however long that takes
        try:
            message = await asyncio.wait_for(receive(), BODY_WAIT_S)
        except TimeoutError:
            raise BodyTooSlow from None
        if message["type"] == "http.request":
            whole = not message.get("more_body", False)
            got += len(message.get("body", b""))
            if got > limit:
                raise BodyTooLarge(limit)
        return message

    return inner


def _with_headers(send: Send, path: str) -> Send:
    async def inner(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {k.lower() for k, _ in message["headers"]}
            extra = [h for h in HEADERS if h[0] not in given]
            if b"cache-control" not in given:
                extra.append((b"cache-control", b"no-cache" if path.startswith("/static/") else b"no-store"))
            message["headers"] = [*message["headers"], *extra]
        await send(message)

    return inner


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, sentence: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 4403, "reason": sentence[:120]})
        return
    body = json.dumps({"error": sentence}).encode()
    start = {
        "type": "http.response.start",
        "status": status,
        "headers": [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())],
    }
    await _with_headers(send, scope["path"])(start)
    await send({"type": "http.response.body", "body": body})
