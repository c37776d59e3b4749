"""Where files wait that were dropped on the page: each running server keeps its own.

A server's drops lie in folders named after it, beside a file that it holds as
long as it runs; the system lets go of that file even when the server is killed.

Function: ``keep_drops``.
"""

from __future__ import annotations

import logging
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from padbank.files.lock import holding

log = logging.getLogger(__name__)

HELD = ".held"


@contextmanager
def keep_drops(folder: Path, server: str) -> Iterator[None]:
    """Take away the drops of servers that have ended, and keep those of this one until the block ends.

    Parameters
    ----------
    folder : the library's folder
    server : this server's name, with which the names of its drops begin
    """
    dropped = folder / "dropped"
    mark = dropped / f"{server}{HELD}"
    try:
        _clear(dropped)
        dropped.mkdir(parents=True, exist_ok=True)
        mark.touch()
    except OSError as error:
        log.debug("%s cannot be made ready: %s", dropped, error)  # whoever drops a file is told then
        yield
        return
    try:
        with holding(mark):
            yield
    finally:
        with suppress(OSError):  # its disk may have been pulled out
            mark.unlink(missing_ok=True)


def _clear(dropped: Path) -> None:
    if not dropped.is_dir():
        return
    alive = set()
    for mark in dropped.glob(f"*{HELD}"):
        with holding(mark) as free:
            if not free:
                alive.add(mark.name.removesuffix(HELD))
    for old in dropped.iterdir():
        if old.name.removesuffix(HELD).partition("-")[0] in alive:
            continue
        if old.is_dir():
            shutil.rmtree(old, ignore_errors=True)
        else:
            with suppress(OSError):  # what cannot go now waits for the next server
                old.unlink(missing_ok=True)
