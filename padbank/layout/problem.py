"""The planner's problem: a rig, a show and clip facts, resolved to numbers.

What it answers: which clips can serve which want, in which versions, on which
pads, and what a hit there costs. ``cost``, ``limits``, ``evaluate``, ``model``
and ``solve`` all read it; none of them reads the rig or show for a rule.

Conventions: inside ``Problem`` clips, pads and devices are indices into its
tuples, and banks count from 0. ``domain.Place`` counts banks from 1.

How wants are read: see ``demands``; from which banks their hits come: ``homes``.

Functions: ``build_problem``. Classes: ``Prices``, ``Problem``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from padbank.domain import Control, Device, Layout, Pad, Rig, Show
from padbank.errors import InputError
from padbank.layout import homes, mishit, reach, voices
from padbank.layout.demands import Demand, read_wants
from padbank.layout.facts import ClipFacts, Version, usable_versions

UNCLEARED = "its rights are not cleared and the show asks for cleared clips"
CONTROL_HITS = 1.0
"""expected hits of a control hit in each of its banks (no figure in the rig; a convention)"""
LOUD_STEP_LU = 6.0
"""a clip this much above (below) the show's target as played is loud (quiet)"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """Seconds of the player's time for one unit of each term (weights resolved)."""

    wish: float
    away_hit: float
    reach: float
    moved: float
    mishit: float
    quality: float
    switch_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Everything the planner weighs. Built by ``build_problem``; do not alter it.

    Fields
    ------
    versions : per clip and device, the versions that the device takes, without
        those that another one beats in size, loss and voices
    pad_versions : per clip and pad, whether any version may sit there
    why_not : for clips that cannot be placed at all, the reason
    blocked : per bank, the control hit on each pad that holds one, by pad index
    free_controls : control hits to be placed, with their banks
    known : per clip, the places the hands know, ``(bank, pad)``
    reach_s : movement time to each pad
    away_reach_s : movement time counted for a hit away from its bank
    miss : per pad, the pads that a hit may land on instead
    loud, quiet : clips by class
    """

    rig: Rig
    show: Show
    clips: tuple[ClipFacts, ...]
    demands: tuple[Demand, ...]
    bank_segments: tuple[tuple[str, ...], ...]
    versions: tuple[tuple[tuple[Version, ...], ...], ...]
    pad_ok: tuple[tuple[bool, ...], ...]
    why_not: dict[str, str]
    blocked: tuple[dict[int, Control], ...]
    free_controls: tuple[tuple[Control, tuple[int, ...]], ...]
    pins: tuple[tuple[int, int, int | None], ...]
    apart: tuple[tuple[int, ...], ...]
    together: tuple[tuple[int, ...], ...]
    known: dict[int, frozenset[tuple[int, int]]]
    reach_s: tuple[float, ...]
    away_reach_s: float
    miss: tuple[tuple[tuple[int, float], ...], ...]
    device_of: tuple[int, ...]
    loud: frozenset[int]
    quiet: frozenset[int]
    prices: Prices
    index: dict[str, int] = field(default_factory=dict)

    @property
    def banks(self) -> int:
        return self.rig.banks

    @property
    def pads(self) -> tuple[Pad, ...]:
        return self.rig.pads

    @property
    def devices(self) -> tuple[Device, ...]:
        return self.rig.devices

    def pad_index(self, pad_id: str) -> int:
        for i, pad in enumerate(self.rig.pads):
            if pad.pad_id == pad_id:
                return i
        raise InputError(
            f"rig {self.rig.name} has no pad {pad_id!r}: its pads are "
            + ", ".join(p.pad_id for p in self.rig.pads)
        )

    def instances(self, clip: int, device: int) -> int:
        """Most instances of a clip at once on a device."""
        fact, dev = self.clips[clip], self.devices[device]
        return voices.instances(
            fact.duration_s,
            fact.play_mode,
            dev.same_pad_again,
            self.rig.min_rehit_s,
            dev.release_s,
        )

    def tails(self, clip: int, device: int) -> int:
        """Most instances of a clip that still sound after a bank switch."""
        fact, dev = self.clips[clip], self.devices[device]
        return voices.tail_instances(
            fact.duration_s,
            fact.play_mode,
            dev.same_pad_again,
            self.rig.min_rehit_s,
            dev.release_s,
            self.rig.bank_switch_s,
        )

    def stored(self, clip: int, device: int, channels: int, rate_hz: int) -> Version | None:
        """A version of a clip as a device stores it, one that the planner would not choose too."""
        for version in self.clips[clip].versions:
            if (version.channels, version.sample_rate_hz) == (channels, rate_hz):
                return version.on(self.devices[device])
        return None

    def byte_limit(self, pad: int) -> int | None:
        """The most bytes that a clip on this pad may have, or None."""
        limits = [
            x
            for x in (self.pads[pad].max_clip_bytes, self.devices[self.device_of[pad]].max_clip_bytes)
            if x is not None
        ]
        return min(limits) if limits else None

    def move_price(self, clip: int, bank: int, pad: int) -> float:
        """Places moved by putting this clip there: 0, 0.5 (same pad, other bank) or 1."""
        known = self.known.get(clip)
        if not known or (bank, pad) in known:
            return 0.0
        return 0.5 if any(p == pad for _, p in known) else 1.0


