"""Which hard limits a layout breaks: all of them at once, as findings.

Codes: ``must-missing``, ``memory``, ``pad-limit``, ``device-format``,
``voices``, ``voices-tail``, ``rights``, ``control-pad``, ``control-missing``,
``control-doubled``, ``pin``, ``apart``, ``together``, ``two-on-pad``,
``no-such-place``. All are errors. Notes on wishes left out are in
``evaluate``.

Functions: ``find_limits_broken``, ``bank_voices``, ``bank_tail``,
``memory_used``.
"""

from __future__ import annotations

from padbank.domain import Finding
from padbank.layout import voices
from padbank.layout.cost import Held, Served
from padbank.layout.problem import Problem
from padbank.units import format_bytes

FEWER_VOICES = "take a clip off, or give clips that need not sound together one mute group"


def _error(
    code: str, text: str, where: str, number: float | None = None, limit: float | None = None
) -> Finding:
    return Finding(
        code=code, severity="error", text=text, where=where, number=number, limit=limit
    )


def _spot(problem: Problem, bank: int, pad: int) -> str:
    return f"bank {bank + 1}, pad {problem.pads[pad].pad_id}"


def bank_voices(problem: Problem, held: Held, bank: int, device: int) -> int:
    """Most voices that the clips of a bank can need at once on a device."""
    per_stereo = problem.devices[device].voices_per_stereo
    return voices.need(
        (
            problem.clips[clip].mute_group,
            problem.instances(clip, device) * voices.voices_each(channels, per_stereo),
        )
        for pad, (clip, channels, _) in held.at[bank].items()
        if problem.device_of[pad] == device
    )


def bank_tail(problem: Problem, held: Held, bank: int, device: int) -> int:
    """Most voices of a bank that still sound when the switch away from it is done."""
    per_stereo = problem.devices[device].voices_per_stereo
    return voices.need(
        (
            problem.clips[clip].mute_group,
            problem.tails(clip, device) * voices.voices_each(channels, per_stereo),
        )
        for pad, (clip, channels, _) in held.at[bank].items()
        if problem.device_of[pad] == device
    )


def memory_used(problem: Problem, held: Held, device: int) -> int:
    """Bytes stored on a device, each version of a clip counted once."""
    stored = {
        (clip, channels, rate)
        for at in held.at
        for pad, (clip, channels, rate) in at.items()
        if problem.device_of[pad] == device
    }
    versions = (problem.stored(clip, device, channels, rate) for clip, channels, rate in stored)
    return sum(v.n_bytes for v in versions if v is not None)


def _places(problem: Problem, held: Held) -> list[Finding]:
    found = [
        _error("no-such-place", text, text.partition(":")[0])
        for text in held.strangers
    ]
    for bank, pad in held.doubled:
        spot = _spot(problem, bank, pad)
        found.append(_error("two-on-pad", f"{spot} holds more than one clip", spot))
    for bank, at in enumerate(held.at):
        for pad, (clip, channels, rate) in sorted(at.items()):
            fact, spot = problem.clips[clip], _spot(problem, bank, pad)
            if pad in held.control_pads[bank]:
                found.append(
                    _error("control-pad", f"{fact.name} sits on the pad of a control hit", spot)
                )
            if problem.show.rights == "cleared" and not fact.cleared:
                found.append(_error("rights", f"{fact.name}: its rights are not cleared", spot))
            version = problem.stored(clip, problem.device_of[pad], channels, rate)
            device = problem.devices[problem.device_of[pad]]
            if (
                version is None
                or channels > device.max_channels
                or rate not in device.sample_rates_hz
            ):
                found.append(
                    _error(
                        "device-format",
                        f"{fact.name}: {device.name} has no use for {channels} channels at {rate} Hz",
                        spot,
                    )
                )
                continue
            pad_s = problem.pads[pad].max_clip_s
            for limit_s in (pad_s, device.max_clip_s):
                if limit_s is not None and fact.duration_s > limit_s + 1e-9:
                    found.append(
                        _error(
                            "pad-limit",
                            f"{fact.name} is {fact.duration_s:.1f} s long, {limit_s:g} s is the most here",
                            spot,
                            fact.duration_s,
                            limit_s,
                        )
                    )
                    break
            limit = problem.byte_limit(pad)
            if limit is not None and version.n_bytes > limit:
                found.append(
                    _error(
                        "pad-limit",
                        f"{fact.name} has {format_bytes(version.n_bytes)}, "
                        f"{format_bytes(limit)} is the most here",
                        spot,
                        version.n_bytes,
                        limit,
                    )
                )
    return found


