"""Can this show be planned on this rig with these clips? Every doubt at once.

``check_show`` compares names: wants for clips that the library lacks, tags with
too few clips, clips without rights, pins on pads that do not exist or that a
control hit holds, banks beyond the rig, contradictions between ``apart``,
``together`` and pins. Whether the show *fits* (memory, voices) is for the
planner. A date in the past is fine.

Codes: ``rig-other``, ``clip-missing``, ``tag-empty``, ``tag-short``,
``clip-uncleared``, ``want-twice``, ``pin-pad-missing``, ``pin-on-control``,
``pin-bank-beyond``, ``pins-clash``, ``pin-unwanted``, ``segment-bank-beyond``,
``always-bank-beyond``, ``together-too-many``, ``apart-and-together``, ``apart-bank-clash``,
``group-clip-missing``, ``segment-empty``, ``musts-exceed-pads``.
"""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from itertools import combinations
from typing import Protocol

from padbank.domain import Finding, Pin, Rig, Severity, Show


class KnownClip(Protocol):
    """What a clip must tell to be checked: ``domain.Clip`` and the planner's facts both do."""

    @property
    def tags(self) -> tuple[str, ...]: ...
    @property
    def cleared(self) -> bool: ...


def check_show(show: Show, rig: Rig, clips: Mapping[str, KnownClip]) -> list[Finding]:
    """Everything about a show that cannot be right, or that the drummer would want to know.

    Parameters
    ----------
    clips : the library's clips by name.

    Returns
    -------
    list of Finding : errors first, then warnings, then notes; empty when all is well.
    """
    found: list[Finding] = []
    if show.rig != rig.name:
        text = f"the show is made for rig {show.rig!r}, and this is {rig.name!r}"
        found.append(_finding("rig-other", "warning", text, show.name))
    found += _check_wants(show, rig, clips)
    found += _check_rights(show, clips)
    found += _check_pins(show, rig, clips)
    found += _check_banks(show, rig)
    found += _check_groups(show, rig, clips)
    order = {"error": 0, "warning": 1, "note": 2}
    return sorted(dict.fromkeys(found), key=lambda finding: order[finding.severity])


def _finding(
    code: str,
    severity: Severity,
    text: str,
    where: str = "",
    number: float | None = None,
    limit: float | None = None,
) -> Finding:
    return Finding(
        code=code, severity=severity, text=text, where=where, number=number, limit=limit
    )


def _did_you_mean(name: str, known: Mapping[str, object] | set[str]) -> str:
    near = get_close_matches(name, sorted(known), 1, 0.6)
    return f": did you mean {near[0]!r}?" if near else ": add it first, or change the want"


def _check_wants(show: Show, rig: Rig, clips: Mapping[str, KnownClip]) -> list[Finding]:
    found = []
    by_tag: dict[str, list[str]] = {}
    for name, clip in clips.items():
        for tag in clip.tags:
            by_tag.setdefault(tag, []).append(name)
    musts: set[str] = set()
    for segment in show.segments:
        where = f"segment {segment.name}"
        if not segment.wants:
            text = f"segment {segment.name!r} wants nothing: give it wants, or take it out"
            found.append(_finding("segment-empty", "note", text, where))
        seen: set[tuple[str | None, str | None]] = set()
        for want in segment.wants:
            if (want.clip, want.tag) in seen:
                what = f"clip {want.clip!r}" if want.clip else f"tag {want.tag!r}"
                text = f"{where} wants {what} twice: make it one want"
                found.append(_finding("want-twice", "warning", text, where))
            seen.add((want.clip, want.tag))
            if want.clip is not None:
                found += _check_want_clip(want.clip, want.must, where, clips)
                if want.must:
                    musts.add(want.clip)
                continue
            tag = want.tag or ""
            mine = by_tag.get(tag, [])
            named = {w.clip for w in segment.wants}
            mine_here = [n for n in mine if n not in named]  # a clip serves one want of a segment
            usable = [n for n in mine_here if show.rights == "any" or clips[n].cleared]
            severity: Severity = "error" if want.must else "warning"
            if not mine:
                near = get_close_matches(tag, sorted(by_tag), 1, 0.6)
                hint = f": did you mean {near[0]!r}?" if near else ": tag some, or change the want"
                text = f"no clip has the tag {tag!r} that {where} wants{hint}"
                found.append(_finding("tag-empty", severity, text, where, 0, want.count))
            elif len(usable) < want.count:
                beside = " beside those it names" if len(mine_here) < len(mine) else ""
                unclear = len(mine_here) - len(usable)
                why = f" with a licence ({unclear} without): state theirs," if unclear else ":"
                text = (
                    f"{where} wants {want.count} clips tagged {tag!r}{beside}, and there are "
                    f"{len(usable)}{why} tag more, or lower the count"
                )
                found.append(
                    _finding("tag-short", severity, text, where, len(usable), want.count)
                )
    places = sum(len(rig.pads) - len(rig.controls_in(bank)) for bank in range(1, rig.banks + 1))
    if len(musts) > places:
        text = (
            f"{len(musts)} clips are musts, and rig {rig.name} has {places} places for clips: "
            f"turn {len(musts) - places} into wishes"
        )
        found.append(_finding("musts-exceed-pads", "error", text, show.name, len(musts), places))
    return found


