"""Which bank a segment gets: where the hands know it, wants by tag included."""

from __future__ import annotations

from dataclasses import replace

from padbank.domain import Layout, Segment, Want
from padbank.layout.homes import assign_homes
from padbank.layout.packs import random_pack
from padbank.layout.solve import solve


def test_a_segment_stays_in_the_bank_where_the_hands_know_it() -> None:
    pack = random_pack("small", 1)
    by_tag = tuple(
        Segment(name=name, wants=(Want(tag=tag, count=2, hits=3.0),))
        for name, tag in (("first", "gull"), ("second", "bell"))
    )
    show = replace(pack.show, segments=by_tag, pins=(), always_bank=None)
    known = Layout(
        show=show.name,
        rig=pack.rig.name,
        places=(),
        controls=(),
        bank_segments=((), ("second",), (), ("first",)),
    )
    assert assign_homes(pack.rig, show)[:2] == (("first",), ("second",))
    assert assign_homes(pack.rig, show, known) == known.bank_segments


def test_planning_again_without_a_change_keeps_the_cost() -> None:
    pack = random_pack("small", 2)
    first = solve(pack.rig, pack.show, pack.clips, seconds=20)
    again = solve(pack.rig, pack.show, pack.clips, first.layout, seconds=20)
    assert again.layout.bank_segments == first.layout.bank_segments
    assert again.objective <= first.objective + 1e-6  # nothing has to move
