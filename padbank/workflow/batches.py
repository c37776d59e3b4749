"""Jobs run in this process or in worker processes, a few at a time, their outcomes in order.

Function: ``outcomes_of``.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from padbank.workflow.ingest import (
    IngestJob,
    IngestOutcome,
    Place,
    ingest,
    ingest_all,
    start_worker,
)
from padbank.workflow.pool import cores, worker_pool

POOL_FROM_FILES = 24
POOL_FROM_BYTES = 40_000_000
"""Below both, starting worker processes costs more than it saves."""

BATCH_FILES = 32
BATCH_BYTES = 8_000_000
"""What a worker gets at once: enough that handing it over costs little."""
GROUP_FILES = 256
GROUP_S = 0.3
"""Outcomes that are ready are given together, up to so many; alone, after so long."""

Outcomes = list[IngestOutcome]


def outcomes_of(jobs: Sequence[IngestJob], place: Place, workers: int | None) -> Iterator[Outcomes]:
    """Outcomes of the jobs in their order, in groups. ``workers`` None: as many as it is worth.

    A file that brings its process down is refused, and the rest goes on.

    Raises
    ------
    StoreError
        when the library cannot take any more
    """
    sizes = [_size(job.path) for job in jobs]
    if workers is None:
        big = sum(sizes) >= POOL_FROM_BYTES and len(jobs) > 1
        workers = cores() if len(jobs) >= POOL_FROM_FILES or big else 1
    return _here(jobs, place) if workers <= 1 else _in_workers(jobs, sizes, place, workers)


def _here(jobs: Sequence[IngestJob], place: Place) -> Iterator[Outcomes]:
    group: Outcomes = []
    began = time.monotonic()
    for job in jobs:
        group.append(ingest(job, place))
        if len(group) >= GROUP_FILES or time.monotonic() - began >= GROUP_S:
            yield group
            group, began = [], time.monotonic()
    if group:
        yield group


def _in_workers(jobs: Sequence[IngestJob], sizes: Sequence[int], place: Place, workers: int) -> Iterator[Outcomes]:
    batches = deque(_batches(jobs, sizes, max(1, min(BATCH_FILES, len(jobs) // (4 * workers)))))
    while batches:
        try:
            with worker_pool(workers, start_worker, (place,)) as pool:
                yield from _through(pool, batches)
        except BrokenProcessPool:
            yield from _one_by_one(batches.popleft(), place)


def _through(pool: ProcessPoolExecutor, batches: deque[list[IngestJob]]) -> Iterator[Outcomes]:
    """Outcomes of the batches, each taken off the queue when it is done."""
    futures = deque(pool.submit(ingest_all, batch) for batch in batches)
    while futures:
        outcomes: Outcomes = []
        while not outcomes or (futures and len(outcomes) < GROUP_FILES and _is_ready(futures[0])):
            outcomes += futures[0].result()
            futures.popleft()
            batches.popleft()
        yield outcomes


def _is_ready(future: Future[Outcomes]) -> bool:
    return future.done() and future.exception() is None


def _batches(jobs: Sequence[IngestJob], sizes: Sequence[int], most_files: int) -> Iterator[list[IngestJob]]:
    batch: list[IngestJob] = []
    n_bytes = 0
    for job, size in zip(jobs, sizes, strict=True):
        if batch and (len(batch) >= most_files or n_bytes + size > BATCH_BYTES):
            yield batch
            batch, n_bytes = [], 0
        batch.append(job)
        n_bytes += size
    if batch:
        yield batch


def _one_by_one(batch: Sequence[IngestJob], place: Place) -> Iterator[Outcomes]:
    """A batch that brought its process down, or was under way when another did: which file is it?"""
    left = deque(batch)
    while left:
        with worker_pool(1, start_worker, (place,)) as pool:
            try:
                while left:
                    yield pool.submit(ingest_all, [left[0]]).result()
                    left.popleft()
            except BrokenProcessPool:
                left.popleft()
                yield [IngestOutcome(refused="makes the decoder crash: the file is badly damaged; make it again")]


def _size(path: str) -> int:
    try:
        return os.stat(path).st_size
    except OSError:
        return 0
