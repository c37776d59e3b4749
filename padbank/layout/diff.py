"""What moved between two layouts, and why.

Functions: ``diff_layouts``. Class: ``Change``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from padbank.domain import Layout, Show

ChangeKind = Literal["new", "gone", "pad", "bank", "version", "control"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One difference: ``pad`` another pad, ``bank`` the same pad in another bank."""

    kind: ChangeKind
    clip: str
    before: str
    after: str
    why: str


def _segments_of(layout: Layout, bank: int) -> tuple[str, ...]:
    return layout.bank_segments[bank - 1] if bank <= len(layout.bank_segments) else ()


def _spot(bank: int, pad_id: str) -> str:
    return f"bank {bank} {pad_id}"


def _wanted(show: Show | None, clip: str, segments: tuple[str, ...]) -> list[str]:
    if show is None:
        return []
    return [
        s.name
        for s in show.segments
        if s.name in segments and any(w.clip == clip for w in s.wants)
    ]


def diff_layouts(old: Layout, new: Layout, show: Show | None = None) -> tuple[Change, ...]:
    """Every difference from an old layout to a new one, in the new one's order.

    ``show`` is the new layout's show; with it the reasons can name wants.
    """
    before: dict[str, dict[tuple[int, str], tuple[int, int]]] = {}
    after: dict[str, dict[tuple[int, str], tuple[int, int]]] = {}
    holder = {(p.bank, p.pad_id): p.clip for p in new.places}
    for table, layout in ((before, old), (after, new)):
        for p in layout.places:
            table.setdefault(p.clip, {})[(p.bank, p.pad_id)] = (p.channels, p.sample_rate_hz)
    changes: list[Change] = []
    for clip in sorted(set(before) | set(after)):
        was, now = before.get(clip, {}), after.get(clip, {})
        kept = set(was) & set(now)
        for spot in sorted(kept):
            if was[spot] != now[spot]:
                changes.append(
                    Change(
                        kind="version",
                        clip=clip,
                        before="{} ch, {} Hz".format(*was[spot]),
                        after="{} ch, {} Hz".format(*now[spot]),
                        why="the memory or the voices ask for another version",
                    )
                )
        left, came = sorted(set(was) - kept), sorted(set(now) - kept)
        while left and came:
            start = left.pop(0)
            same_pad = [s for s in came if s[1] == start[1]]
            end = same_pad[0] if same_pad else came[0]
            came.remove(end)
            changes.append(_moved(clip, start, end, holder, old, new))
        for start in left:
            taker = holder.get(start)
            segments = _segments_of(new, start[0])
            wanted = _wanted(show, clip, segments)
            if now:
                why = "it has another place"
            elif show is not None and not any(
                w.clip == clip for s in show.segments for w in s.wants
            ):
                why = "no segment wants it by name now"
            elif wanted:
                why = f"{wanted[0]} wants it, but every pad left for it would cost more than it is worth"
            else:
                why = "every pad left for it would cost more than it is worth"
            if taker:
                why += f"; {taker} has its pad"
            changes.append(
                Change(kind="gone", clip=clip, before=_spot(*start), after="", why=why)
            )
        for end in came:
            wanted = _wanted(show, clip, _segments_of(new, end[0]))
            why = f"{' and '.join(wanted)} wants it" if wanted else "some segment wants it"
            changes.append(Change(kind="new", clip=clip, before="", after=_spot(*end), why=why))
    old_controls = {(c.label, c.bank): c.pad_id for c in old.controls}
    for c in new.controls:
        was_pad = old_controls.get((c.label, c.bank))
        if was_pad is not None and was_pad != c.pad_id:
            changes.append(
                Change(
                    kind="control",
                    clip=c.label,
                    before=_spot(c.bank, was_pad),
                    after=_spot(c.bank, c.pad_id),
                    why="the control hit was placed anew",
                )
            )
    return tuple(changes)


def _moved(
    clip: str,
    start: tuple[int, str],
    end: tuple[int, str],
    holder: dict[tuple[int, str], str],
    old: Layout,
    new: Layout,
) -> Change:
    same_pad = start[1] == end[1]
    taker = holder.get(start)
    if same_pad and start[0] != end[0]:
        was, now = _segments_of(old, start[0]), _segments_of(new, end[0])
        shared = sorted(set(was) & set(now))
        why = f"{shared[0]} has another bank now" if shared else "it serves another bank, on the pad the hands know"
    elif taker:
        why = f"{taker} has its pad now"
    else:
        why = "its hits are nearer to hand there"
    return Change(
        kind="bank" if same_pad else "pad",
        clip=clip,
        before=_spot(*start),
        after=_spot(*end),
        why=why,
    )
