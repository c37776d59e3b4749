"""A layout in the making: place, take away, swap, with the limits kept as it goes.

Functions: ``empty_held``, ``copy_held``, ``to_layout``, ``extract``,
``arrange``. Classes: ``Filler``.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import linear_sum_assignment

from padbank.domain import ControlPlace, Layout, Place
from padbank.layout import voices
from padbank.layout.cost import Held, serve
from padbank.layout.limits import bank_tail, bank_voices, memory_used
from padbank.layout.model import Model, Slot
from padbank.layout.problem import Problem, Version

Spot = tuple[int, int, int]


def empty_held(problem: Problem) -> Held:
    """No clips; the rig's fixed control hits in their places."""
    return Held(
        at=[{} for _ in range(problem.banks)],
        control_pads=[set(b) for b in problem.blocked],
    )


def copy_held(held: Held) -> Held:
    return Held(
        at=[dict(at) for at in held.at],
        where={c: list(s) for c, s in held.where.items()},
        control_pads=[set(c) for c in held.control_pads],
        free_pads=dict(held.free_pads),
    )


def put(held: Held, bank: int, pad: int, spot: Spot) -> None:
    held.at[bank][pad] = spot
    held.where.setdefault(spot[0], []).append((bank, pad))
    held.where[spot[0]].sort()


def take(held: Held, bank: int, pad: int) -> Spot:
    spot = held.at[bank].pop(pad)
    held.where[spot[0]].remove((bank, pad))
    if not held.where[spot[0]]:
        del held.where[spot[0]]
    return spot


def set_bank(held: Held, bank: int, content: dict[int, Spot]) -> None:
    """Replace what a bank holds."""
    for pad in list(held.at[bank]):
        take(held, bank, pad)
    for pad, spot in sorted(content.items()):
        put(held, bank, pad, spot)


def to_layout(problem: Problem, held: Held) -> Layout:
    """The layout as a value, its places in order of bank and pad."""
    pads, clips = problem.pads, problem.clips
    places = tuple(
        Place(
            bank=b + 1,
            pad_id=pads[pad].pad_id,
            clip=clips[clip].name,
            channels=channels,
            sample_rate_hz=rate,
        )
        for b, at in enumerate(held.at)
        for pad, (clip, channels, rate) in sorted(at.items())
    )
    controls = [
        ControlPlace(bank=b + 1, pad_id=pads[pad].pad_id, label=c.label)
        for b, blocked in enumerate(problem.blocked)
        for pad, c in blocked.items()
    ]
    controls += [
        ControlPlace(bank=b + 1, pad_id=pads[pad].pad_id, label=label)
        for (label, b), pad in held.free_pads.items()
    ]
    return Layout(
        show=problem.show.name,
        rig=problem.rig.name,
        places=places,
        controls=tuple(sorted(controls)),
        bank_segments=problem.bank_segments,
    )


def extract(model: Model, values: np.ndarray) -> tuple[Held, list[tuple[int, Slot]]]:
    """Read a solution: the layout, and the pooled clips that still need a bank."""
    problem, scope = model.problem, model.scope
    base = scope.held
    held = empty_held(problem) if base is None else copy_held(base)
    for bank in scope.banks:
        set_bank(held, bank, {})
    for (label, pad), column in model.control.items():
        if values[column] > 0.5:
            for control, banks in problem.free_controls:
                if control.label == label:
                    for bank in banks:
                        old = held.free_pads.pop((label, bank), None)
                        if old is not None:
                            held.control_pads[bank].discard(old)
                        held.control_pads[bank].add(pad)
                        held.free_pads[(label, bank)] = pad
    chosen: dict[tuple[int, int], Version] = {}
    for (clip, device, k), column in model.version.items():
        if values[column] > 0.5:
            chosen[(clip, device)] = problem.versions[clip][device][k]

    def spot(clip: int, pad: int) -> Spot:
        device = problem.device_of[pad]
        if base is not None:
            for b, q in base.where.get(clip, ()):
                if b not in scope.banks and problem.device_of[q] == device:
                    return base.at[b][q]
        version = chosen.get((clip, device)) or problem.versions[clip][device][0]
        return (clip, version.channels, version.sample_rate_hz)

    placed: dict[int, list[tuple[int, Slot, int]]] = {b: [] for b in scope.banks}
    for (clip, bank, slot), column in model.x.items():
        if values[column] > 0.5:
            rank = 0 if len(slot) == 1 else 1 if slot in model.slots[bank] else 2
            placed[bank].append((rank, slot, clip))
    for bank, entries in placed.items():
        for _, slot, clip in sorted(entries):
            free = [q for q in slot if q not in held.at[bank] and q not in held.control_pads[bank]]
            if free:
                put(held, bank, free[0], spot(clip, free[0]))
    pooled = [
        (clip, room) for (clip, room), column in model.pooled.items() if values[column] > 0.5
    ]
    return held, pooled