def _check_want_clip(
    name: str, must: bool, where: str, clips: Mapping[str, KnownClip]
) -> list[Finding]:
    severity: Severity = "error" if must else "warning"
    if name not in clips:
        text = f"{where} wants {name!r}, which is not in the library{_did_you_mean(name, clips)}"
        return [_finding("clip-missing", severity, text, where)]
    return []


FEW = 3
"""More clips without a licence than this are told in one finding."""


def _check_rights(show: Show, clips: Mapping[str, KnownClip]) -> list[Finding]:
    """Wants for clips that a show of cleared clips leaves out: musts and wishes."""
    if show.rights == "any":
        return []
    found: list[Finding] = []
    wants = [(s.name, w.clip, w.must) for s in show.segments for w in s.wants if w.clip]
    wants = [want for want in wants if want[1] in clips and not clips[want[1]].cleared]
    kinds: tuple[tuple[bool, Severity, str], ...] = ((True, "error", "musts"), (False, "warning", "wishes"))
    for must, severity, word in kinds:
        mine = [(segment, name) for segment, name, is_must in wants if is_must is must]
        if len(mine) <= FEW:
            found += [_uncleared(severity, f"segment {s}", f"wants {n!r}, which has no licence, so it stays out", n) for s, n in mine]
            continue
        names = ", ".join(list(dict.fromkeys(n for _, n in mine))[:FEW])
        text = f"{len(mine)} {word} are for clips without a licence, so they stay out ({names} and {len(mine) - FEW} more)"
        found.append(_uncleared(severity, "", text, "CLIP"))
    return found


def _uncleared(severity: Severity, where: str, text: str, clip: str) -> Finding:
    many = " or padbank add THEIR-FOLDER --licence …" if clip == "CLIP" else ""
    cure = (
        f'state it in Clips on the page, or by padbank edit {clip} --licence …{many}; or write rights = "any" in the show '
        "and answer for it yourself"
    )
    return _finding("clip-uncleared", severity, f"{where} {text}: {cure}".strip(), where)


def _covers(pin: Pin, rig: Rig) -> set[int]:
    return {pin.bank} if pin.bank is not None else set(range(1, rig.banks + 1))


