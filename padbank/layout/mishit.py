"""How likely a hit meant for one pad lands on another.

Hits scatter about the pad's centre, normally and independently across and
along it. Fitts' effective width is W = 4.133 sigma (96 % of hits on the
target: MacKenzie, yorku.ca/mack/ojas2013), so sigma = side / 4.133 for each
side of the pad. The chance to land on a neighbour is the mass of that
distribution over the neighbour's rectangle: a product of two differences of
the normal distribution function.

Only pads of one limb are neighbours. Chances below 1e-4 count as none.

Functions: ``chance``, ``chances``.
"""

from __future__ import annotations

import math

from padbank.domain import Pad, Rig

EFFECTIVE_WIDTH_SIGMAS = 4.133
"""effective target width in standard deviations, sqrt(2*pi*e) (MacKenzie)"""
SMALLEST_CHANCE = 1e-4


def _normal(z: float) -> float:
    return 0.5 * (1.0 + math.erf(z / math.sqrt(2.0)))


def _span(centre: float, low: float, high: float, sigma: float) -> float:
    return _normal((high - centre) / sigma) - _normal((low - centre) / sigma)


def chance(aim: Pad, other: Pad) -> float:
    """Chance that a hit meant for ``aim`` lands on ``other`` (0 to 1)."""
    if aim.limb != other.limb:
        return 0.0
    across = _span(
        aim.x_mm,
        other.x_mm - other.w_mm / 2,
        other.x_mm + other.w_mm / 2,
        aim.w_mm / EFFECTIVE_WIDTH_SIGMAS,
    )
    along = _span(
        aim.y_mm,
        other.y_mm - other.h_mm / 2,
        other.y_mm + other.h_mm / 2,
        aim.h_mm / EFFECTIVE_WIDTH_SIGMAS,
    )
    return across * along


def chances(rig: Rig) -> tuple[tuple[tuple[int, float], ...], ...]:
    """For each pad, ``(index of the other pad, chance)`` of those worth counting."""
    table = []
    for i, aim in enumerate(rig.pads):
        row = []
        for j, other in enumerate(rig.pads):
            if i != j:
                p = round(chance(aim, other), 6)
                if p >= SMALLEST_CHANCE:
                    row.append((j, p))
        table.append(tuple(row))
    return tuple(table)
