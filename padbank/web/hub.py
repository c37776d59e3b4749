"""Who is looking: every open socket, and the messages that all of them get.

The page on this computer says what was hit and which bank is in use; the
tablet's stage view hears it. Messages are small JSON objects with ``kind``.
A socket that does not keep up loses its oldest messages, never the newest.
"""

from __future__ import annotations

import asyncio
import time
from typing import Any

WAITING = 64
"""Messages that may wait for one slow socket."""


class Hub:
    """Open sockets of one server, and the stage's state. Lives on the server's event loop."""

    def __init__(self) -> None:
        self._queues: set[asyncio.Queue[dict[str, Any]]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self.stage: dict[str, Any] = {"show": None, "bank": 1, "started_at": None, "midi": False}

    def open(self) -> asyncio.Queue[dict[str, Any]]:
        self._loop = asyncio.get_running_loop()
        queue: asyncio.Queue[dict[str, Any]] = asyncio.Queue(WAITING)
        self._queues.add(queue)
        return queue

    def close(self, queue: asyncio.Queue[dict[str, Any]]) -> None:
        self._queues.discard(queue)

    def tell(self, message: dict[str, Any], *, but: asyncio.Queue[dict[str, Any]] | None = None) -> None:
        """Give a message to every socket (except ``but``); call on the event loop."""
        for queue in self._queues:
            if queue is but:
                continue
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(message)

    def tell_from_thread(self, message: dict[str, Any]) -> None:
        """The same from any thread; nothing happens when nobody is looking."""
        if self._loop is not None and self._queues and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self.tell, message)

    def change_stage(self, message: dict[str, Any]) -> dict[str, Any]:
        """Apply a message to the stage's state; returns what to tell.

        Kinds: ``show`` (show, and a bank other than the first), ``bank`` (bank), ``hit`` (bank, pad, velocity),
        ``start`` (begin or reset the time since start, at ``since_s``), ``midi`` (on).
        """
        kind = message.get("kind")
        if kind == "show":
            self.stage.update(show=_text(message.get("show")), bank=_whole(message.get("bank", 1), 1, 1000))
        elif kind == "bank":
            self.stage["bank"] = _whole(message.get("bank"), 1, 1000)
        elif kind == "start":
            since_s = _whole(message.get("since_s", 0), 0, 86_400)
            self.stage["started_at"] = time.time() - since_s if message.get("on", True) else None
        elif kind == "midi":
            self.stage["midi"] = bool(message.get("on"))
        elif kind == "hit":
            return {
                "kind": "hit",
                "pad": _text(message.get("pad")),
                "bank": _whole(message.get("bank", self.stage["bank"]), 1, 1000),
                "velocity": _whole(message.get("velocity", 100), 0, 127),
            }
        else:
            raise ValueError("unknown kind of message")
        return {"kind": "stage", "stage": self.stage_now()}

    def stage_now(self) -> dict[str, Any]:
        """The stage's state with the server's clock, so that a tablet's own clock does not matter."""
        started = self.stage["started_at"]
        return {
            **self.stage,
            "since_start_s": None if started is None else round(time.time() - started, 2),
            "clock_s": round(time.time(), 2),
        }


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > 200 or any(0xD800 <= ord(c) <= 0xDFFF for c in value):
        raise ValueError("a text is missing, too long or no text")
    return value


def _whole(value: Any, low: int, high: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError("a number is missing or out of range")
    return value
