"""The exact model: a Problem as a mixed-integer program, whole or in part.

One builder serves every stage of ``solve``; ``scope.Scope`` says which part of
the problem is in.

Pads that cannot be told apart (same device, movement time, limits and risk
from control hits) are one *slot* with as many places; with risk each pad is
its own slot. A clip that no segment of a bank asks for needs only a place, so
it takes a *room*: all pads of a bank with the same device and limits. Slots
lie inside rooms, so counting places is exact.

Variables (0 or 1 unless said otherwise): a clip in a slot or room of a bank;
a version of a clip on a device; a clip serving a demand; a free control hit
on a pad. Continuous: what a clip serves in a bank where that is not plain,
risk between two pads, voices, new pads of a clip.

Functions: ``build_model``.
"""

from __future__ import annotations

from padbank.layout.problem import CONTROL_HITS, Problem
from padbank.layout.scope import MISSING_S, Model, Scope, Slot
from padbank.layout.voicerows import add_voice_rows

_HUGE_MEMORY = 1e4  # memory rows are scaled to this, so that the solver's tolerance is below a byte


POOL_VOICES = 0.1
"""a clip that needs more than this part of a device's voices is not pooled"""


class _Builder:
    def __init__(self, problem: Problem, scope: Scope) -> None:
        self.p = problem
        self.scope = scope
        self.m = Model(problem, scope)
        self.lp = self.m.program
        self.free = set(scope.banks)
        self.whole_show = len(self.free) == problem.banks
        self.outside: dict[int, list[tuple[int, int]]] = {}
        self.blocked = [set(b) for b in problem.blocked]
        if scope.held is not None:
            for clip, spots in scope.held.where.items():
                kept = [(b, q) for b, q in spots if b not in self.free]
                if kept:
                    self.outside[clip] = kept
            if not self.whole_show:
                for (_, bank), pad in scope.held.free_pads.items():
                    self.blocked[bank].add(pad)
        self.free_controls = problem.free_controls if self.whole_show else ()
        self.demands_of: dict[int, list[int]] = {}
        for d, demand in enumerate(problem.demands):
            for clip in demand.clips:
                self.demands_of.setdefault(clip, []).append(d)
        self.share = [dict(d.share) for d in problem.demands]
        self.pinned = {clip for clip, _, _ in problem.pins}
        self.tied = self.pinned | {c for g in problem.together for c in g}
        self.clips = self._relevant_clips()
        self.by_bank: dict[tuple[int, int], list[tuple[Slot, int]]] = {}
        self.pool_of: dict[int, list[tuple[Slot, int]]] = {}
        self.hits_at: dict[tuple[int, Slot], list[tuple[int, float, int]]] = {}

    # -------------------------------------------------------------- sets

    def _relevant_clips(self) -> list[int]:
        everything = range(len(self.p.clips))
        if self.whole_show:
            return list(everything)
        held = self.scope.held
        keep = []
        for clip in everything:
            at_home = any(
                self.free & set(self.share[d]) for d in self.demands_of.get(clip, ())
            )
            inside = held is not None and any(b in self.free for b, _ in held.where.get(clip, ()))
            nowhere = held is None or clip not in held.where
            if at_home or inside or (nowhere and self.scope.strangers) or clip in self.tied:
                keep.append(clip)
        return keep

    def _make_slots(self) -> None:
        p = self.p
        for bank in self.scope.banks:
            slots: dict[tuple[object, ...], list[int]] = {}
            rooms: dict[tuple[object, ...], list[int]] = {}
            for pad in range(len(p.pads)):
                if pad in self.blocked[bank]:
                    continue
                limits = (p.device_of[pad], p.pads[pad].max_clip_s, p.byte_limit(pad))
                rooms.setdefault(limits, []).append(pad)
                key: tuple[object, ...] = (
                    (pad,)
                    if self.scope.risk
                    else (*limits, p.reach_s[pad], round(self._control_risk(bank, pad), 6))
                )
                slots.setdefault(key, []).append(pad)
            self.m.slots[bank] = [tuple(s) for s in slots.values()]
            self.m.rooms[bank] = [tuple(r) for r in rooms.values()]

    def _control_risk(self, bank: int, pad: int) -> float:
        return sum(chance for other, chance in self.p.miss[pad] if other in self.blocked[bank])

    # -------------------------------------------------------------- demands

    def _worthwhile(self, d: int, worth: float) -> bool:
        demand, prices = self.p.demands[d], self.p.prices
        worst = demand.hits * (prices.away_hit + prices.mishit)
        return prices.wish * demand.value * worth >= worst

    def _needs_choice(self, d: int, clip: int, worth: float) -> bool:
        """True when a clip's place in a bank does not settle that it serves this demand."""
        demand = self.p.demands[d]
        if demand.by_clip and (demand.must or self._worthwhile(d, worth)):
            return False
        return len(self.demands_of[clip]) > 1 or clip in self.tied

    def _serve_columns(self) -> None:
        p, lp, prices = self.p, self.lp, self.p.prices
        relevant = set(self.clips)
        per_segment: dict[tuple[str, int], list[int]] = {}
        for d, demand in enumerate(p.demands):
            if not relevant & set(demand.clips):
                if self.whole_show:
                    lp.constant += prices.wish * demand.value * demand.count
                continue
            lp.constant += prices.wish * demand.value * demand.count
            mine = []
            must = demand.must and not self.scope.elastic
            extra = MISSING_S if demand.must and self.scope.elastic else 0.0
            lp.constant += extra * demand.count
            for clip, worth in zip(demand.clips, demand.worth, strict=True):
                if clip not in relevant and clip not in self.outside:
                    continue
                cost = demand.hits * prices.away_hit - prices.wish * demand.value * worth - extra
                for bank, pad in self.outside.get(clip, ()):
                    if bank in self.share[d]:
                        cost -= demand.hits * self.share[d][bank] * self._saving(clip, bank, pad)
                forced = must and demand.by_clip
                column = lp.column(cost, low=1.0 if forced else 0.0)
                self.m.serves[(d, clip)] = column
                mine.append(column)
                per_segment.setdefault((demand.segment, clip), []).append(column)
            if not demand.by_clip:
                low = demand.count if must else 0.0
                if must or len(mine) > demand.count:
                    lp.row(mine, 1.0, low, demand.count)
        for columns in per_segment.values():
            if len(columns) > 1:
                lp.row(columns, 1.0, high=1.0)

    def _saving(self, clip: int, bank: int, pad: int) -> float:
        """What one hit saves on this pad against one away, for a bank that is not free."""
        p, held = self.p, self.scope.held
        risk = self._control_risk(bank, pad)
        if held is not None and clip in p.quiet:
            for other, chance in p.miss[pad]:
                neighbour = held.at[bank].get(other)
                if neighbour is not None and neighbour[0] in p.loud and other not in self.blocked[bank]:
                    risk += chance
        return p.prices.away_hit - p.prices.reach * p.reach_s[pad] - p.prices.mishit * risk

    # -------------------------------------------------------------- places

    def _allowed_slots(self, clip: int, bank: int) -> list[Slot]:
        p, m = self.p, self.m
        pins = [(q, b) for c, q, b in p.pins if c == clip]
        here = [q for q, b in pins if b == bank]
        if not here:
            here = [q for q, b in pins if b is None]
        if here:
            open_pads = {q for s in m.slots[bank] for q in s}
            return [(q,) for q in here if q in open_pads and p.pad_ok[clip][q]]
        at_home = any(bank in self.share[d] for d in self.demands_of.get(clip, ()))
        fine = at_home or (self.scope.risk and clip in p.loud)
        if not fine and self._pooled(clip):
            return []
        base = m.slots[bank] if fine else m.rooms[bank]
        found = [s for s in base if p.pad_ok[clip][s[0]]]
        for pad in sorted({q for _, q in p.known.get(clip, ())}):
            single = (pad,)
            if single not in found and any(pad in s for s in found):
                found.append(single)
        return found

    def _may_meet(self, clip: int, bank: int) -> bool:
        only = self.scope.only
        return only is None or (clip, bank) in only or clip in self.tied

    def _pooled(self, clip: int) -> bool:
        """True when a clip may take a place in no particular bank: never one with many voices."""
        if not self.scope.pool or clip in self.tied:
            return False
        if not self.scope.voices:
            return True
        return all(
            self.p.instances(clip, d) * device.voices_per_stereo <= POOL_VOICES * device.voices
            for d, device in enumerate(self.p.devices)
            if self.p.versions[clip][d]
        )

    def _place_columns(self) -> None:
        p, lp, prices = self.p, self.lp, self.p.prices
        for clip in self.clips:
            if not any(p.versions[clip]):
                continue
            mine = self.demands_of.get(clip, ())
            worths = {d: p.demands[d].worth[p.demands[d].clips.index(clip)] for d in mine}
            for bank in self.scope.banks:
                if not self._may_meet(clip, bank):
                    continue
                served = [d for d in mine if bank in self.share[d]]
                choice = [d for d in served if self._needs_choice(d, clip, worths[d])]
                plain = [d for d in served if d not in choice]
                rate = sum(p.demands[d].hits * self.share[d][bank] for d in plain)
                entries = []
                for slot in self._allowed_slots(clip, bank):
                    pad = slot[0]
                    known = {q for _, q in p.known.get(clip, ())}
                    generic = next((q for q in slot if q not in known), pad)
                    save = (
                        prices.away_hit
                        - prices.reach * p.reach_s[pad]
                        - prices.mishit * self._control_risk(bank, pad)
                    )
                    cost = prices.moved * p.move_price(clip, bank, generic) - rate * save
                    column = lp.column(cost)
                    self.m.x[(clip, bank, slot)] = column
                    entries.append((slot, column))
                    if rate > 0:
                        self.hits_at.setdefault((bank, slot), []).append((column, rate, clip))
                    for d in choice:
                        hits = p.demands[d].hits * self.share[d][bank]
                        z = lp.column(-hits * save, whole=False)
                        lp.row((z, column), (1.0, -1.0), high=0.0)
                        if self._may_shun(pad):  # who is at home is played at home
                            serve = self.m.serves[(d, clip)]
                            lp.row((z, column, serve), (1.0, -1.0, -1.0), low=-1.0)
                        self.hits_at.setdefault((bank, slot), []).append((z, hits, clip))
                        self._choices.setdefault((d, clip, bank), []).append(z)
                if entries:
                    self.by_bank[(clip, bank)] = entries
                    columns = [c for _, c in entries]
                    if len(columns) > 1:
                        lp.row(columns, 1.0, high=1.0)
                    for d in plain:
                        serve = self.m.serves[(d, clip)]
                        if lp.low[serve] < 1.0:
                            lp.row([*columns, serve], [1.0] * len(columns) + [-1.0], high=0.0)
                    for d in choice:
                        zs = self._choices[(d, clip, bank)]
                        serve = self.m.serves[(d, clip)]
                        lp.row([*zs, serve], [1.0] * len(zs) + [-1.0], high=0.0)
            if self._pooled(clip) and mine:
                for room in self._pool_rooms():
                    if p.pad_ok[clip][room[0]]:
                        column = lp.column()
                        self.m.pooled[(clip, room)] = column
                        self.pool_of.setdefault(clip, []).append((room, column))
        for (_, clip), serve in self.m.serves.items():
            if clip in self.outside:
                continue
            columns = [c for b in self.scope.banks for _, c in self.by_bank.get((clip, b), ())]
            columns += [c for _, c in self.pool_of.get(clip, ())]
            lp.row([serve, *columns], [1.0] + [-1.0] * len(columns), high=0.0)

    def _may_shun(self, pad: int) -> bool:
        """True when risk could make a pad dearer than a hit away from its bank."""
        p = self.p
        risk = sum(chance for _, chance in p.miss[pad])
        dearest = p.prices.reach * p.reach_s[pad] + p.prices.mishit * risk
        return dearest > p.prices.away_hit

    def _pool_rooms(self) -> list[Slot]:
        found: dict[tuple[object, ...], Slot] = {}
        for bank in self.scope.banks:
            for room in self.m.rooms[bank]:
                pad = room[0]
                key = (self.p.device_of[pad], self.p.pads[pad].max_clip_s, self.p.byte_limit(pad))
                found.setdefault(key, room)
        return list(found.values())

    def _control_columns(self) -> None:
        p, lp = self.p, self.lp
        for control, banks in self.free_controls:
            columns = []
            for pad in range(len(p.pads)):
                if any(pad in self.blocked[b] for b in banks):
                    continue
                cost = p.prices.reach * CONTROL_HITS * len(banks) * p.reach_s[pad]
                column = lp.column(cost)
                self.m.control[(control.label, pad)] = column
                columns.append(column)
            lp.row(columns, 1.0, 1.0, 1.0)

    def _controls_on(self, bank: int, pads: Slot) -> list[int]:
        return [
            self.m.control[(control.label, pad)]
            for control, banks in self.free_controls
            if bank in banks
            for pad in pads
            if (control.label, pad) in self.m.control
        ]

    def _capacity(self) -> None:
        lp, m = self.lp, self.m
        pool_use: dict[Slot, list[int]] = {room: [] for room in self._pool_rooms()}
        pool_size = dict.fromkeys(pool_use, 0)
        for bank in self.scope.banks:
            on: dict[Slot, list[int]] = {}
            for (_, b), entries in self.by_bank.items():
                if b == bank:
                    for slot, column in entries:
                        on.setdefault(slot, []).append(column)
            wide = [s for s in m.slots[bank] if len(s) > 1]
            narrow = sorted({s for s in on if len(s) == 1} | {s for s in m.slots[bank] if len(s) == 1})
            for slot in narrow:
                columns = on.get(slot, []) + self._controls_on(bank, slot)
                if len(columns) > 1:
                    lp.row(columns, 1.0, high=1.0)
            for slot in wide:
                columns = on.get(slot, []) + self._controls_on(bank, slot)
                columns += [c for s in narrow if s[0] in slot for c in on.get(s, ())]
                if len(columns) > len(slot):
                    lp.row(columns, 1.0, high=float(len(slot)))
            for room in m.rooms[bank]:
                columns = self._controls_on(bank, room)
                for slot, cs in on.items():
                    if set(slot) <= set(room):
                        columns += cs
                if self.scope.pool:
                    for key in pool_use:
                        if self._same_room(key, room):
                            pool_use[key] += columns
                            pool_size[key] += len(room)
                if room in on and room not in m.slots[bank] and len(columns) > len(room):
                    lp.row(columns, 1.0, high=float(len(room)))
        if self.scope.pool:
            for key, columns in pool_use.items():
                pooled = [c for entries in self.pool_of.values() for r, c in entries if r == key]
                if pooled:
                    lp.row(columns + pooled, 1.0, high=float(pool_size[key]))

    def _same_room(self, a: Slot, b: Slot) -> bool:
        p = self.p
        return (p.device_of[a[0]], p.pads[a[0]].max_clip_s, p.byte_limit(a[0])) == (
            p.device_of[b[0]],
            p.pads[b[0]].max_clip_s,
            p.byte_limit(b[0]),
        )

    # -------------------------------------------------------------- versions and memory

    def _stored_outside(self, clip: int, device: int) -> tuple[int, int] | None:
        held = self.scope.held
        for bank, pad in self.outside.get(clip, ()):
            if held is not None and self.p.device_of[pad] == device:
                return held.at[bank][pad][1:]
        return None

    def _version_rows(self) -> None:
        p, lp, m, prices = self.p, self.lp, self.m, self.p.prices
        memory: dict[int, list[tuple[int, float]]] = {}
        outside_bytes = [0.0] * len(p.devices)
        for clip in sorted(set(self.clips) | set(self.outside)):
            for d in range(len(p.devices)):
                options = p.versions[clip][d]
                kept = self._stored_outside(clip, d)
                if kept is not None:
                    for k, v in enumerate(options):
                        if (v.channels, v.sample_rate_hz) == kept:
                            m.fixed_version[(clip, d)] = k
                            outside_bytes[d] += v.n_bytes
                            break
                    if (clip, d) not in m.fixed_version:
                        dominated = p.stored(clip, d, *kept)
                        m.fixed_version[(clip, d)] = -1
                        outside_bytes[d] += dominated.n_bytes if dominated is not None else 0
                    continue
                mine = [
                    [(s, c) for s, c in self.by_bank.get((clip, b), ()) if p.device_of[s[0]] == d]
                    for b in self.scope.banks
                ]
                pooled = [(s, c) for s, c in self.pool_of.get(clip, ()) if p.device_of[s[0]] == d]
                groups = [g for g in mine if g] + ([pooled] if pooled else [])
                if not groups:
                    continue
                columns = []
                for k, v in enumerate(options):
                    column = lp.column(prices.quality * v.loss_db)
                    m.version[(clip, d, k)] = column
                    columns.append(column)
                    memory.setdefault(d, []).append((column, float(v.n_bytes)))
                if len(columns) > 1:
                    lp.row(columns, 1.0, high=1.0)
                for group in groups:
                    own = [c for _, c in group]
                    lp.row(own + columns, [1.0] * len(own) + [-1.0] * len(columns), high=0.0)
                    self._byte_rows(group, options, columns)
        for d, device in enumerate(p.devices):
            entries = memory.get(d, [])
            room = device.memory_bytes - outside_bytes[d]
            if sum(n for _, n in entries) > room:
                scale = min(1.0, _HUGE_MEMORY / max(1.0, room))
                lp.row([c for c, _ in entries], [n * scale for _, n in entries], high=room * scale)

    def _byte_rows(
        self, group: list[tuple[Slot, int]], options: tuple[object, ...], columns: list[int]
    ) -> None:
        """Places with a limit in bytes take only the versions that fit there."""
        limits: dict[int, list[int]] = {}
        for slot, column in group:
            limit = self.p.byte_limit(slot[0])
            if limit is not None:
                limits.setdefault(limit, []).append(column)
        for limit, own in limits.items():
            fit = [
                c for v, c in zip(options, columns, strict=True) if v.n_bytes <= limit  # type: ignore[attr-defined]
            ]
            if len(fit) < len(columns):
                self.lp.row(own + fit, [1.0] * len(own) + [-1.0] * len(fit), high=0.0)

    # -------------------------------------------------------------- rules, risk, new pads

    def _columns_in(self, clip: int, bank: int) -> list[int]:
        return [c for _, c in self.by_bank.get((clip, bank), ())]

    def _rule_rows(self) -> None:
        p, lp = self.p, self.lp
        for clip, pad, bank in p.pins:
            if bank is not None and bank in self.free:
                column = self.m.x.get((clip, bank, (pad,)))
                lp.row([] if column is None else [column], 1.0, low=1.0)
        for group in p.apart:
            for bank in self.scope.banks:
                columns = [c for clip in group for c in self._columns_in(clip, bank)]
                if len(columns) > 1:
                    lp.row(columns, 1.0, high=1.0)
        for group in p.together:
            first = group[0]
            for bank in self.scope.banks:
                a = self._columns_in(first, bank)
                for clip in group[1:]:
                    b = self._columns_in(clip, bank)
                    lp.row(a + b, [1.0] * len(a) + [-1.0] * len(b), low=0.0, high=0.0)

    def _risk_rows(self) -> None:
        p, lp, price = self.p, self.lp, self.p.prices.mishit
        if price <= 0:
            return
        at: dict[tuple[int, int], list[tuple[int, float, int]]] = {}
        for (bank, slot), entries in self.hits_at.items():
            at.setdefault((bank, slot[0]), []).extend(entries)
        loud_at: dict[tuple[int, int], list[int]] = {}
        for (clip, bank, slot), column in self.m.x.items():
            if clip in p.loud:
                loud_at.setdefault((bank, slot[0]), []).append(column)
        for (bank, pad), entries in at.items():
            quiet = [(c, h) for c, h, clip in entries if clip in p.quiet]
            everything = [(c, h) for c, h, _ in entries]
            for other, chance in p.miss[pad]:
                cases = []
                if quiet and (bank, other) in loud_at:
                    cases.append((quiet, loud_at[(bank, other)]))
                controls = self._controls_on(bank, (other,))
                if controls:
                    cases.append((everything, controls))
                for aimed, struck in cases:
                    most = self._most_hits(aimed, entries)
                    if most <= 0:
                        continue
                    risk = lp.column(price * chance, high=most, whole=False)
                    lp.row(
                        [*(c for c, _ in aimed), *struck, risk],
                        [*(h for _, h in aimed), *([most] * len(struck)), -1.0],
                        high=most,
                    )

    def _most_hits(
        self, aimed: list[tuple[int, float]], entries: list[tuple[int, float, int]]
    ) -> float:
        """Most hits that one pad can take: those of one clip, all its demands together."""
        wanted = {c for c, _ in aimed}
        per_clip: dict[int, float] = {}
        for column, hits, clip in entries:
            if column in wanted:
                per_clip[clip] = per_clip.get(clip, 0.0) + hits
        return max(per_clip.values(), default=0.0)

    def _new_pad_rows(self) -> None:
        """A clip that the hands do not know pays for every pad beyond its first."""
        p, lp, held = self.p, self.lp, self.scope.held
        if p.prices.moved <= 0:
            return
        for clip in self.clips:
            if clip in p.known:
                continue
            banks = [b for b in self.scope.banks if (clip, b) in self.by_bank]
            homes = {b for d in self.demands_of.get(clip, ()) for b in self.share[d]}
            if len(homes) < 2 and clip not in self.tied:
                continue
            outside = {q for _, q in self.outside.get(clip, ())} if held is not None else set()
            if len(banks) + len(outside) < 2:
                continue
            pads: dict[Slot, list[int]] = {}
            for bank in banks:
                for slot, column in self.by_bank[(clip, bank)]:
                    pads.setdefault(slot, []).append(column)
            used = []
            base = len(outside)
            for slot, columns in pads.items():
                if outside & set(slot):
                    continue
                one = lp.column(whole=False)
                for column in columns:
                    lp.row((column, one), (1.0, -1.0), high=0.0)
                used.append(one)
            extra = lp.column(p.prices.moved, high=float(len(p.pads)), whole=False)
            lp.row([*used, extra], [1.0] * len(used) + [-1.0], high=1.0 - min(base, 1))

    # -------------------------------------------------------------- all

    def build(self) -> Model:
        self._choices: dict[tuple[int, int, int], list[int]] = {}
        self._make_slots()
        self._serve_columns()
        self._place_columns()
        self._control_columns()
        self._capacity()
        self._version_rows()
        if self.scope.voices:
            add_voice_rows(self.p, self.m, self.by_bank, set(self.clips) | set(self.outside))
        self._rule_rows()
        if self.scope.risk:
            self._risk_rows()
        self.m.new_pad_rows = self.lp.rows
        if self.scope.new_pads:
            self._new_pad_rows()
        return self.m


def build_model(problem: Problem, scope: Scope) -> Model:
    """Build the program of a problem, or of the banks that ``scope`` frees."""
    return _Builder(problem, scope).build()