def tidy(problem: Problem, held: Held) -> None:
    """Take away places that serve nothing: no want, no pin, no clip that must have them near."""
    served = serve(problem, held)
    used = {(s.clip, bank, pad) for s in served for bank, pad, _ in s.hits}
    used |= {(c, b, q) for c, q, b in problem.pins if b is not None}
    away = {s.clip for s in served if s.away_hits > 0}
    tied = {c for group in problem.together for c in group}
    for clip, spots in list(held.where.items()):
        if clip in tied:
            continue
        keep = [(b, q) for b, q in spots if (clip, b, q) in used]
        if not keep and (clip in away or any(s.clip == clip for s in served)):
            keep = [min(spots, key=lambda s: (problem.move_price(clip, *s), s))]
        for bank, pad in list(spots):
            if (bank, pad) not in keep:
                take(held, bank, pad)


class Filler:
    """Places clips one by one and keeps pad limits, voices, rules and versions in step."""

    def __init__(self, problem: Problem, held: Held) -> None:
        self.p, self.held = problem, held
        self.version: dict[tuple[int, int], Version] = {}
        for at in held.at:
            for pad, (clip, channels, rate) in at.items():
                device = problem.device_of[pad]
                for v in problem.versions[clip][device]:
                    if (v.channels, v.sample_rate_hz) == (channels, rate):
                        self.version[(clip, device)] = v
        n = range(len(problem.devices))
        self.need = [[bank_voices(problem, held, b, d) for d in n] for b in range(problem.banks)]
        self.tail = [[bank_tail(problem, held, b, d) for d in n] for b in range(problem.banks)]
        self.apart_of: dict[int, list[tuple[int, ...]]] = {}
        for group in problem.apart:
            for clip in group:
                self.apart_of.setdefault(clip, []).append(group)
        self.pins_of: dict[int, list[tuple[int, int | None]]] = {}
        for clip, pad, bank in problem.pins:
            self.pins_of.setdefault(clip, []).append((pad, bank))

    def _voices_fit(self, bank: int, device: int) -> bool:
        limit = self.p.devices[device].voices
        if self.need[bank][device] > limit:
            return False
        for other in range(self.p.banks):
            if other != bank and (
                self.need[bank][device] + self.tail[other][device] > limit
                or self.need[other][device] + self.tail[bank][device] > limit
            ):
                return False
        return True

    def _count(self, bank: int, device: int) -> None:
        self.need[bank][device] = bank_voices(self.p, self.held, bank, device)
        self.tail[bank][device] = bank_tail(self.p, self.held, bank, device)

    def allowed(self, clip: int, bank: int) -> list[int]:
        """Free pads of a bank where a clip may sit, nearest first."""
        p, held = self.p, self.held
        if any(b == bank for b, _ in held.where.get(clip, ())):
            return []
        here = held.at[bank]
        for group in self.apart_of.get(clip, ()):
            others = {c for c, _, _ in here.values()}
            if any(c in others for c in group if c != clip):
                return []
        pads: list[int] = list(range(len(p.pads)))
        pins = self.pins_of.get(clip)
        if pins:
            exact = [q for q, b in pins if b == bank]
            anywhere = [q for q, b in pins if b is None]
            if exact or anywhere:
                pads = exact or anywhere
        return sorted(
            (
                q
                for q in pads
                if q not in here and q not in held.control_pads[bank] and p.pad_ok[clip][q]
            ),
            key=lambda q: (p.reach_s[q], q),
        )

    def place(self, clip: int, bank: int, pads: list[int] | None = None) -> bool:
        """Put a clip on the first pad that takes it in some version; False when none does."""
        p = self.p
        for pad in self.allowed(clip, bank) if pads is None else pads:
            device = p.device_of[pad]
            old = self.version.get((clip, device))
            limit = p.byte_limit(pad)
            for v in (old,) if old is not None else p.versions[clip][device]:
                if limit is not None and v.n_bytes > limit:
                    continue
                put(self.held, bank, pad, (clip, v.channels, v.sample_rate_hz))
                self._count(bank, device)
                if self._voices_fit(bank, device):
                    self.version[(clip, device)] = v
                    return True
                take(self.held, bank, pad)
                self._count(bank, device)
        return False

    def remove(self, bank: int, pad: int) -> None:
        clip, _, _ = take(self.held, bank, pad)
        device = self.p.device_of[pad]
        self._count(bank, device)
        if not any(self.p.device_of[q] == device for _, q in self.held.where.get(clip, ())):
            self.version.pop((clip, device), None)

    def memory_over(self, device: int) -> int:
        return memory_used(self.p, self.held, device) - self.p.devices[device].memory_bytes

    def shrink(self, device: int) -> None:
        """Take smaller versions, least loss per byte saved first, until the memory holds."""
        p = self.p
        over = self.memory_over(device)
        if over <= 0:
            return
        steps = []
        for (clip, d), now in self.version.items():
            if d != device:
                continue
            for v in p.versions[clip][d]:
                saved = now.n_bytes - v.n_bytes
                k_now = voices.voices_each(now.channels, p.devices[d].voices_per_stereo)
                k = voices.voices_each(v.channels, p.devices[d].voices_per_stereo)
                if saved > 0 and k <= k_now:
                    steps.append(((v.loss_db - now.loss_db) / saved, clip, saved, v))
        steps.sort(key=lambda s: (s[0], s[1], s[2]))
        for _, clip, _, v in steps:
            if over <= 0:
                break
            now = self.version[(clip, device)]
            if v.n_bytes < now.n_bytes:
                over -= now.n_bytes - v.n_bytes
                self.version[(clip, device)] = v
                for bank, pad in self.held.where[clip]:
                    if p.device_of[pad] == device:
                        self.held.at[bank][pad] = (clip, v.channels, v.sample_rate_hz)
        for bank in range(p.banks):
            self._count(bank, device)


