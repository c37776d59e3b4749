"""The best layout so far, the best bound so far, and the time that is left.

``Best`` judges every layout by the evaluator, never by a model. A layout that
breaks a limit is not taken; one that only misses musts is kept to work on
until one that misses none is found.

Classes: ``Best``, ``Clock``.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from padbank.domain import Layout
from padbank.layout.cost import Held, read_layout
from padbank.layout.evaluate import Evaluation, evaluate_problem
from padbank.layout.held import tidy, to_layout
from padbank.layout.problem import Problem
from padbank.layout.scope import MISSING_S

PROVED_S = 1e-4
"""a layout within this many seconds of cost of its bound counts as proved"""


class Clock:
    """Time spent and left; no limit when ``seconds`` is None.

    ``now`` is the clock: ``time.process_time`` where the machine is shared.
    """

    def __init__(
        self,
        seconds: float | None,
        should_stop: Callable[[], bool],
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.now = now
        self.began = now()
        self.seconds = seconds
        self.should_stop = should_stop

    @property
    def spent_s(self) -> float:
        return self.now() - self.began

    def left_s(self, part: float = 1.0) -> float | None:
        """Seconds left of this part of the whole time, or None without a limit."""
        if self.seconds is None:
            return None
        return max(0.0, part * self.seconds - self.spent_s)

    def over(self, part: float = 1.0) -> bool:
        if self.should_stop():
            return True
        left = self.left_s(part)
        return left is not None and left <= 0.0


class Best:
    """Keeps the best layout (``layout``, ``evaluation``) and the highest bound.

    ``watch`` is told (objective, bound) whenever one of them gets better.
    """

    def __init__(self, problem: Problem, watch: Callable[[float, float], None] | None = None) -> None:
        self.problem = problem
        self._watch = watch
        self.layout: Layout | None = None
        self.evaluation: Evaluation | None = None
        self.held: Held | None = None
        self.cost = math.inf
        self.bound = 0.0
        self.first_s: float | None = None
        self.first_cost = math.inf

    def offer(self, held: Held) -> bool:
        """Judge a layout; True when it is better than what was there."""
        tidy(self.problem, held)
        layout = to_layout(self.problem, held)
        evaluation = evaluate_problem(self.problem, layout)
        errors = [f for f in evaluation.findings if f.severity == "error"]
        if any(f.code != "must-missing" for f in errors):
            return False
        missing = sum((f.limit or 0) - (f.number or 0) for f in errors)
        cost = evaluation.objective + MISSING_S * missing
        if cost >= self.cost - 1e-9:
            return False
        self.cost, self.held = cost, read_layout(self.problem, layout)
        if not errors:
            self.layout, self.evaluation = layout, evaluation
            self._tell()
        return True

    def lift(self, bound: float) -> None:
        if math.isfinite(bound) and bound > self.bound:
            self.bound = bound
            self._tell()

    def _tell(self) -> None:
        if self._watch is not None and self.evaluation is not None:
            self._watch(self.objective, self.bound)

    @property
    def feasible(self) -> bool:
        return self.evaluation is not None

    @property
    def objective(self) -> float:
        return math.inf if self.evaluation is None else self.evaluation.objective

    @property
    def proved(self) -> bool:
        return self.objective - self.bound <= max(PROVED_S, 1e-6 * abs(self.bound))
