"""``ready``: plan, export, verify and a short checklist, for the last hour before a show."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.workflow.checklist import Check, by_hand, check_card, check_layout, check_rights
from padbank.workflow.export import Exported, check_target, export
from padbank.workflow.plan import Planned, plan
from padbank.workflow.shows import open_show
from padbank.workflow.verify import Verified, verify


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """What was done, what it proves, and what is left to do by hand; ``ok`` when every check holds."""

    planned: Planned
    exported: Exported
    verified: Verified
    checks: tuple[Check, ...]
    to_do: tuple[str, ...]
    by_hand_layout: int | None = None
    """the newest layout before, where it was arranged by hand: the new plan took its place"""

    @property
    def ok(self) -> bool:
        return all(c.ok for c in self.checks)


def make_ready(
    library: Library,
    name: str,
    folder: Path,
    *,
    seconds: float | None = None,
    accept: Collection[str] = (),
    progress: Progress = silent,
    should_stop: Callable[[], bool] = lambda: False,
) -> Ready:
    """Plan, export and verify a show, then say what is checked and what is left to do by hand.

    Raises
    ------
    PadbankError
        from the step that could not go on
    """
    check_target(library, folder)
    by_hand_layout = _arranged_by_hand(library, name)
    planned = plan(library, name, seconds=seconds, progress=progress, should_stop=should_stop)
    exported = export(library, name, folder, accept=accept, progress=progress)
    verified = verify(exported.folder, progress=progress)
    unclear = {f.where for f in exported.findings if f.code == "rights-unknown"}
    result, show = planned.result, planned.opened.show
    proved = "proved the best" if result.status == "proved" else f"within {100 * result.gap:.1f} % of the best"
    checks = [
        *check_layout(show, planned.layout, result.left_out, result.findings, proved),
        *check_card(verified),
        check_rights(show, {f.clip for f in exported.written.card.files}, unclear),
    ]
    return Ready(
        planned=planned,
        exported=exported,
        verified=verified,
        checks=tuple(checks),
        to_do=tuple(by_hand(planned.layout, len(planned.moved), unclear)),
        by_hand_layout=by_hand_layout,
    )


def _arranged_by_hand(library: Library, name: str) -> int | None:
    found = library.catalogue.layout(open_show(library, name, all_clips=False).show.name)
    return found[0].number if found and found[1].get("by") != "plan" else None
