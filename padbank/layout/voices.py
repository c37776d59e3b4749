"""How many voices a clip, a bank and the tail of a bank switch can need at worst.

Closed forms, no simulation. With L the longest sounding time, d the shortest
time between two hits of one pad and r the release:

- a one-shot that overlaps itself sounds in at most ``ceil(L/d)`` instances;
- one that cuts itself, and a loop, in one;
- a gate clip in ``min(ceil(L/d), 1 + ceil(r/d))``: the held one and those
  that are still releasing.

A bank needs the sum over clips without a mute group of (voices per instance x
instances), and for each mute group its greatest member, because its members
cut each other off. After a switch that took T seconds the old bank still
sounds in ``ceil(max(0, L-T)/d)`` instances of a clip (a loop in one, until it
is stopped).

A sound occupies its voice from its start up to but not including its end.

Functions: ``instances``, ``tail_instances``, ``voices_each``, ``need``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from padbank.domain import OverLap, PlayMode

_EPSILON = 1e-9


def _ceil(ratio: float) -> int:
    """Ceiling that forgives the last bits of a division (0.3/0.1 is 3)."""
    return math.ceil(ratio - _EPSILON)


def instances(
    duration_s: float, play_mode: PlayMode, again: OverLap, rehit_s: float, release_s: float
) -> int:
    """Most instances of one clip that can sound at once.

    Parameters
    ----------
    duration_s : longest sounding time of the clip
    play_mode : one-shot, gate or loop
    again : what the device does when a pad is hit again while it sounds
    rehit_s : shortest time between two hits of one pad, above 0
    release_s : how long a gate clip sounds on after it is let go
    """
    if duration_s <= 0:
        return 0
    if play_mode == "loop" or again == "self-cut":
        return 1
    whole = max(1, _ceil(duration_s / rehit_s))
    if play_mode == "gate":
        return min(whole, 1 + _ceil(max(0.0, release_s) / rehit_s))
    return whole


def tail_instances(
    duration_s: float,
    play_mode: PlayMode,
    again: OverLap,
    rehit_s: float,
    release_s: float,
    switch_s: float,
) -> int:
    """Most instances that still sound when a bank switch of ``switch_s`` is done."""
    if duration_s <= 0:
        return 0
    if play_mode == "loop":
        return 1
    left_s = duration_s - switch_s
    if left_s <= _EPSILON:
        return 0
    if again == "self-cut":
        return 1
    whole = _ceil(left_s / rehit_s)
    if play_mode == "gate":  # one may be held across the switch, the others only release
        return min(whole, 1 + _ceil(max(0.0, release_s - switch_s) / rehit_s))
    return whole


def voices_each(channels: int, voices_per_stereo: int) -> int:
    """Voices of one instance: 1 for mono, ``voices_per_stereo`` for stereo."""
    return voices_per_stereo if channels > 1 else 1


def need(uses: Iterable[tuple[str | None, int]]) -> int:
    """Voices of a bank from ``(mute group or None, voices)`` of each of its clips."""
    total = 0
    groups: dict[str, int] = {}
    for group, voices in uses:
        if group is None:
            total += voices
        else:
            groups[group] = max(groups.get(group, 0), voices)
    return total + sum(groups.values())
