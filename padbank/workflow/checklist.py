"""The checklist before a show: what was proved of a layout and of its set, and what is left to do by hand.

One piece for ``padbank ready`` and for the page's Export place. Functions:
``check_layout``, ``check_card``, ``check_rights``, ``by_hand``. Class: ``Check``.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from padbank.domain import Finding, Layout, Show
from padbank.files.verify import VerifiedFile
from padbank.layout.evaluate import LeftOut
from padbank.units import format_db
from padbank.workflow.verify import Verified


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One line of the checklist: what, whether it holds, and the figures behind it."""

    text: str
    ok: bool
    figures: str


def _must_figures(musts: int, left_out: Collection[LeftOut]) -> str:
    missing = [item.want for item in left_out if item.must]
    wishes = len(left_out) - len(missing)
    figures = f"{musts} {'must' if musts == 1 else 'musts'}, {wishes} {'wish' if wishes == 1 else 'wishes'} left out"
    return f"{figures}, not there: {', '.join(missing)}" if missing else figures


def check_layout(
    show: Show, layout: Layout, left_out: Collection[LeftOut], findings: Iterable[Finding], proved: str = ""
) -> list[Check]:
    """Musts and limits of a layout that was weighed; ``proved`` says how good it is known to be."""
    musts = sum(w.must for s in show.segments for w in s.wants)
    clips = len({p.clip for p in layout.places})
    return [
        Check(
            text="every must is under a pad",
            ok=not any(item.must for item in left_out),
            figures=_must_figures(musts, left_out),
        ),
        Check(
            text="the layout keeps every limit of the rig",
            ok=not any(f.severity == "error" for f in findings),
            figures=f"{clips} clips on {len(layout.places)} pads{f', {proved}' if proved else ''}",
        ),
    ]


def _rows(verified: Verified) -> list[VerifiedFile]:
    return [row for report in verified.reports for row in report.files]


def short_of(verified: Verified) -> dict[str, float]:
    """Clips below their target, as the set says, in LU."""
    return {row.clip: row.short_lu for row in _rows(verified) if row.short_lu >= 0.05}


def _short_figures(short: Mapping[str, float]) -> str:
    if not short:
        return "none below the target"
    worst = max(short, key=lambda clip: short[clip])
    return f"{len(short)} below the target, {worst} by {short[worst]:.1f} LU"


FAR_BELOW_LU = 6.0
"""A clip this far below the others may drown; common practice, no source."""


def check_card(verified: Verified) -> list[Check]:
    """Wholeness, level and true peak, as the second meter read them back."""
    rows, short = _rows(verified), short_of(verified)
    codes = {f.code for f in verified.findings}
    worst = max((abs(r.off_lu) for r in rows if r.off_lu is not None and not r.short_lu), default=0.0)
    peaks = [(r.true_peak_dbtp, r.ceiling_dbtp) for r in rows if r.true_peak_dbtp is not None]
    high = max(peaks, default=None)
    return [
        Check(
            text="the set on the card is whole and as planned",
            ok=verified.all_as_planned,
            figures=f"{len(rows)} files read back and measured again",
        ),
        Check(
            text="every clip is as loud as planned",
            ok="level" not in codes,
            figures=f"worst {worst:.2f} LU off, {_short_figures(short)}",
        ),
        Check(
            text="no true peak passes the ceiling",
            ok="true-peak" not in codes,
            figures="no peaks to measure" if high is None else f"highest {format_db(high[0], 'dBTP', 2)}, ceiling {format_db(high[1], 'dBTP')}",
        ),
    ]


def check_rights(show: Show, clips: Collection[str], unclear: Collection[str]) -> Check:
    """Rights of the clips on the card; a show that takes any clip has said who answers for the ``unclear`` ones."""
    asks = show.rights != "any" or not unclear
    return Check(
        text="rights are stated for every clip" if asks else "for rights not stated, the show says that you answer",
        ok=not (unclear and asks),
        figures=f"{len(clips) - len(unclear)} of {len(clips)}",
    )


def by_hand(layout: Layout, moved: int, unclear: Collection[str] = (), short: Mapping[str, float] | None = None) -> list[str]:
    """What no program can check for you.

    Parameters
    ----------
    moved : how many pads are not where the hands know them
    unclear : clips on the card without a licence
    short : clips below the target, in LU
    """
    controls = sorted({c.label for c in layout.controls})
    banks = len({p.bank for p in layout.places})
    lines = [
        "Eject the card safely, put it in, load the set.",
        f"Step through {('no bank', 'the bank', 'both banks')[banks] if banks <= 2 else f'all {banks} banks'}: one quiet hit on every pad and pedal, the sheet beside you.",
    ]
    if controls:
        lines.append(f"Fire each control hit and look where it lands: {', '.join(controls)}.")
    drowned = sorted(((lu, clip) for clip, lu in (short or {}).items() if lu >= FAR_BELOW_LU), reverse=True)
    if drowned:
        far = ", ".join(f"{clip} by {lu:.1f} LU" for lu, clip in drowned)
        lines.append(f"Hear whether what stays far below the target still carries: {far}.")
    lines.append("Play the loudest pad at low monitor level, then set the monitors. Loud cues and long sessions can harm hearing.")
    if unclear:
        clips = "1 clip has" if len(unclear) == 1 else f"{len(unclear)} clips have"
        lines.append(f"{clips} no licence stated: be sure you may play them; ask your collecting society or a lawyer in doubt.")
    if moved:
        lines.append(f"{moved} pads moved since the hands last knew them: underlined on the sheet; play them twice.")
    return lines
