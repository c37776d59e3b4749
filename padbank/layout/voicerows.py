"""The voice limits of a model: what a bank can need at once, and beside another's tail.

Functions: ``add_voice_rows``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from padbank.layout import voices
from padbank.layout.limits import bank_tail, bank_voices
from padbank.layout.problem import Problem
from padbank.layout.scope import Model, Slot

Sum = list[tuple[int, float]]
"""columns with their factors"""


def add_voice_rows(
    problem: Problem,
    model: Model,
    by_bank: Mapping[tuple[int, int], Sequence[tuple[Slot, int]]],
    clips: Iterable[int],
) -> None:
    """Add the rows of every device whose voices could run out.

    Parameters
    ----------
    by_bank : by clip and bank, the slots that it may take there and their columns
    clips : all clips that may be stored, in free banks and in the others
    """
    clips = list(clips)
    for d, device in enumerate(problem.devices):
        if _worst_case(problem, d, clips) <= device.voices:
            continue
        here: dict[int, list[tuple[int, list[int]]]] = {}
        for (clip, bank), entries in by_bank.items():
            columns = [c for slot, c in entries if problem.device_of[slot[0]] == d]
            if columns:
                here.setdefault(bank, []).append((clip, columns))
        _rows_of_device(problem, model, d, here)


def _worst_case(problem: Problem, d: int, clips: Iterable[int]) -> int:
    """A voice count that no bank can pass, to leave out rows that never bind."""
    pads = problem.device_of.count(d)
    per_stereo = problem.devices[d].voices_per_stereo
    most, tails = [], []
    for clip in clips:
        options = problem.versions[clip][d]
        if options:
            k = max(voices.voices_each(v.channels, per_stereo) for v in options)
            most.append(k * problem.instances(clip, d))
            tails.append(k * problem.tails(clip, d))
    most.sort(reverse=True)
    tails.sort(reverse=True)
    return sum(most[:pads]) + sum(tails[:pads])


def _rows_of_device(
    problem: Problem, model: Model, d: int, here: Mapping[int, list[tuple[int, list[int]]]]
) -> None:
    lp, limit = model.program, float(problem.devices[d].voices)
    fixed_need, fixed_tail = _fixed(problem, model, d)
    any_tail = any(fixed_tail.values())
    totals: dict[int, tuple[int, int]] = {}
    for bank in sorted(here):
        need: Sum = []
        tail: Sum = []
        groups: dict[str, tuple[int, int]] = {}
        for clip, columns in here[bank]:
            n, t = problem.instances(clip, d), problem.tails(clip, d)
            any_tail = any_tail or t > 0
            parts = _one_instance(problem, model, clip, d, columns)
            group = problem.clips[clip].mute_group
            if group is None:
                need += [(c, f * n) for c, f in parts]
                tail += [(c, f * t) for c, f in parts if t]
                continue
            if group not in groups:  # its members cut each other off: the greatest counts
                groups[group] = lp.column(high=limit, whole=False), lp.column(high=limit, whole=False)
            top_n, top_t = groups[group]
            _at_most(model, [(c, f * n) for c, f in parts], top_n)
            if t:
                _at_most(model, [(c, f * t) for c, f in parts], top_t)
        need += [(top_n, 1.0) for top_n, _ in groups.values()]
        tail += [(top_t, 1.0) for _, top_t in groups.values()]
        whole, rest = lp.column(high=limit, whole=False), lp.column(high=limit, whole=False)
        _at_most(model, need, whole)
        if tail:
            _at_most(model, tail, rest)
        totals[bank] = model.voice_totals[(bank, d)] = (whole, rest)
    if not any_tail:
        return
    for b, (whole, rest) in totals.items():
        for a, (_, other) in totals.items():
            if a != b:
                lp.row((whole, other), 1.0, high=limit)
        worst = max((t for a, t in fixed_tail.items() if a != b), default=0)
        lp.high[whole] = min(lp.high[whole], limit - worst)
        most = max((n for a, n in fixed_need.items() if a != b), default=0)
        lp.high[rest] = min(lp.high[rest], limit - most)


def _at_most(model: Model, terms: Sum, column: int) -> None:
    """A sum is at most what a column says."""
    model.program.row([*(c for c, _ in terms), column], [*(f for _, f in terms), -1.0], high=0.0)


def _one_instance(problem: Problem, model: Model, clip: int, d: int, columns: list[int]) -> Sum:
    """Voices of one instance as a linear form: presence, and more where it is stereo."""
    per_stereo = problem.devices[d].voices_per_stereo
    each = [voices.voices_each(v.channels, per_stereo) for v in problem.versions[clip][d]]
    if (clip, d) in model.fixed_version:
        k = model.fixed_version[(clip, d)]
        factor = float(each[k]) if k >= 0 else float(max(each, default=per_stereo))
        return [(c, factor) for c in columns]
    low = min(each)
    parts = [(c, float(low)) for c in columns]
    if max(each) > low:
        rich = [model.version[(clip, d, k)] for k, e in enumerate(each) if e > low]
        both = model.program.column(whole=False)
        model.program.row(
            [*columns, *rich, both], [1.0] * (len(columns) + len(rich)) + [-1.0], high=1.0
        )
        parts.append((both, float(max(each) - low)))
    return parts


def _fixed(problem: Problem, model: Model, d: int) -> tuple[dict[int, int], dict[int, int]]:
    """Voices and tails of the banks that are not free."""
    held = model.scope.held
    if held is None:
        return {}, {}
    others = [b for b in range(problem.banks) if b not in model.scope.banks]
    return (
        {b: bank_voices(problem, held, b, d) for b in others},
        {b: bank_tail(problem, held, b, d) for b in others},
    )