def home_hits(problem: Problem) -> dict[tuple[int, int], float]:
    """Expected hits of each clip in each bank where some segment may ask for it."""
    hits: dict[tuple[int, int], float] = {}
    for demand in problem.demands:
        for clip in demand.clips:
            for bank, part in demand.share:
                key = (clip, bank)
                hits[key] = hits.get(key, 0.0) + demand.hits * part
    return hits


def arrange(problem: Problem, held: Held, bank: int, hits: dict[tuple[int, int], float]) -> None:
    """Spread a bank's clips over its pads: an assignment without risk between clips,
    then swaps and moves while they lower the cost with it. Limits of pads are kept."""
    at = held.at[bank]
    if not at:
        return
    clips = [at[q] for q in sorted(at)]
    pads = [q for q in range(len(problem.pads)) if q not in held.control_pads[bank]]
    prices = problem.prices
    pins: dict[int, list[int]] = {}
    for clip, pad, b in problem.pins:
        if b is None or b == bank:
            pins.setdefault(clip, []).append(pad)
    elsewhere = {
        c: {q for b, q in held.where[c] if b != bank} for c, _, _ in clips
    }
    old_device = {at[q][0]: problem.device_of[q] for q in at}
    huge = 1e6
    cost = np.full((len(clips), len(pads)), huge)
    for i, (clip, channels, rate) in enumerate(clips):
        size = next(
            v.n_bytes
            for v in problem.clips[clip].versions
            if (v.channels, v.sample_rate_hz) == (channels, rate)
        )
        rate_hits = hits.get((clip, bank), 0.0)
        for j, pad in enumerate(pads):
            limit = problem.byte_limit(pad)
            if (
                not problem.pad_ok[clip][pad]
                or problem.device_of[pad] != old_device[clip]
                or (limit is not None and size > limit)
                or (clip in pins and pad not in pins[clip])
            ):
                continue
            risk = sum(x for other, x in problem.miss[pad] if other in held.control_pads[bank])
            move = problem.move_price(clip, bank, pad)
            if clip not in problem.known and elsewhere[clip] and pad not in elsewhere[clip]:
                move = 1.0
            cost[i, j] = (
                rate_hits * (prices.reach * problem.reach_s[pad] + prices.mishit * risk)
                + prices.moved * move
            )
    rows, cols = linear_sum_assignment(cost)
    if cost[rows, cols].max() >= huge:
        return
    seat = {int(j): int(i) for i, j in zip(rows, cols, strict=True)}
    seat = _lower_risk(problem, bank, clips, pads, cost, seat, hits)
    set_bank(held, bank, {pads[j]: clips[i] for j, i in seat.items()})


def _lower_risk(
    problem: Problem,
    bank: int,
    clips: list[Spot],
    pads: list[int],
    cost: np.ndarray,
    seat: dict[int, int],
    hits: dict[tuple[int, int], float],
) -> dict[int, int]:
    """Swap two places (or move to an empty one) while that lowers cost and risk together."""
    loud = [clip in problem.loud for clip, _, _ in clips]
    quiet = [
        hits.get((clip, bank), 0.0) * problem.prices.mishit if clip in problem.quiet else 0.0
        for clip, _, _ in clips
    ]
    if not any(loud) or not any(quiet):
        return seat
    column = {pad: j for j, pad in enumerate(pads)}
    miss = np.zeros((len(pads), len(pads)))
    for j, pad in enumerate(pads):
        for other, chance in problem.miss[pad]:
            if other in column:
                miss[j, column[other]] = chance
    hurt = np.zeros(len(pads))
    noise = np.zeros(len(pads))

    def total(s: dict[int, int]) -> float:
        hurt[:] = 0.0
        noise[:] = 0.0
        plain = 0.0
        for j, i in s.items():
            plain += cost[i, j]
            hurt[j] = quiet[i]
            noise[j] = 1.0 if loud[i] else 0.0
        return float(plain + hurt @ miss @ noise)

    now = total(seat)
    better = True
    while better:
        better = False
        for a in range(len(pads)):
            for b in range(a + 1, len(pads)):
                ia, ib = seat.get(a), seat.get(b)
                if ia is None and ib is None:
                    continue
                trial = dict(seat)
                trial.pop(a, None)
                trial.pop(b, None)
                if ia is not None:
                    trial[b] = ia
                if ib is not None:
                    trial[a] = ib
                value = total(trial)
                if value < now - 1e-9:
                    seat, now, better = trial, value, True
    return seat
