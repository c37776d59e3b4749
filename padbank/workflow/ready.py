"""``ready``: plan, export, verify and a short checklist, for the last hour before a show."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.workflow.export import Exported, check_target, export
from padbank.workflow.plan import Planned, plan
from padbank.workflow.shows import open_show
from padbank.workflow.verify import Verified, verify


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One line of the checklist: what, whether it holds, and the figures behind it."""

    text: str
    ok: bool
    figures: str


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
    return Ready(
        planned=planned,
        exported=exported,
        verified=verified,
        checks=tuple(checklist(planned, exported, verified)),
        to_do=tuple(by_hand(planned, unclear)),
        by_hand_layout=by_hand_layout,
    )


def _arranged_by_hand(library: Library, name: str) -> int | None:
    found = library.catalogue.layout(open_show(library, name, all_clips=False).show.name)
    return found[0].number if found and found[1].get("by") != "plan" else None


def checklist(planned: Planned, exported: Exported, verified: Verified) -> list[Check]:
    """What the commands have proved, each with its figures."""
    card = exported.written.card
    wants = [w for s in planned.opened.show.segments for w in s.wants]
    missing = [item for item in planned.result.left_out if item.must]
    short = [f for f in card.files if f.short_lu >= 0.05]
    peaks = [f.true_peak_dbtp for f in card.files if f.true_peak_dbtp is not None]
    unclear = [f for f in exported.findings if f.code == "rights-unknown"]
    gap = "proved the best" if planned.result.status == "proved" else f"within {100 * planned.result.gap:.1f} % of the best"
    asks = planned.opened.show.rights != "any" or not unclear
    rows = [row for report in verified.reports for row in report.files]
    worst = max((abs(r.off_lu) for r in rows if r.off_lu is not None and not r.short_lu), default=0.0)
    return [
        Check(
            text="every must is under a pad",
            ok=not missing,
            figures=f"{sum(w.must for w in wants)} musts, {len(planned.result.left_out)} wishes left out",
        ),
        Check(
            text="the layout keeps every limit of the rig",
            ok=not any(f.severity == "error" for f in planned.result.findings),
            figures=f"{len({p.clip for p in planned.layout.places})} clips on {len(planned.layout.places)} pads, {gap}",
        ),
        Check(
            text="the set on the card is whole and as planned",
            ok=verified.all_as_planned,
            figures=f"{len(rows)} files read back and measured again",
        ),
        Check(
            text="every clip is at its level",
            ok=not any(f.code == "level" for f in verified.findings),
            figures=f"worst {worst:.2f} LU off, {len({f.clip for f in short})} clips reported short",
        ),
        Check(
            text="no true peak passes the ceiling",
            ok=not any(f.code == "true-peak" for f in verified.findings),
            figures=f"highest {max(peaks, default=float('-inf')):.2f} dBTP, ceiling {planned.opened.show.ceiling_dbtp:g}",
        ),
        Check(
            text="rights are stated for every clip" if asks else "for rights not stated, the show says that you answer",
            ok=not (unclear and asks),
            figures=f"{len({f.clip for f in card.files}) - len(unclear)} of {len({f.clip for f in card.files})}",
        ),
    ]


def by_hand(planned: Planned, unclear: Collection[str] = ()) -> list[str]:
    """What no program can check for you; ``unclear``: clips on the card without a licence."""
    controls = sorted({c.label for c in planned.layout.controls})
    banks = sum(any(p.bank == b for p in planned.layout.places) for b in range(1, planned.opened.rig.banks + 1))
    lines = [
        "Eject the card safely, put it in, load the set.",
        f"Step through all {banks} banks: one quiet hit on every pad and pedal, the sheet beside you.",
    ]
    if controls:
        lines.append(f"Fire each control hit and look where it lands: {', '.join(controls)}.")
    lines.append("Play the loudest pad at low monitor level, then set the monitors. Loud cues and long sessions can harm hearing.")
    if unclear:
        clips = "1 clip has" if len(unclear) == 1 else f"{len(unclear)} clips have"
        lines.append(f"{clips} no licence stated: be sure you may play them; ask your collecting society or a lawyer in doubt.")
    if planned.moved:
        lines.append(f"{len(planned.moved)} pads moved since the hands last knew them: underlined on the sheet; play them twice.")
    return lines
