"""Pads of all banks together: against every order of a bank's pads, and against the evaluator."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from padbank.domain import Device, Home, Pad, Rig, Segment, Show, Want
from padbank.layout.anneal import anneal_pads
from padbank.layout.evaluate import evaluate_problem
from padbank.layout.facts import ClipFacts, Version
from padbank.layout.first import first_layout
from padbank.layout.held import copy_held, empty_held, put, to_layout
from padbank.layout.packs import random_pack
from padbank.layout.problem import build_problem
from padbank.layout.seats import home_hits


def _cost(problem, held) -> float:
    return evaluate_problem(problem, to_layout(problem, held)).objective


@pytest.mark.parametrize("hits", [(9.0, 1.0, 5.0, 2.0, 7.0), (1.0, 1.0, 1.0, 1.0, 8.0)])
def test_one_bank_against_every_order_of_its_pads(hits):
    pads = tuple(
        Pad(surface="s", number=i + 1, x_mm=62.0 * (i % 3), y_mm=62.0 * (i // 3), w_mm=60.0, h_mm=60.0)
        for i in range(6)
    )
    rig = Rig(
        name="six",
        title="Invented rig of six pads",
        banks=1,
        pads=pads,
        devices=(Device(name="main", memory_bytes=10_000, voices=64, sample_rates_hz=(44100,)),),
        homes=(Home(limb="hand", x_mm=60.0, y_mm=160.0),),
        bank_switch_s=0.5,
        min_rehit_s=0.1,
    )
    moods = ("quiet", "loud", "quiet", "loud", "")
    clips = {
        f"clip-{i}": ClipFacts(
            name=f"clip-{i}",
            duration_s=0.3,
            tags=(mood,) if mood else (),
            versions=(Version(channels=1, sample_rate_hz=44100, n_bytes=10),),
        )
        for i, mood in enumerate(moods)
    }
    wants = tuple(Want(clip=n, hits=h, must=True) for n, h in zip(clips, hits, strict=True))
    show = Show(name="one", rig="six", segments=(Segment(name="song", wants=wants),))
    problem = build_problem(rig, show, clips)
    held = empty_held(problem)
    for i in range(len(clips)):
        put(held, 0, i, (i, 1, 44100))
    before = _cost(problem, held)
    least = float("inf")
    for order in itertools.permutations(range(6), len(clips)):
        other = empty_held(problem)
        for clip, pad in enumerate(order):
            put(other, 0, pad, (clip, 1, 44100))
        least = min(least, _cost(problem, other))
    saved_s = anneal_pads(problem, held, home_hits(problem))
    assert _cost(problem, held) == pytest.approx(least, abs=1e-9)
    assert saved_s == pytest.approx(before - least, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_it_saves_is_what_the_evaluator_says(seed):
    """Without wants by tag, where another clip may come to serve, the two must agree."""
    pack = random_pack("medium", seed)
    segments = tuple(
        replace(s, wants=tuple(w for w in s.wants if w.clip)) for s in pack.show.segments
    )
    problem = build_problem(pack.rig, replace(pack.show, segments=segments), pack.clips)
    held = first_layout(problem)
    before, old = _cost(problem, held), copy_held(held)
    saved_s = anneal_pads(problem, held, home_hits(problem), steps_a_clip=60)
    after = evaluate_problem(problem, to_layout(problem, held))
    assert saved_s > 0
    # a wish that is placed and not served for its price costs nothing more where it sits
    assert before - after.objective == pytest.approx(saved_s, rel=0.02)
    assert not [f for f in after.findings if f.severity == "error" and f.code != "must-missing"]
    for bank in range(problem.banks):
        assert sorted(old.at[bank].values()) == sorted(held.at[bank].values())


def test_a_version_that_the_planner_would_not_choose_is_kept():
    """A layout by hand may hold one; its bytes and its loss count as its device stores it."""
    pack = random_pack("small", 1)
    problem = build_problem(pack.rig, pack.show, pack.clips)
    held = first_layout(problem)
    bank, pad = next((b, q) for b, at in enumerate(held.at) for q in at)
    clip = held.at[bank][pad][0]
    fact = problem.clips[clip]
    worse = Version(channels=1, sample_rate_hz=22050, n_bytes=10**6, loss_db=40.0)
    facts = {
        **pack.clips,
        fact.name: replace(fact, versions=(*(v for v in fact.versions if (v.channels, v.sample_rate_hz) != (1, 22050)), worse)),
    }
    problem = build_problem(pack.rig, pack.show, facts)
    for b, q in list(held.where[clip]):
        held.at[b][q] = (clip, 1, 22050)
    assert worse not in problem.versions[clip][0]
    judged = evaluate_problem(problem, to_layout(problem, held))
    quality = next(t for t in judged.terms if t.name == "quality")
    assert quality.amount >= 40.0
    anneal_pads(problem, held, home_hits(problem), steps_a_clip=10)
    assert all(held.at[b][q] == (clip, 1, 22050) for b, q in held.where[clip])


@pytest.mark.parametrize("reach_hits", [2.0, 30.0])
def test_two_banks_with_shared_clips_against_every_order_of_both(reach_hits):
    """A clip of two banks keeps one pad, or leaves it where that is worth a pad to learn."""
    pads = tuple(
        Pad(surface="s", number=i + 1, x_mm=90.0 * i, y_mm=0.0, w_mm=60.0, h_mm=60.0) for i in range(4)
    )
    rig = Rig(
        name="four",
        title="Invented rig of four pads",
        banks=2,
        pads=pads,
        devices=(Device(name="main", memory_bytes=10_000, voices=64, sample_rates_hz=(44100,)),),
        homes=(Home(limb="hand", x_mm=30.0, y_mm=100.0),),
        bank_switch_s=0.5,
        min_rehit_s=0.1,
    )
    clips = {
        name: ClipFacts(
            name=name,
            duration_s=0.3,
            tags=(),
            versions=(Version(channels=1, sample_rate_hz=44100, n_bytes=10),),
        )
        for name in ("both-a", "both-b", "one", "two")
    }
    wanted = (
        {"both-a": reach_hits, "both-b": 1.0, "one": 20.0},
        {"both-b": reach_hits, "both-a": 1.0, "two": 5.0},
    )
    segments = tuple(
        Segment(name=f"song-{k}", wants=tuple(Want(clip=n, hits=h, must=True) for n, h in w.items()))
        for k, w in enumerate(wanted)
    )
    problem = build_problem(rig, Show(name="two", rig="four", segments=segments), clips)
    names = [c.name for c in problem.clips]
    content = [
        [names.index(n) for n in wanted[int(segments[0].name not in on)]] for on in problem.bank_segments
    ]

    def laid(*orders):
        held = empty_held(problem)
        for bank, order in enumerate(orders):
            for clip, pad in zip(content[bank], order, strict=True):
                put(held, bank, pad, (clip, 1, 44100))
        return held

    least = min(
        _cost(problem, laid(a, b))
        for a in itertools.permutations(range(4), 3)
        for b in itertools.permutations(range(4), 3)
    )
    held = laid((3, 2, 1), (0, 1, 2))
    anneal_pads(problem, held, home_hits(problem))
    assert _cost(problem, held) == pytest.approx(least, abs=1e-9)