def _facts(clips: Mapping[str, ClipFacts] | Iterable[ClipFacts]) -> dict[str, ClipFacts]:
    items = clips.values() if isinstance(clips, Mapping) else clips
    return {c.name: c for c in sorted(items, key=lambda c: c.name)}


def build_problem(
    rig: Rig,
    show: Show,
    clips: Mapping[str, ClipFacts] | Iterable[ClipFacts],
    known: Layout | None = None,
    *,
    layout: Layout | None = None,
    bank_segments: tuple[tuple[str, ...], ...] | None = None,
) -> Problem:
    """Resolve a rig, a show and clip facts.

    Parameters
    ----------
    known : the layout that the hands know (last show's)
    layout : a layout to be judged: its clips become candidates too, and its
        banks keep the segments that they serve
    bank_segments : which segments each bank serves, when that is decided

    Raises
    ------
    InputError : a pin, or a rule, names a pad or clip that there is not.
    """
    facts = _facts(clips)
    why_not: dict[str, str] = {}
    options: dict[str, tuple[tuple[Version, ...], ...]] = {}
    for name, fact in facts.items():
        if show.rights == "cleared" and not fact.cleared:
            why_not[name] = UNCLEARED
            continue
        found = [usable_versions(fact, d, rig.min_rehit_s) for d in rig.devices]
        if any(v for v, _ in found):
            options[name] = tuple(v for v, _ in found)
        else:
            why_not[name] = "it " + "; it ".join(dict.fromkeys(reason for _, reason in found))
    if bank_segments is None:
        bank_segments = (
            layout.bank_segments
            if layout is not None and layout.bank_segments
            else homes.assign_homes(rig, show, known)
        )
    bank_segments = tuple(bank_segments) + ((),) * (rig.banks - len(bank_segments))
    share = homes.shares(show, bank_segments)
    extra = frozenset(p.clip for p in layout.places) if layout is not None else frozenset()
    drafts = read_wants(show, facts, set(options), frozenset(), share, why_not)
    asked = {name for _, listed in drafts for name in listed}
    if extra - asked:  # clips that came in by hand may serve a tag too
        drafts = read_wants(show, facts, set(options), extra - asked, share, why_not)

    wanted = {name for _, names in drafts for name in names}
    wanted |= {pin.clip for pin in show.pins if pin.clip in options and pin.bank is not None}
    wanted |= {name for name in extra if name in facts}
    grown = True  # a kept-together clip comes along even when nobody wants it by name
    while grown:
        more = {n for group in show.together if wanted & set(group) for n in group if n in options}
        grown = bool(more - wanted)
        wanted |= more
    names = tuple(sorted(wanted))
    index = {name: i for i, name in enumerate(names)}
    chosen = tuple(facts[n] for n in names)
    none = tuple(() for _ in rig.devices)
    versions = tuple(options.get(n, none) for n in names)
    demands = tuple(
        replace(demand, clips=tuple(index[n] for n in candidates)) for demand, candidates in drafts
    )

    device_index = {d.name: i for i, d in enumerate(rig.devices)}
    device_of = tuple(device_index[p.device] for p in rig.pads)
    pad_ok = []
    for i, fact in enumerate(chosen):
        row = []
        for p, pad in enumerate(rig.pads):
            fits = versions[i][device_of[p]]
            ok = bool(fits)
            if pad.max_clip_s is not None and fact.duration_s > pad.max_clip_s + 1e-9:
                ok = False
            if pad.max_clip_bytes is not None and not any(
                v.n_bytes <= pad.max_clip_bytes for v in fits
            ):
                ok = False
            row.append(ok)
        pad_ok.append(tuple(row))

    pad_index = {p.pad_id: i for i, p in enumerate(rig.pads)}
    for pin in show.pins:
        if pin.pad_id not in pad_index:
            raise InputError(
                f"a pin of {pin.clip} names the pad {pin.pad_id!r}: rig {rig.name} has "
                + ", ".join(pad_index)
            )
        if pin.bank is not None and not 1 <= pin.bank <= rig.banks:
            raise InputError(
                f"a pin of {pin.clip} names bank {pin.bank}: rig {rig.name} has banks 1 to {rig.banks}"
            )
        if pin.clip not in facts:
            raise InputError(
                f"a pin names the clip {pin.clip!r}: there is none of that name; bring it back, or take the pin out of the show's file"
            )
    pins = tuple(
        (index[p.clip], pad_index[p.pad_id], None if p.bank is None else p.bank - 1)
        for p in show.pins
        if p.clip in index
    )
    blocked = tuple(
        {pad_index[pad_id]: c for pad_id, c in rig.controls_in(b + 1).items() if pad_id in pad_index}
        for b in range(rig.banks)
    )
    free = tuple(
        (c, tuple(range(rig.banks)) if c.banks is None else tuple(b - 1 for b in c.banks))
        for c in rig.controls
        if c.pad_id is None
    )
    reach_s = reach.reach_times(rig)
    away_reach_s = max(reach_s, default=0.0)
    weights = show.weights
    prices = Prices(
        wish=weights.wish,
        away_hit=weights.away * 2.0 * rig.bank_switch_s + weights.reach * away_reach_s,
        reach=weights.reach,
        moved=weights.moved,
        mishit=weights.mishit,
        quality=weights.quality,
        switch_s=2.0 * rig.bank_switch_s,
    )
    loud, quiet = _classes(chosen, show.target_lufs)
    return Problem(
        rig=rig,
        show=show,
        clips=chosen,
        demands=demands,
        bank_segments=bank_segments,
        versions=versions,
        pad_ok=tuple(pad_ok),
        why_not=why_not,
        blocked=blocked,
        free_controls=free,
        pins=pins,
        apart=_groups(show.apart, index),
        together=_groups(show.together, index),
        known=_known(known, index, pad_index, rig.banks),
        reach_s=reach_s,
        away_reach_s=away_reach_s,
        miss=mishit.chances(rig) if weights.mishit > 0 else tuple(() for _ in rig.pads),
        device_of=device_of,
        loud=loud,
        quiet=quiet,
        prices=prices,
        index=index,
    )


