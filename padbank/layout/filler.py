"""Clips placed one by one, with voices, pad limits, rules and versions kept in step.

Class: ``Filler``.
"""

from __future__ import annotations

from padbank.layout import voices
from padbank.layout.cost import Held
from padbank.layout.facts import Version
from padbank.layout.held import put, take
from padbank.layout.problem import Problem


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
                v = problem.stored(clip, device, channels, rate)
                if v is not None:
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
