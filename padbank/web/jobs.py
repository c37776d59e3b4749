"""Long work in the background: started, watched, stopped.

A job is a plain function run on its own thread with a ``JobHandle``: it
reports ``handle.progress(done, total, label)``, puts figures to show meanwhile
into ``handle.note(...)``, and asks ``handle.should_stop()``. Work that cannot
ask is stopped by the progress call, which raises ``Stopped``.
"""

from __future__ import annotations

import logging
import secrets
import sqlite3
import threading
import time
from collections.abc import Callable
from typing import Any

from padbank.errors import InputError, PadbankError
from padbank.workflow.plain import plain

log = logging.getLogger(__name__)

KEPT = 50
"""Finished jobs that are remembered, so that a page that was reloaded finds its own."""


def catalogue_sentence(error: sqlite3.Error) -> str:
    return f"the library's catalogue did not answer ({error}): wait until other commands are done, then try again"


class Stopped(Exception):
    """The person stopped the job."""


class JobHandle:
    """What a running job sees of itself."""

    def __init__(self, kind: str, what: str, *, stop_raises: bool) -> None:
        self.id = secrets.token_hex(6)
        self.kind, self.what = kind, what
        self.state = "running"
        self.done, self.total, self.label = 0, 0, ""
        self.notes: dict[str, Any] = {}
        self.result: Any = None
        self.error: str | None = None
        self.started = time.monotonic()
        self.ended: float | None = None
        self._stop = threading.Event()
        self._stop_raises = stop_raises

    def progress(self, done: int, total: int, label: str) -> None:
        self.done, self.total, self.label = done, total, label
        if self._stop_raises and self._stop.is_set():
            raise Stopped

    def note(self, **notes: Any) -> None:
        self.notes = {**self.notes, **notes}

    def should_stop(self) -> bool:
        return self._stop.is_set()

    def stop(self) -> None:
        self._stop.set()

    def seen(self) -> dict[str, Any]:
        """The job as the page sees it."""
        end = self.ended if self.ended is not None else time.monotonic()
        return {
            "id": self.id, "kind": self.kind, "what": self.what, "state": self.state,
            "done": self.done, "total": self.total, "label": self.label,
            "seconds": round(end - self.started, 1), "notes": plain(self.notes),
            "stopping": self._stop.is_set() and self.state == "running",
            "result": plain(self.result), "error": self.error,
        }  # fmt: skip


class JobBoard:
    """Every job of this server. ``changed`` is called whenever a job ends."""

    def __init__(self, changed: Callable[[JobHandle], None] = lambda job: None) -> None:
        self._jobs: dict[str, JobHandle] = {}
        self._lock = threading.Lock()
        self._changed = changed

    def start(
        self, kind: str, what: str, work: Callable[[JobHandle], Any], *, stop_raises: bool = False
    ) -> JobHandle:
        """Run ``work`` on a thread.

        Parameters
        ----------
        kind, what : one job of a kind runs at a time for the same ``what``
        stop_raises : whether the progress call ends the work when it is stopped

        Raises
        ------
        InputError
            while the same kind of work runs on the same thing
        """
        job = JobHandle(kind, what, stop_raises=stop_raises)
        with self._lock:
            for other in self._jobs.values():
                if (other.kind, other.what, other.state) == (kind, what, "running"):
                    raise InputError(f"{kind} is running already for {what}: wait for it or stop it first")
            self._jobs[job.id] = job
            finished = [j for j in self._jobs.values() if j.state != "running"]
            for old in finished[: max(0, len(finished) - KEPT)]:
                del self._jobs[old.id]
        threading.Thread(target=self._run, args=(job, work), name=f"{kind}-{job.id}", daemon=True).start()
        return job

    def _run(self, job: JobHandle, work: Callable[[JobHandle], Any]) -> None:
        try:
            job.result = work(job)
            state = "stopped" if job.should_stop() else "done"
        except Stopped:
            state = "stopped"
        except PadbankError as error:
            job.error, state = str(error), "failed"
        except sqlite3.Error as error:
            job.error, state = catalogue_sentence(error), "failed"
        except OSError as error:
            job.error, state = f"{error.filename or 'a file'}: {error.strerror or error}", "failed"
        except Exception:
            log.exception("job %s failed", job.kind)
            job.error = f"{job.kind} failed in an unexpected way: the terminal that runs padbank shows where"
            state = "failed"
        job.ended = time.monotonic()
        job.state = state
        self._changed(job)

    def get(self, job_id: str) -> JobHandle:
        with self._lock:
            job = self._jobs.get(job_id)
        if job is None:
            raise InputError("that work ended when padbank was stopped: look at what is there, then begin it again")
        return job

    def running(self) -> list[JobHandle]:
        with self._lock:
            return [j for j in self._jobs.values() if j.state == "running"]

    def stop_all(self) -> None:
        for job in self.running():
            job.stop()
