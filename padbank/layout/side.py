"""A model solved in a thread beside the main work: its bound, and its solutions as they come.

HiGHS works outside Python's lock, so the second core is used. Without a time
limit the main work waits for its end, so that the result does not depend on
which of the two is quicker.

Class: ``SideRun``.
"""

from __future__ import annotations

import math
import threading

import numpy as np

from padbank.layout.best import Clock
from padbank.layout.model import Model
from padbank.layout.program import Outcome, run_program

SIDE_NODES = 200
"""branch-and-bound nodes of a side run without a time limit"""


class SideRun:
    """One run of a model in a thread.

    Parameters
    ----------
    part : the part of the clock's time that it may use
    """

    def __init__(
        self,
        model: Model,
        clock: Clock,
        *,
        start: dict[int, float] | None,
        part: float,
    ) -> None:
        self.model = model
        self._clock = clock
        self._start = start
        self._part = part
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._values: np.ndarray | None = None
        self._bound = -math.inf
        self._taken = 1e12
        self._outcome: Outcome | None = None
        self._thread: threading.Thread | None = None
        self._error: BaseException | None = None

    def begin(self) -> None:
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _better(self, values: np.ndarray, bound: float) -> None:
        with self._lock:
            self._values = values
            self._bound = max(self._bound, bound)

    def _run(self) -> None:
        clock = self._clock
        limited = clock.seconds is not None
        try:
            # the linear relaxation first: a bound at once, also when time is short
            relaxed = run_program(
                self.model.program,
                relaxed=True,
                seconds=clock.left_s(self._part),
                should_stop=self._stopped,
                now=clock.now,
            )
            with self._lock:
                self._bound = max(self._bound, relaxed.bound)
            if relaxed.infeasible or self._stopped() or (limited and clock.over(self._part)):
                return
            outcome = run_program(
                self.model.program,
                seconds=clock.left_s(self._part),
                start=self._start,
                relative_gap=2e-4,
                nodes=None if limited else SIDE_NODES,
                should_stop=self._stopped,
                on_better=self._better if limited else None,
                now=clock.now,
            )
        except BaseException as error:  # handed to the main thread, raised in ``end``
            self._error = error
            return
        with self._lock:
            self._outcome = outcome
            self._bound = max(self._bound, outcome.bound)
            if outcome.values is not None:
                self._values = outcome.values

    def _stopped(self) -> bool:
        return self._stop.is_set() or self._clock.should_stop()

    def end(self, *, wait: bool) -> None:
        """Wait for the run's own end, or stop it."""
        if self._thread is None:
            return
        if not wait:
            self._stop.set()
        self._thread.join()
        if self._error is not None:
            error, self._error = self._error, None
            raise error

    @property
    def bound(self) -> float:
        """The bound so far; infinite when the model has no solution."""
        with self._lock:
            return self._bound

    @property
    def ready(self) -> bool:
        """The run has come to its end."""
        return self._thread is None or not self._thread.is_alive()

    def fresh(self, cost: float) -> bool:
        """A solution is there that is much better than ``cost`` and than the last one taken.

        Never without a time limit: there, only the end counts.
        """
        with self._lock:
            if self._clock.seconds is None or self._values is None:
                return False
            return self._cost() < min(self._taken, cost) - 0.003 * abs(cost)

    def _cost(self) -> float:
        program = self.model.program
        assert self._values is not None
        return program.constant + float(np.dot(program.cost, self._values))

    def take(self) -> np.ndarray | None:
        """The latest solution, once."""
        with self._lock:
            values = self._values
            if values is not None:
                self._taken = self._cost()
            self._values = None
            return values