def _groups(groups: tuple[tuple[str, ...], ...], index: dict[str, int]) -> tuple[tuple[int, ...], ...]:
    found = (tuple(sorted({index[n] for n in group if n in index})) for group in groups)
    return tuple(g for g in found if len(g) > 1)


def _known(
    known: Layout | None, index: dict[str, int], pad_index: dict[str, int], banks: int
) -> dict[int, frozenset[tuple[int, int]]]:
    if known is None:
        return {}
    found: dict[int, set[tuple[int, int]]] = {}
    for place in known.places:
        if place.clip in index and place.pad_id in pad_index and place.bank <= banks:
            spot = (place.bank - 1, pad_index[place.pad_id])
            found.setdefault(index[place.clip], set()).add(spot)
    return {clip: frozenset(spots) for clip, spots in sorted(found.items())}


def _classes(
    clips: tuple[ClipFacts, ...], target_lufs: float
) -> tuple[frozenset[int], frozenset[int]]:
    loud, quiet = set(), set()
    for i, clip in enumerate(clips):
        if "loud" in clip.tags:
            loud.add(i)
        elif "quiet" in clip.tags:
            quiet.add(i)
        elif clip.loudness_lufs is not None:
            if clip.loudness_lufs >= target_lufs + LOUD_STEP_LU:
                loud.add(i)
            elif clip.loudness_lufs <= target_lufs - LOUD_STEP_LU:
                quiet.add(i)
    return frozenset(loud), frozenset(quiet)
