"""What every route shares: the library folder, background work, open sockets, readings of a body."""

from __future__ import annotations

import contextlib
import json
import secrets
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse

from padbank.errors import InputError, StoreError
from padbank.store.library import CATALOGUE, Library
from padbank.web.clip_list import ClipList, Listed
from padbank.web.guard import Sharing
from padbank.web.hub import Hub
from padbank.web.jobs import JobBoard, JobHandle
from padbank.workflow.plain import plain


class Desk:
    """One server's things. Every request opens the library for itself and closes it again."""

    def __init__(self, folder: Path, sharing: Sharing | None) -> None:
        self.folder = folder
        self.sharing = sharing
        self.hub = Hub()
        self.jobs = JobBoard(self._job_ended)
        self.drops: dict[str, Path] = {}
        self.invite_base: str | None = None
        self.started = secrets.token_hex(4)
        self._list = ClipList()
        self.last_export: str | None = None
        self._opened = False
        self._watch_lock = threading.Lock()
        self._watch: Library | None = None
        self._versions = 0

    @contextmanager
    def library(self) -> Iterator[Library]:
        """The library, made at the first time when it is not there yet and never again: one that is gone
        while the page is open is on a disk that was pulled out, and no empty one may stand in its place."""
        self.refuse_when_gone()
        with Library(self.folder) as library:
            self._opened = True
            yield library

    def refuse_when_gone(self) -> None:
        """Raise StoreError when the library was there and is not any more."""
        if self._opened and not (self.folder / CATALOGUE).exists():
            raise StoreError(f"the library {self.folder} is not there any more: plug its disk in, or put the folder back")

    def library_version(self) -> int:
        """A number that changes whenever anybody commits anything to the catalogue.

        ``Catalogue.version`` counts the commits of other connections; this one never writes.
        """
        with self._watch_lock:
            try:
                self.refuse_when_gone()
                if self._watch is None:
                    self._watch = Library(self.folder)
                    self._versions += 1_000_000
                version = self._watch.catalogue.version()
            except (StoreError, sqlite3.Error):
                self._close_watch()  # another catalogue may be there when it can be read again
                raise
            self._opened = True
            return self._versions + version

    def clips_listed(self) -> Listed:
        """The list of clips as it is now."""
        return self._list.read(f'"{self.started}-{self.library_version()}"', self.library)

    def _job_ended(self, job: JobHandle) -> None:
        self.hub.tell_from_thread({"kind": "job", "id": job.id, "state": job.state})

    def close(self) -> None:
        self.jobs.stop_all()
        with self._watch_lock:
            self._close_watch()

    def _close_watch(self) -> None:
        if self._watch is not None:
            with contextlib.suppress(sqlite3.Error):
                self._watch.close()
            self._watch = None


def desk_of(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


def named(text: str) -> str:
    """A show or rig of the library by its name.

    Commands take the path of a ``.toml`` file as well; a page must never lead
    to a file outside the library.
    """
    if text.lower().endswith(".toml"):
        raise InputError(f"{text!r} is a file: the page takes shows and rigs of this library, by their names")
    return text


def whole_asked(request: Request, name: str) -> int | None:
    """A whole number of the address; None when it is not there."""
    text = request.query_params.get(name)
    if text is None or text == "":
        return None
    if not (text.isascii() and text.isdigit()):
        raise InputError(f"{name} {text[:MOST_DIGITS]!r}: write a number")
    return _whole(text)


def answer(value: Any, status: int = 200) -> JSONResponse:
    return JSONResponse(plain(value), status_code=status)


class Body:
    """A JSON object that a request brought, with readings that name the field that is wrong."""

    def __init__(self, values: dict[str, Any]) -> None:
        self.values = values

    def text(self, name: str, default: str | None = None) -> str:
        value = self.values.get(name, default)
        if not isinstance(value, str):
            raise InputError(f"the request lacks {name!r}: reload the page")
        return value

    def maybe(self, name: str) -> str | None:
        value = self.values.get(name)
        if value is not None and not isinstance(value, str):
            raise InputError(f"{name!r} is no text: reload the page")
        return value or None

    def maybe_empty(self, name: str) -> str | None:
        """Like ``maybe``, but an empty text stays one: it says that there is to be none."""
        return "" if self.values.get(name) == "" else self.maybe(name)

    def number(self, name: str) -> float | None:
        value = self.values.get(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise InputError(f"{name} is {value!r}: write a number")
        return float(value)

    def whole(self, name: str) -> int | None:
        value = self.values.get(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            raise InputError(f"{name} is {value!r}: write a whole number")
        return value

    def yes(self, name: str) -> bool:
        return self.values.get(name) is True

    def texts(self, name: str) -> list[str]:
        value = self.values.get(name, [])
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise InputError(f"the request lacks {name!r}: reload the page")
        return list(value)

    def mapping(self, name: str) -> dict[str, Any]:
        value = self.values.get(name, {})
        if not isinstance(value, dict):
            raise InputError(f"the request lacks {name!r}: reload the page")
        return value


MOST_DIGITS = 15
"""Whole numbers up to this many digits fit a catalogue's column and a float without loss."""


def _whole(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise InputError(f"{text[:MOST_DIGITS]}… is too large a number: write a smaller one")
    return int(text)


def _no_number(text: str) -> float:
    raise InputError(f"{text} is no number: write one, such as 1.5")


async def body_of(request: Request) -> Body:
    """The request's JSON object (an empty one when it brought nothing).

    Raises
    ------
    InputError
        for what is not JSON (RFC 8259: no NaN, no infinities), for halves of a
        character pair that no file and no database can hold, and for whole
        numbers beyond every field's range
    """
    raw = await request.body()
    if not raw:
        return Body({})
    try:
        values = json.loads(raw, parse_int=_whole, parse_constant=_no_number)
        json.dumps(values, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as error:
        raise InputError("the request is not JSON: reload the page") from error
    if not isinstance(values, dict):
        raise InputError("the request is not a JSON object: reload the page")
    return Body(values)