def _controls(problem: Problem, held: Held) -> list[Finding]:
    found = []
    for control, banks in problem.free_controls:
        for bank in banks:
            pad = held.free_pads.get((control.label, bank))
            where = f"bank {bank + 1}"
            if pad is None:
                found.append(
                    _error("control-missing", f"control hit {control.label} has no pad: plan, or give it one in the rig's file", where)
                )
                continue
            others = [
                label
                for (label, b), p in held.free_pads.items()
                if b == bank and p == pad and label != control.label
            ]
            if pad in problem.blocked[bank] or others:
                found.append(
                    _error(
                        "control-doubled",
                        f"control hit {control.label} shares its pad with another one",
                        _spot(problem, bank, pad),
                    )
                )
    return found


def _devices(problem: Problem, held: Held) -> list[Finding]:
    found = []
    for d, device in enumerate(problem.devices):
        used = memory_used(problem, held, d)
        if used > device.memory_bytes:
            found.append(
                _error(
                    "memory",
                    f"device {device.name} needs {format_bytes(used)} and has "
                    f"{format_bytes(device.memory_bytes)}: {format_bytes(used - device.memory_bytes)} too much; take a clip off, or trim one",
                    f"device {device.name}",
                    used,
                    device.memory_bytes,
                )
            )
        need = [bank_voices(problem, held, b, d) for b in range(problem.banks)]
        tails = [bank_tail(problem, held, b, d) for b in range(problem.banks)]
        for b in range(problem.banks):
            where = f"bank {b + 1}, device {device.name}"
            if need[b] > device.voices:
                found.append(
                    _error(
                        "voices",
                        f"bank {b + 1} can need {need[b]} voices, {device.name} has {device.voices}: {FEWER_VOICES}",
                        where,
                        need[b],
                        device.voices,
                    )
                )
                continue
            worst = max((tails[a], -a) for a in range(problem.banks) if a != b) if problem.banks > 1 else (0, 0)
            if need[b] + worst[0] > device.voices and need[b] > 0:
                found.append(
                    _error(
                        "voices-tail",
                        f"bank {b + 1} can need {need[b]} voices while {worst[0]} of bank "
                        f"{1 - worst[1]} still sound, {device.name} has {device.voices}: {FEWER_VOICES}",
                        where,
                        need[b] + worst[0],
                        device.voices,
                    )
                )
    return found


def _rules(problem: Problem, held: Held) -> list[Finding]:
    found = []
    for clip, pad, bank in problem.pins:
        name, pad_id = problem.clips[clip].name, problem.pads[pad].pad_id
        spots = held.where.get(clip, [])
        if bank is None:
            wrong = [(b, p) for b, p in spots if p != pad and (clip, p, b) not in problem.pins]
        else:
            wrong = [(b, p) for b, p in spots if b == bank and p != pad]
            if (bank, pad) not in spots:
                found.append(
                    _error(
                        "pin",
                        f"{name} is pinned to pad {pad_id} of bank {bank + 1} and is not there",
                        _spot(problem, bank, pad),
                    )
                )
                wrong = []
        for b, p in wrong:
            found.append(
                _error("pin", f"{name} is pinned to pad {pad_id}", _spot(problem, b, p))
            )
    held_in = [{clip for clip, _, _ in at.values()} for at in held.at]
    for group in problem.apart:
        for b, clips in enumerate(held_in):
            names = [problem.clips[c].name for c in group if c in clips]
            if len(names) > 1:
                found.append(
                    _error(
                        "apart",
                        f"{' and '.join(names)} must never be together",
                        f"bank {b + 1}",
                    )
                )
    for group in problem.together:
        for b, clips in enumerate(held_in):
            names = [problem.clips[c].name for c in group if c in clips]
            missing = [problem.clips[c].name for c in group if c not in clips]
            if names and missing:
                found.append(
                    _error(
                        "together",
                        f"{' and '.join(names)} must have {' and '.join(missing)} beside them",
                        f"bank {b + 1}",
                    )
                )
    return found


def _musts(problem: Problem, served: list[Served]) -> list[Finding]:
    got: dict[int, int] = {}
    for s in served:
        got[s.demand] = got.get(s.demand, 0) + 1
    found = []
    for d, demand in enumerate(problem.demands):
        have = got.get(d, 0)
        if demand.must and have < demand.count:
            why = f": {demand.absent}" if demand.absent else ""
            found.append(
                _error(
                    "must-missing",
                    f"segment {demand.segment} must have {demand.label}, "
                    + (f"{have} of {demand.count} placed" if demand.count > 1 else "not placed")
                    + why,
                    f"segment {demand.segment}",
                    have,
                    demand.count,
                )
            )
    return found


def find_limits_broken(problem: Problem, held: Held, served: list[Served]) -> tuple[Finding, ...]:
    """Every hard limit that the layout breaks; an empty tuple when it breaks none."""
    return (
        *_musts(problem, served),
        *_places(problem, held),
        *_controls(problem, held),
        *_devices(problem, held),
        *_rules(problem, held),
    )
