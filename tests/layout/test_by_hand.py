"""Changes by hand, reasons, plain ways and differences, on one small show worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from padbank.domain import Control, Device, Home, Layout, Pad, Pin, Place, Rig, Segment, Show, Want
from padbank.errors import InputError, PlanError
from padbank.layout import hand
from padbank.layout.cost import read_layout
from padbank.layout.diff import diff_layouts
from padbank.layout.evaluate import evaluate, evaluate_problem
from padbank.layout.explain import why
from padbank.layout.facts import ClipFacts, Version
from padbank.layout.limits import memory_used
from padbank.layout.plain import compare_plain
from padbank.layout.problem import build_problem
from padbank.layout.reach import difficulty_bits, movement_time
from padbank.layout.reason import smallest_reason
from padbank.layout.solve import solve


def mono(n_bytes=100, loss_db=0.0):
    return Version(channels=1, sample_rate_hz=44100, n_bytes=n_bytes, loss_db=loss_db)


def clip(name, duration_s=0.05, **more):
    more.setdefault("versions", (mono(),))
    return ClipFacts(name=name, duration_s=duration_s, **more)


@pytest.fixture
def rig():
    pads = tuple(
        Pad(surface="deck", number=i + 1, x_mm=100.0 * i, y_mm=0.0, w_mm=50.0, h_mm=50.0)
        for i in range(3)
    )
    return Rig(
        name="plank",
        title="Plank",
        banks=2,
        pads=pads,
        devices=(Device(name="main", memory_bytes=1000, voices=8),),
        homes=(Home(limb="hand", x_mm=0.0, y_mm=0.0),),
        bank_switch_s=0.5,
    )


@pytest.fixture
def show():
    return Show(
        name="fair",
        rig="plank",
        segments=(
            Segment(
                name="opening",
                wants=(
                    Want(clip="bell", hits=2, must=True),
                    Want(clip="gull", hits=10),
                    Want(clip="horn", hits=1, value=0.5),
                ),
            ),
            Segment(name="storm", wants=(Want(clip="wind", hits=4), Want(clip="gull", hits=3))),
        ),
    )


@pytest.fixture
def clips():
    return {n: clip(n) for n in ("bell", "gull", "horn", "wind")}


def test_reach_worked_by_hand():
    # MacKenzie's example: 300 mm to a target of 100 mm is log2(300/100 + 1) = 2 bits
    assert difficulty_bits(300.0, 100.0) == 2.0
    # 12.8 ms + 94.7 ms a bit (Fitts 1954, from memory)
    assert movement_time(300.0, 100.0) == pytest.approx(0.0128 + 2 * 0.0947)
    assert movement_time(300.0, 100.0, "foot") == pytest.approx(2 * (0.0128 + 2 * 0.0947))


def test_optimum_worked_by_hand(rig, show, clips):
    result = solve(rig, show, clips)
    at = {(p.bank, p.clip): p.pad_id for p in result.layout.places}
    # most hits nearest to the hand: gull 10, bell 2, horn 1; wind 4, gull 3
    # gull under two pads would save 3 x (0.2197 - 0.0128) - 4 x ... less than the 0.5 s it costs
    assert at[(1, "gull")] == "deck/1"
    assert at[(1, "bell")] == "deck/2"
    assert at[(1, "horn")] == "deck/3"
    near, middle, far = (movement_time(d, 50.0) for d in (0.0, 100.0, 200.0))
    keep = 10 * near + 2 * middle + far + 3 * near + 4 * middle  # gull on deck/1 in both
    part = 10 * near + 2 * middle + far + 4 * near + 3 * middle + 0.5
    assert result.objective == pytest.approx(min(keep, part), abs=1e-4)
    assert result.status == "proved" and result.gap == 0.0
    assert result.bound_holds_for


def test_same_show_same_layout(rig, show, clips):
    assert solve(rig, show, clips).layout == solve(rig, show, dict(reversed(clips.items()))).layout


def judged(problem, before, after):
    return hand.judge_change(problem, before, after, "a step")


def test_hand_changes_are_judged(rig, show, clips):
    layout = solve(rig, show, clips).layout
    problem = build_problem(rig, show, clips, layout=layout)
    change = judged(problem, layout, hand.exchange(problem, layout, (1, "deck/1"), (1, "deck/3")))
    assert change.cost == pytest.approx(sum(t.cost for t in change.terms))
    assert change.cost > 0 and not change.new_findings
    back = judged(problem, change.layout, hand.exchange(problem, change.layout, (1, "deck/1"), (1, "deck/3")))
    assert back.layout == layout and back.cost == pytest.approx(-change.cost)
    bell = next(p.pad_id for p in layout.places if p.clip == "bell")
    gone = judged(problem, layout, hand.clear(problem, layout, (1, bell)))
    assert [f.code for f in gone.new_findings] == ["must-missing"]
    again = hand.put(problem, gone.layout, "bell", (1, "deck/2"))
    assert again == layout
    whole = evaluate(rig, show, clips, again)
    assert whole.objective == pytest.approx(evaluate_problem(problem, layout).objective)


def test_a_pad_or_bank_that_the_rig_has_no_longer_can_be_cleared(rig, show, clips):
    layout = solve(rig, show, clips).layout
    lost = [p for p in layout.places if p.pad_id == "deck/3" or p.bank == 2]
    assert len(lost) >= 2
    smaller = replace(rig, banks=1, pads=rig.pads[:2])
    problem = build_problem(smaller, replace(show, rig="plank"), clips, layout=layout)
    texts = [f.text for f in evaluate_problem(problem, layout).findings if f.code == "no-such-place"]
    assert len(texts) == len(lost)
    assert all("rig plank has no such pad any more" in t or "rig plank has banks 1 to 1" in t for t in texts)
    for place in lost:
        spot = (place.bank, place.pad_id)
        assert not hand.on_rig(smaller, spot)
        change = judged(problem, layout, hand.clear(problem, layout, spot))
        assert place not in change.layout.places and len(change.layout.places) == len(layout.places) - 1
        layout = change.layout
    assert not [f for f in evaluate_problem(problem, layout).findings if f.code == "no-such-place"]
    with pytest.raises(InputError, match="no bank 2"):
        hand.clear(problem, layout, (2, "deck/1"))


def test_hand_changes_refuse_what_cannot_be(rig, show, clips):
    rig = replace(rig, controls=(Control(label="lamp", pad_id="deck/3"),))
    layout = solve(rig, show, clips).layout
    problem = build_problem(rig, show, clips, layout=layout)
    for call, text in (
        (lambda: hand.put(problem, layout, "bell", (9, "deck/1")), "no bank 9"),
        (lambda: hand.put(problem, layout, "bell", (1, "deck/9")), "no pad 'deck/9'"),
        (lambda: hand.put(problem, layout, "bell", (1, "deck/3")), "holds the control hit lamp"),
        (lambda: hand.put(problem, layout, "nobody", (1, "deck/1")), "not wanted by this show"),
        (lambda: hand.clear(problem, layout, (2, "deck/3")), "holds the control hit lamp"),
        (lambda: hand.move(problem, layout, (1, "deck/1"), (1, "deck/3")), "holds the control hit lamp"),
        (lambda: hand.exchange(problem, layout, (1, "deck/3"), (1, "deck/1")), "has that pad of its own"),
    ):
        with pytest.raises(InputError, match=text):
            call()


def test_a_pad_that_takes_no_version_is_refused_and_a_full_memory_is_a_finding(rig, show, clips):
    short = replace(rig.pads[2], max_clip_s=0.01)
    rig = replace(rig, pads=(*rig.pads[:2], short), devices=(replace(rig.devices[0], memory_bytes=350),))
    layout = Layout(show="fair", rig="plank", places=(), bank_segments=(("opening",), ("storm",)))
    problem = build_problem(rig, show, clips, layout=layout)
    with pytest.raises(InputError, match=r"bell cannot go on pad deck/3: it is 0\.1 s long and 0\.01 s is the most; trim it"):
        hand.put(problem, layout, "bell", (1, "deck/3"))
    for name, spot in (("bell", (1, "deck/1")), ("gull", (1, "deck/2")), ("horn", (2, "deck/1"))):
        layout = hand.put(problem, layout, name, spot)
    over = judged(problem, layout, hand.put(problem, layout, "wind", (2, "deck/2")))
    assert [f.code for f in over.new_findings] == ["memory"]


def test_a_clip_lies_once_in_a_bank_and_keeps_the_version_that_its_device_holds(rig, show, clips):
    clips["bell"] = clip("bell", versions=(mono(200), mono(100, 3.0)))
    small = replace(rig, devices=(replace(rig.devices[0], memory_bytes=250),))
    layout = Layout(show="fair", rig="plank", places=(), bank_segments=(("opening",), ("storm",)))
    problem = build_problem(small, show, clips, layout=layout)
    layout = hand.put(problem, layout, "bell", (1, "deck/1"))
    layout = hand.put(problem, layout, "bell", (1, "deck/2"))
    assert [(p.bank, p.pad_id) for p in layout.places] == [(1, "deck/2")]
    two = hand.put(problem, layout, "bell", (2, "deck/2"))
    assert memory_used(problem, read_layout(problem, two), 0) == 200  # one version, stored once


def test_a_control_hit_that_the_planner_placed_moves_within_its_bank(rig, show, clips):
    rig = replace(rig, controls=(Control(label="lamp", banks=(1,)),))
    one = replace(show, segments=(replace(show.segments[0], wants=show.segments[0].wants[:2]),))
    layout = solve(rig, one, clips).layout
    problem = build_problem(rig, one, clips, layout=layout)
    lamp = layout.controls[0].pad_id
    gull = next(p.pad_id for p in layout.places if p.clip == "gull")
    with pytest.raises(InputError, match="holds the control hit lamp"):
        hand.put(problem, layout, "bell", (1, lamp))
    moved = hand.move(problem, layout, (1, lamp), (1, gull))
    assert moved.controls[0].pad_id == gull
    assert {p.clip: p.pad_id for p in moved.places}["gull"] == lamp
    assert hand.exchange(problem, moved, (1, lamp), (1, gull)) == replace(layout, number=0)
    assert not [f for f in judged(problem, layout, moved).new_findings if f.severity == "error"]
    with pytest.raises(InputError, match="belongs to that bank"):
        hand.move(problem, layout, (1, lamp), (2, gull))
    with pytest.raises(InputError, match="nothing to move"):
        hand.move(problem, layout, (2, "deck/1"), (2, "deck/2"))


def test_why_names_the_next_best_place(rig, show, clips):
    layout = solve(rig, show, clips).layout
    problem = build_problem(rig, show, clips, layout=layout)
    found = why(problem, layout, "gull")
    assert {p.pad_id for p in found.placed} == {"deck/1"}
    assert found.others[0].cost >= 0
    assert "next best" in found.text
    tight = replace(rig, banks=1, controls=(Control(label="lamp", pad_id="deck/2"),))
    one = replace(show, segments=show.segments[:1])
    layout = solve(tight, one, clips).layout
    problem = build_problem(tight, one, clips, layout=layout)
    left = why(problem, layout, "horn")
    assert not left.placed and left.not_served == ("opening: horn",)
    assert left.others and left.others[0].gives_way in {"bell", "gull"}
    with pytest.raises(InputError):
        why(problem, layout, "nobody")


def test_reason_memory(rig, show, clips):
    small = replace(rig, devices=(replace(rig.devices[0], memory_bytes=250),))
    wants = tuple(Want(clip=n, must=True, value=v) for n, v in (("bell", 1), ("gull", 2), ("horn", 3)))
    hard = replace(show, segments=(Segment(name="opening", wants=wants),))
    problem = build_problem(small, hard, clips)
    found = smallest_reason(problem)
    assert found.limit == "memory"
    assert set(found.musts) == {"opening: bell", "opening: gull", "opening: horn"}
    assert (found.need, found.have) == (pytest.approx(300), 250)
    assert len(found.give_up) == 1
    lines = found.text.splitlines()
    assert max(len(line) for line in lines) <= 80
    assert lines[0] == "these musts cannot fit together:"
    assert lines[1].split() == ["limit:", "the", "memory", "of", "device", small.devices[0].name]
    assert "(50 B too little)" in lines[2]
    assert {line.rsplit(maxsplit=2)[0].split()[-1] for line in lines[3:6]} == {"bell", "gull", "horn"}
    assert found.give_up[0].split(": ")[1] in lines[6]
    with pytest.raises(PlanError, match="cannot fit together"):
        solve(small, hard, clips)


def test_reason_voices_and_pads(rig, show, clips):
    # each 0.5 s clip can sound in 5 instances at a hit every 0.1 s; 8 voices take one a bank
    long = {n: clip(n, 0.5) for n in ("bell", "gull", "horn")}
    wants = tuple(Want(clip=n, must=True) for n in long)
    hard = replace(show, segments=(Segment(name="opening", wants=wants),))
    found = smallest_reason(build_problem(rig, hard, long))
    assert found.limit == "voices" and found.need == 10 and found.have == 8
    one_pad = replace(rig, banks=1, pads=rig.pads[:1])
    two = replace(show, segments=(Segment(name="opening", wants=wants[:2]),))
    found = smallest_reason(build_problem(one_pad, two, clips))
    assert found.limit == "pads" and (found.need, found.have) == (2, 1)
    assert "alone are too many" not in found.text  # they are all the musts there are
    three = replace(show, segments=(Segment(name="opening", wants=wants),))
    found = smallest_reason(build_problem(one_pad, three, clips))
    assert len(found.musts) == 2 and len(found.give_up) == 2
    assert "these alone are too many; the show has 3 musts" in found.text


def test_reason_says_how_to_clear_a_clip(rig, show, clips):
    unclear = {n: replace(c, cleared=False) for n, c in clips.items()}
    found = smallest_reason(build_problem(rig, show, unclear))
    assert found.limit == "missing" and "padbank edit bell --licence" in found.text and 'rights = "any"' in found.text


def test_reason_rules(rig, show, clips):
    wants = tuple(Want(clip=n, must=True) for n in ("bell", "gull"))
    one = replace(rig, banks=1)
    kept = replace(show, segments=(Segment(name="opening", wants=wants),), apart=(("bell", "gull"),))
    assert smallest_reason(build_problem(one, kept, clips)).limit == "apart"
    pinned = replace(
        kept,
        apart=(),
        pins=(Pin(clip="bell", pad_id="deck/1"), Pin(clip="gull", pad_id="deck/1")),
    )
    assert smallest_reason(build_problem(one, pinned, clips)).limit == "pins"
    assert smallest_reason(build_problem(rig, show, clips)) is None


def test_reason_names_what_is_missing(rig, show, clips):
    hard = replace(
        show, segments=(Segment(name="opening", wants=(Want(clip="whale", must=True),)),)
    )
    found = smallest_reason(build_problem(rig, hard, clips))
    assert found.limit == "missing" and "whale" in found.text
    uncleared = {**clips, "whale": clip("whale", cleared=False)}
    with pytest.raises(PlanError, match="rights are not cleared"):
        solve(rig, hard, uncleared)


def test_plain_ways_are_never_better(rig, show, clips):
    result = solve(rig, show, clips)
    ways = compare_plain(build_problem(rig, show, clips))
    assert [w.name for w in ways] == ["list order", "by frequency"]
    for way in ways:
        assert not way.evaluation.feasible or way.evaluation.objective >= result.objective - 1e-6


def test_differences_have_their_reasons(rig, show, clips):
    old = solve(rig, show, clips).layout
    fewer = replace(
        show, segments=(replace(show.segments[0], wants=show.segments[0].wants[:2]), show.segments[1])
    )
    new = solve(rig, fewer, clips, old).layout
    changes = diff_layouts(old, new, fewer)
    assert [(c.kind, c.clip) for c in changes] == [("gone", "horn")]
    assert diff_layouts(old, old) == ()


def test_a_layout_with_every_fault_gets_every_finding(rig, show, clips):
    show = replace(
        show, apart=(("gull", "wind"),), together=(("bell", "horn"),), pins=(Pin(clip="gull", pad_id="deck/1"),)
    )
    rig = replace(
        rig,
        controls=(Control(label="lamp", pad_id="deck/3", banks=(2,)),),
        devices=(replace(rig.devices[0], memory_bytes=150, voices=1),),
    )

    def at(bank, pad, name, rate=44100):
        return Place(bank=bank, pad_id=f"deck/{pad}", clip=name, channels=1, sample_rate_hz=rate)

    layout = Layout(
        show="fair",
        rig="plank",
        places=(at(1, 2, "gull"), at(1, 3, "wind"), at(2, 1, "horn", 8000), at(2, 3, "wind"), at(2, 2, "nobody")),
        bank_segments=(("opening",), ("storm",)),
    )
    codes = {f.code for f in evaluate(rig, show, clips, layout).findings}
    assert codes == {
        "must-missing",
        "no-such-place",
        "control-pad",
        "device-format",
        "memory",
        "voices",
        "pin",
        "apart",
        "together",
    }


def test_bytes_are_those_of_each_device(rig, show, clips):
    """A 16-bit device beside a 24-bit one: 100 frames of mono are 200 bytes there, not 300."""
    name = next(iter(clips))
    version = Version(channels=1, sample_rate_hz=44100, n_bytes=300, frames=100)
    facts = {**clips, name: replace(clips[name], versions=(version,))}
    device = replace(rig.devices[0], bits=16, sample_rates_hz=(44100,))
    other = replace(rig, devices=(device, *rig.devices[1:]))
    pad = next(p for p in other.pads if p.device == device.name)
    layout = Layout(
        show=show.name,
        rig=other.name,
        places=(Place(bank=1, pad_id=pad.pad_id, clip=name, channels=1, sample_rate_hz=44100),),
        controls=(),
    )
    problem = build_problem(other, show, facts, layout=layout)
    assert memory_used(problem, read_layout(problem, layout), 0) == 200
