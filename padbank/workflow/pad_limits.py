"""What each pad takes of each clip, and how close every bank is to its limits: figures for arranging.

Sizes are those of the version that would be
stored there: the one that loses least among those that fit.

Functions: ``takes``, ``bank_meters``. Classes: ``Meter``, ``Take``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from padbank.domain import Rig
from padbank.layout.cost import Held
from padbank.layout.facts import ClipFacts
from padbank.layout.limits import bank_tail, bank_voices
from padbank.layout.padfits import PadClass, least_of, pad_classes, versions_for
from padbank.layout.problem import Problem

__all__ = ["Meter", "PadClass", "Take", "bank_meters", "pad_classes", "takes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """How much of a limit is used.

    what : ``memory`` (of a device, all banks), ``voices`` (of a bank),
        ``bank memory`` (what a bank's own clips take), ``longest`` and
        ``largest`` (the pad of a bank that is nearest to its limit of length or size)
    where : the device or the pad
    bank : counted from 1; None for all banks
    """

    what: str
    where: str
    used: float
    limit: float
    unit: str
    bank: int | None = None
    device: str = ""
    clip: str = ""

    @property
    def over(self) -> bool:
        return self.used > self.limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """How one clip lies on the pads of one class; ``refused`` says why it cannot."""

    duration_s: float
    n_bytes: int | None
    refused: str | None


def takes(rig: Rig, facts: Iterable[ClipFacts], classes: tuple[PadClass, ...]) -> dict[str, tuple[Take, ...]]:
    """For each clip, how it lies on each class of pads."""
    return {clip.name: tuple(_take(rig, clip, pads) for pads in classes) for clip in facts}


def _take(rig: Rig, clip: ClipFacts, pads: PadClass) -> Take:
    fits, least, refused = versions_for(rig, clip, pads)
    return Take(duration_s=clip.duration_s, n_bytes=fits[0].n_bytes if fits else least, refused=refused)


def bank_meters(problem: Problem, held: Held) -> tuple[Meter, ...]:
    """Memory of each device; then, bank by bank, memory, voices and the pad nearest to its limits."""
    meters: list[Meter] = []
    for d, device in enumerate(problem.devices):

        def meter(what: str, used: float, limit: float, unit: str, bank: int | None = None, name: str = device.name) -> Meter:
            return Meter(what=what, where=name, used=used, limit=limit, unit=unit, bank=bank, device=name)

        def stored(banks: Iterable[int], d: int = d) -> int:
            return sum(_stored_bytes(problem, spot, d) for spot in _spots(problem, held, d, banks))

        meters.append(meter("memory", stored(range(problem.banks)), device.memory_bytes, "bytes"))
        tails = [bank_tail(problem, held, b, d) for b in range(problem.banks)]
        for b in range(problem.banks):
            worst = max((t for other, t in enumerate(tails) if other != b), default=0)
            need = bank_voices(problem, held, b, d)
            meters.append(meter("voices", need + worst if need else 0, device.voices, "voices", b + 1))
            meters.append(meter("bank memory", stored([b]), device.memory_bytes, "bytes", b + 1))
            meters += _nearest(problem, held, b, d)
    return tuple(meters)


def _stored_bytes(problem: Problem, spot: tuple[int, int, int], device: int) -> int:
    clip, channels, rate = spot
    return next(
        (
            v.on(problem.devices[device]).n_bytes
            for v in problem.clips[clip].versions
            if (v.channels, v.sample_rate_hz) == (channels, rate)
        ),
        0,
    )


def _spots(problem: Problem, held: Held, device: int, banks: Iterable[int]) -> set[tuple[int, int, int]]:
    return {spot for b in banks for pad, spot in held.at[b].items() if problem.device_of[pad] == device}


def _nearest(problem: Problem, held: Held, bank: int, device: int) -> list[Meter]:
    """The pads of a bank that come nearest to their limits of length and of size."""
    its = problem.devices[device]
    nearest: dict[str, Meter] = {}
    for pad, spot in sorted(held.at[bank].items()):
        if problem.device_of[pad] != device:
            continue
        one, clip = problem.pads[pad], problem.clips[spot[0]]
        for what, used, limit, unit in (
            ("longest", clip.duration_s, least_of(one.max_clip_s, its.max_clip_s), "s"),
            ("largest", _stored_bytes(problem, spot, device), least_of(one.max_clip_bytes, its.max_clip_bytes), "bytes"),
        ):
            if limit is None:
                continue
            before = nearest.get(what)
            if before is None or used / limit > before.used / before.limit:
                nearest[what] = Meter(
                    what=what, where=one.pad_id, used=used, limit=limit, unit=unit,
                    bank=bank + 1, device=its.name, clip=clip.name,
                )  # fmt: skip
    return [nearest[what] for what in sorted(nearest)]
