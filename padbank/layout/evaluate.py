"""Judge any layout, however it was made: terms, objective, findings.

Independent of the model and of the solver: it reads the layout place by place
(``cost.read_layout``), works out the cheapest way to play every want from it
(``cost.serve``), prices the terms and lists every limit broken.

Functions: ``evaluate``, ``evaluate_problem``. Classes: ``LeftOut``,
``Evaluation``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from padbank.domain import Finding, Layout, Rig, Show
from padbank.layout.cost import Held, Served, Term, price_terms, read_layout, serve
from padbank.layout.facts import ClipFacts
from padbank.layout.limits import find_limits_broken
from padbank.layout.problem import Problem, build_problem


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A want, or a part of one, that the layout does not serve."""

    segment: str
    want: str
    missing: int
    must: bool
    value: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Terms with their costs, their sum, findings, and the wants left out.

    ``feasible``: no finding is an error. ``wish_cost`` is the part of the
    objective that lost wishes make.
    """

    terms: tuple[Term, ...]
    objective: float
    findings: tuple[Finding, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def feasible(self) -> bool:
        return not any(f.severity == "error" for f in self.findings)

    @property
    def wish_cost(self) -> float:
        return next(t.cost for t in self.terms if t.name == "wish")

    def term(self, name: str) -> Term:
        return next(t for t in self.terms if t.name == name)


def _left_out(problem: Problem, held: Held, served: list[Served]) -> tuple[LeftOut, ...]:
    got: dict[int, list[int]] = {}
    for s in served:
        got.setdefault(s.demand, []).append(s.clip)
    result = []
    for d, demand in enumerate(problem.demands):
        missing = demand.count - len(got.get(d, ()))
        if missing <= 0:
            continue
        if demand.absent:
            reason = demand.absent
        elif all(c in held.where for c in demand.clips) and demand.clips:
            reason = "its hits would cost more than its value"
        else:
            reason = "every pad left for it would cost more than it is worth"
        result.append(
            LeftOut(
                segment=demand.segment,
                want=demand.label,
                missing=missing,
                must=demand.must,
                value=demand.value * missing,
                reason=reason,
            )
        )
    return tuple(result)


def evaluate_problem(problem: Problem, layout: Layout) -> Evaluation:
    """Judge a layout of a problem that is built already (its banks must serve the same segments)."""
    held = read_layout(problem, layout)
    served = serve(problem, held)
    terms = price_terms(problem, held, served)
    return Evaluation(
        terms=terms,
        objective=sum(t.cost for t in terms),
        findings=find_limits_broken(problem, held, served),
        left_out=_left_out(problem, held, served),
    )


def evaluate(
    rig: Rig,
    show: Show,
    clips: Mapping[str, ClipFacts] | Iterable[ClipFacts],
    layout: Layout,
    known: Layout | None = None,
) -> Evaluation:
    """Judge a layout.

    Parameters
    ----------
    rig, show, clips : what it is for
    layout : any layout, also one made by hand or an old one
    known : the layout that the hands know, for the term of moved places

    Returns
    -------
    Evaluation
        All findings at once. A layout without ``bank_segments`` is judged with
        the banks that the planner would give its segments.
    """
    return evaluate_problem(build_problem(rig, show, clips, known, layout=layout), layout)
