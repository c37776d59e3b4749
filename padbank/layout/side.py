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
from padbank.layout.program import run_program
from padbank.layout.scope import Model

LEAVE_S = 0.3
"""how long a stopped run is waited for: between two nodes of a large show it can take seconds"""
SIDE_NODES = 200
"""branch-and-bound nodes of a side run without a time limit"""


class SideRun:
    """One run of a model in a thread.

    Parameters
    ----------
    start : values of whole variables to begin from
    part : the part of the clock's time that it may use
    relative_gap, nodes : where the run may end
    worth : part of the cost by which a solution on the way must be better to be worth taking
    """

    def __init__(
        self,
        model: Model,
        clock: Clock,
        *,
        start: dict[int, float] | None,
        part: float,
        relative_gap: float,
        nodes: int | None,
        worth: float,
    ) -> None:
        self.model = model
        self._clock = clock
        self._part = part
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._start = start
        self._relative_gap = relative_gap
        self._nodes = nodes
        self._worth = worth
        self._values: np.ndarray | None = None
        self._relaxed: np.ndarray | None = None
        self._relaxed_done = threading.Event()
        self._bound = -math.inf
        self._taken = 1e12
        self.infeasible = False
        self._thread: threading.Thread | None = None
        self._error: BaseException | None = None

    def begin(self) -> None:
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _better(self, values: np.ndarray, bound: float) -> None:
        with self._lock:
            self._values = values
            self._bound = max(self._bound, bound)

    def _lift(self, bound: float) -> None:
        with self._lock:
            self._bound = max(self._bound, bound)

    def _run(self) -> None:
        clock = self._clock
        limited = clock.seconds is not None
        try:
            # the linear relaxation first: a bound at once, also when time is short
            relaxed = run_program(
                self.model.program,
                relaxed=True,
                late_rows=self.model.new_pad_rows,
                seconds=clock.left_s(self._part),
                should_stop=self._stopped,
                now=clock.now,
            )
            self._lift(relaxed.bound)
            self._relaxed = relaxed.values
            self._relaxed_done.set()
            self.infeasible = relaxed.infeasible
            if relaxed.infeasible or self._stopped() or (limited and clock.over(self._part)):
                return
            outcome = run_program(
                self.model.program,
                seconds=clock.left_s(self._part),
                start=self._start,
                relative_gap=self._relative_gap,
                nodes=self._nodes,
                should_stop=self._stopped,
                on_better=self._better if limited else None,
                on_bound=self._lift if limited else None,
                now=clock.now,
            )
        except BaseException as error:  # handed to the main thread, raised in ``end``
            self._error = error
            self._relaxed_done.set()
            return
        self.infeasible = outcome.infeasible
        self._lift(outcome.bound)
        with self._lock:
            if outcome.values is not None:
                self._values = outcome.values

    def relaxed(self, *, wait: bool) -> np.ndarray | None:
        """The values of the model's linear relaxation once they are there; ``wait`` for them."""
        while wait and not self._relaxed_done.wait(LEAVE_S) and not self._clock.over(self._part):
            pass
        return self._relaxed if self._relaxed_done.is_set() else None

    def wait(self) -> None:
        """A moment, or until the run has come to its end."""
        if self._thread is not None:
            self._thread.join(LEAVE_S)

    def _stopped(self) -> bool:
        return self._stop.is_set() or self._clock.should_stop()

    def end(self, *, wait: bool) -> None:
        """Wait for the run's own end, or stop it; one that does not stop soon is left behind."""
        if self._thread is None:
            return
        if not wait:
            self._stop.set()
        while wait and self._thread.is_alive() and not self._clock.over(self._part):
            self._thread.join(LEAVE_S)  # in steps, so that Ctrl-C is heard on Windows too
        self._stop.set()
        self._thread.join(LEAVE_S)
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
        """A solution is there that is so much better than ``cost`` and than the last one taken.

        Never without a time limit: there, only the end counts.
        """
        with self._lock:
            if self._clock.seconds is None or self._values is None:
                return False
            return self._cost() < min(self._taken, cost) - self._worth * abs(cost)

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
