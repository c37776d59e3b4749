"""Worker processes: all cores, one linear-algebra thread each, the same on every system."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import connection
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import Any

MAX_WORKERS = 61
"""Windows can wait for no more than this many processes."""

THREAD_SETTINGS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0)) or 1
    return os.cpu_count() or 1


MEMORY_SETTINGS = {"MALLOC_TRIM_THRESHOLD_": str(64 << 20), "MALLOC_MMAP_THRESHOLD_": str(32 << 20)}
"""For glibc: memory that one clip's arrays have left is kept for the next one's, instead of being
given back and fetched anew, which took 1.5 of 7 ms a clip. Other systems pass over it."""


_settings_lock = threading.Lock()
_before: list[dict[str, str | None]] = []
"""What the environment was before each pool that is open; the first one's comes back with the last one's end."""


@contextmanager
def worker_settings() -> Iterator[None]:
    """Worker processes started inside use one linear-algebra thread each and keep their memory.

    Several threads may be inside at once.
    """
    settings = {**dict.fromkeys(THREAD_SETTINGS, "1"), **MEMORY_SETTINGS}
    with _settings_lock:
        _before.append({name: os.environ.get(name) for name in settings})
        os.environ.update(settings)
    try:
        yield
    finally:
        with _settings_lock:
            before = _before.pop()
            if not _before:
                _restore(before)


def _restore(before: dict[str, str | None]) -> None:
    for name, value in before.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value


def _end_with_parent() -> None:
    """A worker whose parent was killed would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


@contextmanager
def _ctrl_c_held_back() -> Iterator[None]:
    """A Ctrl-C waits until the block ends, and processes begun inside never see one."""
    if sys.platform == "win32":
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # it lets Ctrl-C through when it begins
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Worker(SpawnProcess):
    def start(self) -> None:
        with _ctrl_c_held_back():
            super().start()


class _Context(SpawnContext):
    Process = _Worker


def _start(initializer: Callable[..., None] | None, initargs: tuple[Any, ...]) -> None:
    """Begin a worker. A Ctrl-C in the terminal reaches every process: only the first one answers it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if initializer is not None:
        initializer(*initargs)


@contextmanager
def worker_pool(
    workers: int, initializer: Callable[..., None] | None = None, initargs: tuple[Any, ...] = ()
) -> Iterator[ProcessPoolExecutor]:
    """A pool of fresh ("spawn") processes; what is not begun when it closes is dropped, and after
    a Ctrl-C what is under way as well."""
    with worker_settings():
        before = {child.pid for child in multiprocessing.active_children()}
        pool = ProcessPoolExecutor(
            min(workers, MAX_WORKERS),
            mp_context=_Context(),
            initializer=_start,
            initargs=(initializer, initargs),
        )
        try:
            yield pool
        except KeyboardInterrupt:
            for child in multiprocessing.active_children():
                if child.pid not in before:
                    child.terminate()
            raise
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def mapper(*, parallel: bool) -> Iterator[Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]]:
    """``map``, or a pool's ``map``; results in order either way."""
    if not parallel or cores() < 2:
        yield map
        return
    with worker_pool(cores()) as pool:
        yield pool.map
