"""Running the page: the port, the addresses, uvicorn.

Functions: ``free_port``, ``own_addresses``, ``make_server``.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import uvicorn
from starlette.applications import Starlette

from padbank.errors import InputError
from padbank.web.app import create_app
from padbank.web.guard import Sharing
from padbank.workflow.dropped import keep_drops

USUAL_PORT = 8808

BACKLOG = 128
"""Connections that may wait while the server is busy."""


def listening_socket(port: int | None, *, everywhere: bool) -> socket.socket:
    """A listening socket: on ``port``, or on the usual one, or (when that is taken) on any.

    It listens from here on: two programs can both bind a port that neither listens on yet.

    Raises
    ------
    InputError
        when the port that was asked for is taken
    """
    host = "0.0.0.0" if everywhere else "127.0.0.1"
    for wanted in (port,) if port else (USUAL_PORT, 0):
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind((host, wanted or 0))
            bound.listen(BACKLOG)
            return bound
        except OSError as error:
            bound.close()
            if port:
                raise InputError(
                    f"port {port} cannot be used ({error.strerror}): choose another with --port, or leave it out"
                ) from error
    raise InputError("no port of this computer can be used: is its network switched off?")


def own_addresses() -> list[str]:
    """This computer's addresses in its networks, the likeliest first; asks no one outside."""
    found: list[str] = []
    for family, target in ((socket.AF_INET, "192.0.2.1"),):  # a documentation address (RFC 5737): nothing is sent
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((target, 9))
                found.append(probe.getsockname()[0])
            except OSError:
                pass  # no network: the names below may still know one
    try:
        for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET):
            found.append(str(info[4][0]))
    except OSError:
        pass  # the computer's own name is in no table
    return list(dict.fromkeys(a for a in found if not a.startswith(("127.", "0."))))


class PageServer:
    """A server whose socket listens already: ``address`` is known before it runs, and what comes waits."""

    def __init__(self, library_folder: Path, *, port: int | None = None, share: bool = False) -> None:
        self.socket = listening_socket(port, everywhere=share)
        self.port = int(self.socket.getsockname()[1])
        addresses = own_addresses() if share else []
        self.sharing = Sharing() if share else None
        self.app: Starlette = create_app(library_folder, port=self.port, addresses=addresses, sharing=self.sharing)
        self.address = f"http://127.0.0.1:{self.port}"
        self.share_address = f"http://{addresses[0]}:{self.port}" if addresses else None
        self.app.state.desk.invite_base = self.share_address
        self.folder = library_folder
        config = uvicorn.Config(
            self.app, log_level="warning", access_log=False, server_header=False, date_header=False,
            ws="websockets-sansio", ws_max_size=65_536, timeout_graceful_shutdown=3, lifespan="on",
            proxy_headers=False,
        )  # fmt: skip
        self.server = uvicorn.Server(config)

    def invite(self) -> str | None:
        """A one-time address of the stage view; None when nothing is shared or there is no network."""
        if self.sharing is None or self.share_address is None:
            return None
        return f"{self.share_address}/join/{self.sharing.invite('stage')}"

    def run(self, started: Callable[[], None] = lambda: None) -> None:
        """Serve until interrupted; ``started`` is called just before the first request is answered."""
        with keep_drops(self.folder, self.app.state.desk.started):
            started()
            self.server.run(sockets=[self.socket])

    def stop(self) -> None:
        self.server.should_exit = True
