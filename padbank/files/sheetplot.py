"""Where each pad lies on the paper: to scale, with long empty stretches cut short.

Functions: ``axis``, ``plot_pads``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from padbank.sheetdata import SheetPad

LONGEST_GAP_MM = 60.0
"""Empty stretches longer than this are cut short …"""
CUT_GAP_MM = 34.0
"""… to this, on the rig's scale."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One direction of the plot with its long gaps cut short."""

    knots: tuple[tuple[float, float], ...]
    """(true mm, drawn mm), rising, one pair of pairs for each stretch with pads"""
    cuts: tuple[tuple[float, float], ...]
    """(drawn mm of the middle of a cut, its true length in mm)"""

    @property
    def length_mm(self) -> float:
        return self.knots[-1][1]

    def drawn(self, true_mm: float) -> float:
        """Where a true place on a pad is drawn."""
        for (t0, d0), (t1, _) in zip(self.knots[::2], self.knots[1::2], strict=True):
            if t0 - 1e-6 <= true_mm <= t1 + 1e-6:
                return d0 + true_mm - t0
        return 0.0


def axis(spans: Sequence[tuple[float, float]]) -> Axis:
    """One direction from the stretches ``(low, high)`` in mm that pads cover there."""
    merged: list[list[float]] = []
    for low, high in sorted(spans):
        if merged and low <= merged[-1][1] + LONGEST_GAP_MM:
            merged[-1][1] = max(merged[-1][1], high)
        else:
            merged.append([low, high])
    knots: list[tuple[float, float]] = []
    cuts: list[tuple[float, float]] = []
    at_mm = 0.0
    for index, (low, high) in enumerate(merged):
        if index:
            cuts.append((at_mm + CUT_GAP_MM / 2, low - merged[index - 1][1]))
            at_mm += CUT_GAP_MM
        knots += [(low, at_mm), (high, at_mm + high - low)]
        at_mm += high - low
    return Axis(tuple(knots), tuple(cuts))


@dataclass(frozen=True, slots=True)
class Plot:
    """Where the rig lies on the page."""

    x: Axis
    y: Axis
    scale: float
    left_mm: float
    top_mm: float

    def box(self, pad: SheetPad) -> tuple[float, float, float, float]:
        """Left, top, width, height on the page."""
        return (
            self.left_mm + self.scale * self.x.drawn(pad.x_mm - pad.w_mm / 2),
            self.top_mm + self.scale * self.y.drawn(pad.y_mm - pad.h_mm / 2),
            self.scale * pad.w_mm,
            self.scale * pad.h_mm,
        )


def plot_pads(
    pads: Sequence[SheetPad], left_mm: float, top_mm: float, w_mm: float, h_mm: float
) -> Plot:
    """Fit a rig's pads into a box on the paper, as large as they go, never above true size."""
    x = axis([(p.x_mm - p.w_mm / 2, p.x_mm + p.w_mm / 2) for p in pads])
    y = axis([(p.y_mm - p.h_mm / 2, p.y_mm + p.h_mm / 2) for p in pads])
    scale = min(w_mm / x.length_mm, h_mm / y.length_mm, 1.0)
    return Plot(
        x,
        y,
        scale,
        left_mm + (w_mm - scale * x.length_mm) / 2,
        top_mm + (h_mm - scale * y.length_mm) / 2,
    )
