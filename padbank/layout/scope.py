"""What a model holds of a problem, and what its variables mean.

``Scope`` says which banks are free (the others keep what they hold), whether
mis-hit risk is in, and whether clips away from their own banks are pooled.

Classes: ``Scope``, ``Model``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from padbank.layout.cost import Held, Served
from padbank.layout.problem import Problem
from padbank.layout.program import Program

MISSING_S = 1e4
"""price of a missing must in an elastic model, in seconds"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """Which part of the problem a model holds.

    banks : free banks
    held : the layout whose other banks stay as they are (None: all are free)
    risk : mis-hit risk between clips is in, every pad by itself
    pool : clips away from their banks take a place in any bank, not in one
    voices : voice limits are in
    new_pads : the price of a clip's second pad is in
    strangers : clips without a place that no free bank asks for may come in
    elastic : musts may be missed at ``MISSING_S`` each, for layouts on the way
    only : the clips and banks, ``(clip, bank)``, that may come together; pinned clips and
        those kept together may anyway (None: all)
    """

    banks: tuple[int, ...]
    held: Held | None = None
    risk: bool = True
    pool: bool = False
    voices: bool = True
    new_pads: bool = True
    strangers: bool = True
    elastic: bool = False
    only: frozenset[tuple[int, int]] | None = None


Slot = tuple[int, ...]


@dataclass(slots=True)
class Model:
    """A program with the meaning of its variables."""

    problem: Problem
    scope: Scope
    program: Program = field(default_factory=Program)
    x: dict[tuple[int, int, Slot], int] = field(default_factory=dict)
    pooled: dict[tuple[int, Slot], int] = field(default_factory=dict)
    version: dict[tuple[int, int, int], int] = field(default_factory=dict)
    serves: dict[tuple[int, int], int] = field(default_factory=dict)
    control: dict[tuple[str, int], int] = field(default_factory=dict)
    fixed_version: dict[tuple[int, int], int] = field(default_factory=dict)
    slots: dict[int, list[Slot]] = field(default_factory=dict)
    rooms: dict[int, list[Slot]] = field(default_factory=dict)
    voice_totals: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)
    new_pad_rows: int = 0
    """the first of the last rows, those about a clip's second pad"""

    def start(self, held: Held, served: list[Served]) -> dict[int, float]:
        """Values of the whole variables for a layout, to begin a run from."""
        values = {
            column: 0.0
            for group in (self.x, self.version, self.serves, self.control, self.pooled)
            for column in group.values()
        }
        for bank in self.scope.banks:
            for pad, (clip, channels, rate) in held.at[bank].items():
                column = self._column_of(clip, bank, pad)
                if column is not None:
                    values[column] = 1.0
                device = self.problem.device_of[pad]
                for k, v in enumerate(self.problem.versions[clip][device]):
                    key = (clip, device, k)
                    if key in self.version and (v.channels, v.sample_rate_hz) == (channels, rate):
                        values[self.version[key]] = 1.0
        for s in served:
            if (s.demand, s.clip) in self.serves:
                values[self.serves[(s.demand, s.clip)]] = 1.0
        for (label, _), pad in held.free_pads.items():
            if (label, pad) in self.control:
                values[self.control[(label, pad)]] = 1.0
        return values

    def _column_of(self, clip: int, bank: int, pad: int) -> int | None:
        single = self.x.get((clip, bank, (pad,)))
        if single is not None:
            return single
        for slot in self.slots[bank] + self.rooms[bank]:
            if pad in slot and (clip, bank, slot) in self.x:
                return self.x[(clip, bank, slot)]
        for (c, room), column in self.pooled.items():
            if c == clip and self.problem.device_of[room[0]] == self.problem.device_of[pad]:
                return column
        return None
