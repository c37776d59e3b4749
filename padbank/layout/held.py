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
    """Places clips one by one and keeps pad limits, voices, rules and versions in step.

    ``prefer[(clip, device)]`` is the version to try first.
    """

    def __init__(self, problem: Problem, held: Held) -> None:
        self.p, self.held = problem, held
        self.version: dict[tuple[int, int], Version] = {}
        self.prefer: dict[tuple[int, int], Version] = {}
        for at in held.at:
            for pad, (clip, channels, rate) in at.items():
                device = problem.device_of[pad]
                for v in problem.versions[clip][device]:
                    if (v.channels, v.sample_rate_hz) == (channels, rate):
                        self.version[(clip, device)] = v
        devices = range(len(problem.devices))
        self.need = [[0 for _ in devices] for _ in range(problem.banks)]
        self.tail = [[0 for _ in devices] for _ in range(problem.banks)]
        self.groups: list[list[dict[str, tuple[int, int]]]] = [
            [{} for _ in devices] for _ in range(problem.banks)
        ]
        self.times = {
            (clip, d): (problem.instances(clip, d), problem.tails(clip, d))
            for clip in range(len(problem.clips))
            for d in devices
        }
        for bank in range(problem.banks):
            for d in devices:
                self._count(bank, d)
        self.apart_of: dict[int, list[tuple[int, ...]]] = {}
        for group in problem.apart:
            for clip in group:
                self.apart_of.setdefault(clip, []).append(group)
        self.pins_of: dict[int, list[tuple[int, int | None]]] = {}
        for clip, pad, at_bank in problem.pins:
            self.pins_of.setdefault(clip, []).append((pad, at_bank))
        self.near = sorted(range(len(problem.pads)), key=lambda q: (problem.reach_s[q], q))

    def _count(self, bank: int, device: int) -> None:
        """Voices of a bank from scratch."""
        self.need[bank][device] = self.tail[bank][device] = 0
        self.groups[bank][device] = {}
        for pad, (clip, channels, _) in self.held.at[bank].items():
            if self.p.device_of[pad] == device:
                self._add(bank, device, clip, channels)

    def _with(self, bank: int, device: int, clip: int, channels: int) -> tuple[int, int]:
        """Need and tail of a bank once a clip is added."""
        k = voices.voices_each(channels, self.p.devices[device].voices_per_stereo)
        n, t = self.times[(clip, device)]
        group = self.p.clips[clip].mute_group
        need, tail = self.need[bank][device], self.tail[bank][device]
        if group is None:
            return need + n * k, tail + t * k
        old_n, old_t = self.groups[bank][device].get(group, (0, 0))
        return need + max(0, n * k - old_n), tail + max(0, t * k - old_t)

    def _add(self, bank: int, device: int, clip: int, channels: int) -> None:
        need, tail = self._with(bank, device, clip, channels)
        group = self.p.clips[clip].mute_group
        if group is not None:
            old_n, old_t = self.groups[bank][device].get(group, (0, 0))
            self.groups[bank][device][group] = (
                old_n + need - self.need[bank][device],
                old_t + tail - self.tail[bank][device],
            )
        self.need[bank][device], self.tail[bank][device] = need, tail

    def fits(self, bank: int, device: int, clip: int, channels: int) -> bool:
        """Whether the voices hold with this clip in this bank, tails of switches too."""
        limit = self.p.devices[device].voices
        need, tail = self._with(bank, device, clip, channels)
        if need > limit:
            return False
        for other in range(self.p.banks):
            if other != bank and (
                need + self.tail[other][device] > limit or self.need[other][device] + tail > limit
            ):
                return False
        return True

    def allowed(self, clip: int, bank: int) -> list[int]:
        """Free pads of a bank where a clip may sit, nearest first."""
        p, held = self.p, self.held
        if any(b == bank for b, _ in held.where.get(clip, ())):
            return []
        here = held.at[bank]
        if len(here) + len(held.control_pads[bank]) >= len(p.pads):
            return []
        for group in self.apart_of.get(clip, ()):
            others = {c for c, _, _ in here.values()}
            if any(c in others for c in group if c != clip):
                return []
        pads = self.near
        pins = self.pins_of.get(clip)
        if pins:
            exact = [q for q, b in pins if b == bank]
            pads = exact or [q for q, b in pins if b is None] or pads
        ok = p.pad_ok[clip]
        return [q for q in pads if q not in here and q not in held.control_pads[bank] and ok[q]]

    def _version_for(self, clip: int, bank: int, pad: int) -> Version | None:
        device = self.p.device_of[pad]
        old = self.version.get((clip, device))
        first = self.prefer.get((clip, device))
        options = [old] if old is not None else list(self.p.versions[clip][device])
        if old is None and first is not None:
            options.insert(0, first)
        limit = self.p.byte_limit(pad)
        tried: dict[int, bool] = {}
        for v in options:
            if limit is not None and v.n_bytes > limit:
                continue
            if v.channels not in tried:
                tried[v.channels] = self.fits(bank, device, clip, v.channels)
            if tried[v.channels]:
                return v
        return None

    def place(self, clip: int, bank: int, pads: list[int] | None = None) -> bool:
        """Put a clip on the first pad that takes it in some version; False when none does."""
        failed: set[tuple[int, int | None]] = set()
        for pad in self.allowed(clip, bank) if pads is None else pads:
            device = self.p.device_of[pad]
            kind = (device, self.p.byte_limit(pad))
            if kind in failed:
                continue
            v = self._version_for(clip, bank, pad)
            if v is None:
                failed.add(kind)
                continue
            put(self.held, bank, pad, (clip, v.channels, v.sample_rate_hz))
            self._add(bank, device, clip, v.channels)
            self.version[(clip, device)] = v
            return True
        return False

    def remove(self, bank: int, pad: int) -> None:
        clip, _, _ = take(self.held, bank, pad)
        device = self.p.device_of[pad]
        self._count(bank, device)
        if not any(self.p.device_of[q] == device for _, q in self.held.where.get(clip, ())):
            self.version.pop((clip, device), None)

    def memory_over(self, device: int) -> int:
        used = sum(v.n_bytes for (_, d), v in self.version.items() if d == device)
        return used - self.p.devices[device].memory_bytes

    def choose_versions(self, wanted: list[int], voice_price: float) -> None:
        """Set ``prefer`` so that the wanted clips just fit each device's memory.

        One price a byte for all (found by halving) weighs loss, bytes and voices.
        """
        p = self.p
        for d, device in enumerate(p.devices):
            clips = [c for c in wanted if p.versions[c][d]]
            share = device.memory_bytes

            def pick(clip: int, byte_price: float, d: int = d) -> Version:
                n = self.times[(clip, d)][0]
                per_stereo = p.devices[d].voices_per_stereo
                return min(
                    p.versions[clip][d],
                    key=lambda v: (
                        p.prices.quality * v.loss_db
                        + byte_price * v.n_bytes
                        + voice_price * n * voices.voices_each(v.channels, per_stereo)
                    ),
                )

            low, high = 0.0, 1.0
            if sum(pick(c, 0.0).n_bytes for c in clips) > share:
                for _ in range(40):
                    middle = (low * high) ** 0.5 if low > 0 else high / 1e4
                    if low == 0.0 and middle < 1e-12:
                        break
                    if sum(pick(c, middle).n_bytes for c in clips) > share:
                        low = middle
                    else:
                        high = middle
            else:
                high = 0.0
            for clip in clips:
                self.prefer[(clip, d)] = pick(clip, high)

    def shrink(self, device: int) -> None:
        """Take smaller versions, least loss per byte saved first, until the memory holds."""
        self._resize(device, grow=False)

    def grow(self, device: int) -> None:
        """Take better versions, most loss undone per byte first, while memory and voices hold."""
        self._resize(device, grow=True)

    def _resize(self, device: int, grow: bool) -> None:
        p = self.p
        over = self.memory_over(device)
        steps = []
        for (clip, d), now in self.version.items():
            if d != device:
                continue
            for v in p.versions[clip][d]:
                change = v.n_bytes - now.n_bytes
                if (change > 0) == grow and change != 0:
                    steps.append(((v.loss_db - now.loss_db) / abs(change), clip, v.n_bytes, v))
        steps.sort(key=lambda s: (s[0], s[1], s[2]))
        for _, clip, _, v in steps:
            now = self.version[(clip, device)]
            change = v.n_bytes - now.n_bytes
            if grow:
                if v.loss_db >= now.loss_db or over + change > 0:
                    continue
            elif over <= 0:
                break
            elif change >= 0:
                continue
            if v.channels > now.channels and not self._can_widen(clip, device, v.channels):
                continue
            over += change
            self._set_version(clip, device, v)

    def _set_version(self, clip: int, device: int, v: Version) -> None:
        self.version[(clip, device)] = v
        for bank, pad in self.held.where[clip]:
            if self.p.device_of[pad] == device:
                self.held.at[bank][pad] = (clip, v.channels, v.sample_rate_hz)
                self._count(bank, device)

    def _can_widen(self, clip: int, device: int, channels: int) -> bool:
        """Whether the voices hold when a placed clip becomes stereo."""
        now = self.version[(clip, device)]
        self._set_version(
            clip, device, next(v for v in self.p.versions[clip][device] if v.channels == channels)
        )
        limit = self.p.devices[device].voices
        need = [n[device] for n in self.need]
        tail = [t[device] for t in self.tail]
        top = sorted(range(len(tail)), key=lambda b: -tail[b])[:2]
        ok = all(
            need[b] + max((tail[a] for a in top if a != b), default=0) <= limit
            for b in range(len(need))
        )
        self._set_version(clip, device, now)
        return ok


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
    n = len(pads)
    miss = np.zeros((n, n))
    for j, pad in enumerate(pads):
        for other, chance in problem.miss[pad]:
            if other in column:
                miss[j, column[other]] = chance
    # one item more for "nothing here"
    price = np.vstack([cost, np.zeros((1, n))])
    flow = np.outer([*quiet, 0.0], [*(1.0 if x else 0.0 for x in loud), 0.0])
    item = np.array([seat.get(j, len(clips)) for j in range(n)])
    for _ in range(4 * n):
        pair = best_swap(item, price, flow, miss)
        if pair is None:
            break
        a, b = pair
        item[a], item[b] = item[b], item[a]
    return {j: int(i) for j, i in enumerate(item) if i < len(clips)}