def _check_pins(show: Show, rig: Rig, clips: Mapping[str, KnownClip]) -> list[Finding]:
    found = []
    pads = {pad.pad_id for pad in rig.pads}
    by_clip = {want.clip for segment in show.segments for want in segment.wants if want.clip}
    by_tag = {want.tag for segment in show.segments for want in segment.wants if want.tag}
    for pin in show.pins:
        where = f"pin {pin.clip}"
        if pin.clip not in clips:
            text = f"{pin.clip!r} is pinned but not in the library{_did_you_mean(pin.clip, clips)}"
            found.append(_finding("clip-missing", "error", text, where))
        elif pin.clip not in by_clip and not by_tag & set(clips[pin.clip].tags):
            text = f"{pin.clip!r} is pinned, but no segment wants it: it will not be placed"
            found.append(_finding("pin-unwanted", "warning", text, where))
        if pin.bank is not None and not 1 <= pin.bank <= rig.banks:
            text = f"{pin.clip!r} is pinned in bank {pin.bank}: the rig has {rig.banks} banks"
            found.append(_finding("pin-bank-beyond", "error", text, where, pin.bank, rig.banks))
        if pin.pad_id not in pads:
            near = get_close_matches(pin.pad_id, sorted(pads), 1, 0.5)
            hint = f", such as {near[0]}" if near else ""
            text = f"{pin.clip!r} is pinned on {pin.pad_id}, which rig {rig.name} does not have: choose a pad of the rig{hint}"
            found.append(_finding("pin-pad-missing", "error", text, where))
            continue
        held = [
            bank
            for bank in sorted(_covers(pin, rig))
            if 1 <= bank <= rig.banks and pin.pad_id in rig.controls_in(bank)
        ]
        if held:
            label = rig.controls_in(held[0])[pin.pad_id].label
            everywhere = len(held) == len(_covers(pin, rig))
            text = (
                f"{pin.clip!r} is pinned on {pin.pad_id}, which the control hit {label!r} holds "
                + (f"in bank {held[0]}" if pin.bank or not everywhere else "in every bank")
                + ": choose another pad"
            )
            severity: Severity = "error" if everywhere else "warning"
            found.append(_finding("pin-on-control", severity, text, where))
    for a, b in combinations(show.pins, 2):
        both = _covers(a, rig) & _covers(b, rig)
        if a.pad_id == b.pad_id and a.clip != b.clip and both:
            sure = a.bank is not None and b.bank is not None
            text = (
                f"{a.clip!r} and {b.clip!r} are both pinned on {a.pad_id}"
                + (f" in bank {min(both)}" if len(both) == 1 else "")
                + (": move one of them" if sure else ", so they can never share a bank")
            )
            found.append(
                _finding("pins-clash", "error" if sure else "note", text, f"pin {b.clip}")
            )
    return found


def _check_banks(show: Show, rig: Rig) -> list[Finding]:
    found = []
    for segment in show.segments:
        if segment.bank is not None and segment.bank > rig.banks:
            text = f"segment {segment.name!r} names bank {segment.bank}: the rig has {rig.banks}"
            found.append(
                _finding(
                    "segment-bank-beyond",
                    "error",
                    text,
                    f"segment {segment.name}",
                    segment.bank,
                    rig.banks,
                )
            )
    if show.always_bank is not None and show.always_bank > rig.banks:
        text = f"always_bank is {show.always_bank}: the rig has {rig.banks} banks"
        found.append(
            _finding("always-bank-beyond", "error", text, show.name, show.always_bank, rig.banks)
        )
    return found


def _check_groups(show: Show, rig: Rig, clips: Mapping[str, KnownClip]) -> list[Finding]:
    found = []
    roomiest = max(
        (len(rig.pads) - len(rig.controls_in(bank)) for bank in range(1, rig.banks + 1)), default=0
    )
    for group in show.together:
        if len(group) > roomiest:
            text = (
                f"{len(group)} clips are to be kept together, and no bank has more than {roomiest} "
                "places: part them"
            )
            found.append(
                _finding("together-too-many", "error", text, "together", len(group), roomiest)
            )
    for kind, groups in (("apart", show.apart), ("together", show.together)):
        for name in sorted({name for group in groups for name in group if name not in clips}):
            text = f"{kind} names {name!r}, which is not in the library{_did_you_mean(name, clips)}"
            found.append(_finding("group-clip-missing", "warning", text, kind))
    for apart in show.apart:
        for together in show.together:
            both = [name for name in apart if name in together]
            if len(both) > 1:
                text = (
                    f"{both[0]!r} and {both[1]!r} are to be kept together and apart: "
                    "take them out of one of the lists"
                )
                found.append(_finding("apart-and-together", "error", text, "apart"))
        for a, b in combinations([pin for pin in show.pins if pin.clip in apart], 2):
            if a.clip != b.clip and a.bank is not None and a.bank == b.bank:
                text = f"{a.clip!r} and {b.clip!r} are to be apart, and both are pinned in bank {a.bank}"
                found.append(_finding("apart-bank-clash", "error", text, "apart"))
    return found
