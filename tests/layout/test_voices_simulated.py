"""The closed form of voices against an event simulation of random hits."""

from __future__ import annotations

import random

import pytest

from padbank.layout import voices


def simulate(clips, hits, switch_at=None):
    """Most voices at once from hits ``(time, pad)``: starts and ends one by one.

    ``clips`` are (duration, mode, again, release, group, voices each). After
    ``switch_at`` only what still sounds is counted.
    """
    sounding = []  # [start, end, pad, group, voices]
    moments = []
    for time_s, pad, held_s in hits:
        duration_s, mode, again, release_s, group, each = clips[pad]
        for voice in sounding:
            same_group = group is not None and voice[3] == group and voice[2] != pad
            cuts_itself = voice[2] == pad and (again == "self-cut" or mode == "loop")
            if voice[1] > time_s and (same_group or cuts_itself):
                voice[1] = time_s
        end = time_s + duration_s
        if mode == "gate":
            end = min(end, time_s + held_s + release_s)
        if mode == "loop":
            end = float("inf")
        sounding.append([time_s, end, pad, group, each])
        moments.append(time_s)
    if switch_at is not None:
        return sum(v[4] for v in sounding if v[0] < switch_at - 1e-9 and v[1] > switch_at + 1e-9)
    most = 0
    for moment in moments:
        now = sum(v[4] for v in sounding if v[0] <= moment + 1e-9 and v[1] > moment + 1e-9)
        most = max(most, now)
    return most


def random_bank(rng):
    """Clips in hundredths of a second, so that sums are exact enough to compare."""
    bank = []
    for _ in range(rng.randint(1, 4)):
        bank.append(
            (
                rng.randint(5, 90) / 100,
                rng.choice(("one-shot", "one-shot", "gate", "loop")),
                rng.choice(("overlap", "self-cut")),
                rng.randint(0, 30) / 100,
                rng.choice((None, None, "a", "b")),
                rng.choice((1, 2)),
            )
        )
    return bank


def random_hits(rng, bank, rehit_s, end_s):
    """Each pad on its own grid of the shortest re-hit time, played hard or at random."""
    hits = []
    for pad, clip in enumerate(bank):
        time_s = rng.choice((0.0, 0.01, 0.05))
        keen = rng.random() < 0.7
        while time_s < end_s:
            held = 0.0 if clip[1] != "gate" else rng.choice((0.0, rehit_s * 0.999, 5.0))
            # a pad that is hit again was let go before
            hits.append((time_s, pad, min(held, rehit_s * 0.999)))
            time_s += rehit_s if keen else rehit_s * rng.uniform(1.0, 3.0)
        if clip[1] == "gate" and hits:
            last = max(i for i, h in enumerate(hits) if h[1] == pad)
            hits[last] = (hits[last][0], pad, 5.0)
    return sorted(hits)


@pytest.mark.parametrize("block", range(4))
def test_no_more_voices_than_the_closed_form(block):
    reached = 0
    for seed in range(block * 100, block * 100 + 100):
        rng = random.Random(seed)
        bank = random_bank(rng)
        rehit_s = rng.choice((0.05, 0.1, 0.13))
        limit = voices.need(
            (group, each * voices.instances(duration, mode, again, rehit_s, release))
            for duration, mode, again, release, group, each in bank
        )
        found = max(simulate(bank, random_hits(rng, bank, rehit_s, 2.0)) for _ in range(3))
        assert found <= limit, seed
        reached += found == limit
    assert reached >= 25  # the bound is tight in many banks, not only safe


def test_no_more_tail_than_the_closed_form():
    reached = 0
    for seed in range(400):
        rng = random.Random(10_000 + seed)
        bank = random_bank(rng)
        rehit_s = rng.choice((0.05, 0.1))
        switch_s = rng.choice((0.05, 0.1, 0.3))
        limit = voices.need(
            (group, each * voices.tail_instances(duration, mode, again, rehit_s, release, switch_s))
            for duration, mode, again, release, group, each in bank
        )
        last_hit_s = 1.5
        hits = [h for h in random_hits(rng, bank, rehit_s, last_hit_s + 1e-9) if h[0] <= last_hit_s]
        found = simulate(bank, hits, switch_at=last_hit_s + switch_s)
        assert found <= limit, (seed, bank, rehit_s, switch_s)
        reached += found == limit
    assert reached >= 100


def test_worked_by_hand():
    # 0.35 s hit every 0.1 s: starts at 0, 0.1, 0.2, 0.3 all sound at 0.3 s, the first ends at 0.35
    assert voices.instances(0.35, "one-shot", "overlap", 0.1, 0.0) == 4
    # 0.3 s hit every 0.1 s: the first ends exactly as the fourth starts
    assert voices.instances(0.3, "one-shot", "overlap", 0.1, 0.0) == 3
    assert voices.instances(0.35, "one-shot", "self-cut", 0.1, 0.0) == 1
    assert voices.instances(60.0, "loop", "overlap", 0.1, 0.0) == 1
    # a held gate clip and two that release for 0.2 s
    assert voices.instances(5.0, "gate", "overlap", 0.1, 0.2) == 3
    # 0.2 s after the switch: 0.35 - 0.2 = 0.15 s are left of the last hit
    assert voices.tail_instances(0.35, "one-shot", "overlap", 0.1, 0.0, 0.2) == 2
    assert voices.tail_instances(0.35, "one-shot", "overlap", 0.1, 0.0, 0.35) == 0
    assert voices.tail_instances(5.0, "loop", "overlap", 0.1, 0.0, 9.0) == 1
    # two clips of one mute group need the greater, a third by itself is added
    assert voices.need([("a", 4), ("a", 6), (None, 3)]) == 9