def best_swap(
    item: np.ndarray, price: np.ndarray, flow: np.ndarray, distance: np.ndarray
) -> tuple[int, int] | None:
    """The pair of places whose exchange lowers the cost most, or None.

    The cost is ``sum(price[item[p], p]) + sum(flow[item[p], item[q]] *
    distance[p, q])``: a quadratic assignment. All pairs at once.

    Parameters
    ----------
    item : (places,) what sits where
    price : (items, places); flow : (items, items); distance : (places, places)
    """
    n = len(item)
    here = price[item, np.arange(n)]
    there = price[item]
    change = there + there.T - here[:, None] - here[None, :]
    g, d = flow[np.ix_(item, item)], distance
    for a, b in ((g, d), (g.T, d.T)):  # what leaves a place, and what comes to it
        product = a @ b.T
        own = np.diag(product)
        change += product + product.T - own[:, None] - own[None, :]
        # the two places themselves are counted apart, below
        ga, da = np.diag(a), np.diag(b)
        change -= (a.T - ga[:, None]) * (da[:, None] - b.T)
        change -= (ga[None, :] - a) * (b - da[None, :])
    gd, dd = np.diag(g), np.diag(d)
    change += (gd[None, :] - gd[:, None]) * (dd[:, None] - dd[None, :])
    change += (g.T - g) * (d - d.T)
    best = int(np.argmin(change))
    first, second = divmod(best, n)
    return None if change[first, second] > -1e-9 else (first, second)
