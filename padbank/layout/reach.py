"""How long the hand or foot takes to a pad, from where it rests.

Fitts' law in Shannon's form, MT = a + b * log2(D/W + 1): MacKenzie, "Fitts'
Law" (yorku.ca/mack/ojas2013): D 300 mm and W 100 mm are 2 bits. W is the
pad's smaller side (the cautious reading for a rectangle).

The constants for the hand are those of stylus tapping (Fitts 1954; value from
memory): MT = 12.8 ms + 94.7 ms per bit. A foot is taken to be twice as slow
(common practice, no source). Only ratios between pads matter to a layout.

Functions: ``movement_time``, ``reach_times``.
"""

from __future__ import annotations

import math

from padbank.domain import Home, Limb, Pad, Rig

INTERCEPT_S = 0.0128
"""a of Fitts' law for a hand, in seconds (Fitts 1954, from memory)"""
PER_BIT_S = 0.0947
"""b of Fitts' law for a hand, in seconds per bit (Fitts 1954, from memory)"""
FOOT_FACTOR = 2.0
"""how much slower a foot is taken to be than a hand (common practice, no source)"""


def difficulty_bits(distance_mm: float, width_mm: float) -> float:
    """Fitts' index of difficulty in Shannon's form, in bits."""
    return math.log2(distance_mm / width_mm + 1.0)


def movement_time(distance_mm: float, width_mm: float, limb: Limb = "hand") -> float:
    """Expected movement time in seconds over a distance to a target of a width."""
    time_s = INTERCEPT_S + PER_BIT_S * difficulty_bits(distance_mm, width_mm)
    return time_s * (FOOT_FACTOR if limb == "foot" else 1.0)


def homes_of(rig: Rig, limb: Limb) -> tuple[Home, ...]:
    """Where a limb rests: the rig's homes, or the middle of the limb's pads."""
    homes = tuple(h for h in rig.homes if h.limb == limb)
    pads = [p for p in rig.pads if p.limb == limb]
    if homes or not pads:
        return homes
    x_mm = sum(p.x_mm for p in pads) / len(pads)
    y_mm = sum(p.y_mm for p in pads) / len(pads)
    return (Home(limb=limb, x_mm=x_mm, y_mm=y_mm),)


def pad_reach(rig: Rig, pad: Pad) -> float:
    """Movement time in seconds from the nearest home of the pad's limb."""
    distance_mm = min(
        math.hypot(pad.x_mm - h.x_mm, pad.y_mm - h.y_mm) for h in homes_of(rig, pad.limb)
    )
    return movement_time(distance_mm, min(pad.w_mm, pad.h_mm), pad.limb)


def reach_times(rig: Rig) -> tuple[float, ...]:
    """Movement time to each pad of the rig, in seconds, in the order of ``rig.pads``."""
    return tuple(round(pad_reach(rig, pad), 6) for pad in rig.pads)
