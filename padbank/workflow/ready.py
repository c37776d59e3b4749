"""``ready``: lay out, export, verify and a short checklist, for the last hour before a show.

A show whose newest layout was planned is planned again with today's clips; one
that was arranged by hand since is taken as it is, because the hands have
learned it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from padbank.domain import Finding, Layout
from padbank.layout.evaluate import LeftOut
from padbank.layout.rigcheck import check_rig
from padbank.layout.showcheck import check_show
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.workflow.arrange import Board, read_board, weigh
from padbank.workflow.checklist import (
    Check,
    by_hand,
    check_card,
    check_layout,
    check_rights,
    short_of,
)
from padbank.workflow.export import Exported, check_target, export
from padbank.workflow.plan import Planned, plan
from padbank.workflow.shows import OpenShow, open_show
from padbank.workflow.verify import Verified, verify


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidOut:
    """The layout that goes on the card, with what is to be said of it; ``planned`` is None for one made by hand."""

    opened: OpenShow
    layout: Layout
    moved: frozenset[tuple[int, str]]
    left_out: tuple[LeftOut, ...]
    findings: tuple[Finding, ...]
    how_good: str
    planned: Planned | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """What was done, what it proves, and what is left to do by hand; ``ok`` when every check holds."""

    laid_out: LaidOut
    exported: Exported
    verified: Verified
    checks: tuple[Check, ...]
    to_do: tuple[str, ...]

    @property
    def ok(self) -> bool:
        return all(c.ok for c in self.checks)


def make_ready(
    library: Library,
    name: str,
    folder: Path,
    *,
    plan_anew: bool = False,
    seconds: float | None = None,
    accept: Collection[str] = (),
    progress: Progress = silent,
    should_stop: Callable[[], bool] = lambda: False,
) -> Ready:
    """Lay out, export and verify a show, then say what is checked and what is left to do by hand.

    Parameters
    ----------
    plan_anew : plan even where the newest layout was arranged by hand

    Raises
    ------
    PadbankError
        from the step that could not go on
    """
    check_target(library, folder)
    laid_out = None if plan_anew else _arranged_by_hand(library, name)
    if laid_out is None:
        laid_out = _as_planned(plan(library, name, seconds=seconds, progress=progress, should_stop=should_stop))
    exported = export(library, name, folder, number=laid_out.layout.number, accept=accept, progress=progress)
    verified = verify(exported.folder, progress=progress)
    unclear = {f.where for f in exported.findings if f.code == "rights-unknown"}
    show, layout = laid_out.opened.show, laid_out.layout
    checks = [
        *check_layout(show, layout, laid_out.left_out, laid_out.findings, laid_out.how_good),
        *check_card(verified),
        check_rights(show, {f.clip for f in exported.written.card.files}, unclear),
    ]
    return Ready(
        laid_out=laid_out,
        exported=exported,
        verified=verified,
        checks=tuple(checks),
        to_do=tuple(by_hand(layout, len(laid_out.moved), unclear, short_of(verified))),
    )


def _as_planned(planned: Planned) -> LaidOut:
    result = planned.result
    proved = "proved the best" if result.status == "proved" else f"within {100 * result.gap:.1f} % of the best"
    return LaidOut(
        opened=planned.opened,
        layout=planned.layout,
        moved=planned.moved,
        left_out=result.left_out,
        findings=planned.findings,
        how_good=proved,
        planned=planned,
    )


def _arranged_by_hand(library: Library, name: str) -> LaidOut | None:
    """The show's newest layout with today's findings, where hands made it for the show's rig; else None."""
    opened = open_show(library, name)
    found = library.catalogue.layout(opened.show.name)
    if found is None or found[1].get("by") == "plan" or found[0].rig != opened.rig.name:
        return None
    board: Board = read_board(library, name)
    weighed = weigh(board)
    doubts = [*check_rig(opened.rig), *check_show(opened.show, opened.rig, opened.clips)]
    return LaidOut(
        opened=opened,
        layout=board.layout,
        moved=board.moved,
        left_out=weighed.left_out,
        findings=tuple(dict.fromkeys([*doubts, *weighed.findings])),
        how_good="arranged by hand",
        planned=None,
    )
