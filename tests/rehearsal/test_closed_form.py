"""The planner's closed form of worst-case voices against this event simulation.

``padbank.layout.voices`` says how many voices a bank, and the tail of a bank
switch, can need at worst. Random play within its premises (a pad is not hit
again before the shortest re-hit; the first hit of the new bank comes at least
the switch time after the last of the old one) must never need more, and steady
hitting at the shortest re-hit must reach it.
"""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padbank.layout import voices as closed
from padbank.rehearsal.voices import Event, Limits, PadSound, perform

PLENTY = 10_000
SWITCH_S = 0.5
REHITS_S = (0.05, 0.1, 0.25)
RELEASES_S = (0.0, 0.02, 0.1, 0.3)


def random_bank(rng, bank, n_pads, *, groups):
    return [
        PadSound(
            bank=bank,
            pad_id=f"kit/{i + 1}",
            clip=f"clip-{bank}-{i + 1}",
            duration_s=rng.choice((0.04, 0.1, 0.3, 0.77, 1.5, 4.0)),
            channels=rng.choice((1, 2)),
            play_mode=rng.choice(("one-shot", "one-shot", "gate", "loop")),
            mute_group=rng.choice((None, None, "ropes", "horns")) if groups else None,
        )
        for i in range(n_pads)
    ]


def bank_need(sounds, limits, rehit_s):
    return closed.need(
        (
            s.mute_group,
            closed.voices_each(s.channels, limits.voices_per_stereo)
            * closed.instances(
                s.duration_s, s.play_mode, limits.same_pad_again, rehit_s, limits.release_s
            ),
        )
        for s in sounds
    )


def tail_need(sounds, limits, rehit_s):
    return closed.need(
        (
            s.mute_group,
            closed.voices_each(s.channels, limits.voices_per_stereo)
            * closed.tail_instances(
                s.duration_s, s.play_mode, limits.same_pad_again, rehit_s, limits.release_s, SWITCH_S
            ),
        )
        for s in sounds
    )


def random_play(rng, sounds, rehit_s, from_s, length_s):
    """Hits of each pad at least ``rehit_s`` apart, often exactly; gates let go at random."""
    events = []
    for sound in sounds:
        time_s = from_s + rng.choice((0.0, rng.uniform(0, rehit_s)))
        while time_s <= from_s + length_s:
            events.append(Event(time_s=time_s, kind="hit", pad_id=sound.pad_id))
            gap_s = rehit_s if rng.random() < 0.7 else rng.uniform(rehit_s, 4 * rehit_s)
            if sound.play_mode == "gate" and rng.random() < 0.7:
                let_go_s = time_s + rng.uniform(0, gap_s)
                events.append(Event(time_s=let_go_s, kind="release", pad_id=sound.pad_id))
            time_s += gap_s
    return events


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 6),
    st.sampled_from(REHITS_S),
    st.sampled_from(RELEASES_S),
    st.sampled_from(("overlap", "self-cut")),
)
def test_a_bank_never_needs_more_than_the_closed_form(seed, n_pads, rehit_s, release_s, again):
    rng = random.Random(seed)
    limits = Limits(voices=PLENTY, same_pad_again=again, release_s=release_s)
    sounds = random_bank(rng, 1, n_pads, groups=True)
    peak = perform(limits, sounds, random_play(rng, sounds, rehit_s, 0.0, 2.0)).peak_voices
    assert peak <= bank_need(sounds, limits, rehit_s)


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 5),
    st.sampled_from(REHITS_S),
    st.sampled_from(RELEASES_S),
    st.sampled_from(("overlap", "self-cut")),
)
def test_a_switch_never_needs_more_than_bank_and_tail(seed, n_pads, rehit_s, release_s, again):
    rng = random.Random(seed)
    limits = Limits(voices=PLENTY, same_pad_again=again, release_s=release_s)
    old, new = (random_bank(rng, bank, n_pads, groups=True) for bank in (1, 2))
    first = random_play(rng, old, rehit_s, 0.0, 1.5)
    done_s = max(e.time_s for e in first if e.kind == "hit") + SWITCH_S
    second = random_play(rng, new, rehit_s, done_s, 1.5)
    events = [*first, Event(time_s=done_s, kind="bank", bank=2), *second]
    bound = max(
        bank_need(old, limits, rehit_s),
        bank_need(new, limits, rehit_s) + tail_need(old, limits, rehit_s),
    )
    assert perform(limits, [*old, *new], events).peak_voices <= bound


@pytest.mark.parametrize("rehit_s", REHITS_S)
@pytest.mark.parametrize("release_s", RELEASES_S)
@pytest.mark.parametrize("again", ["overlap", "self-cut"])
def test_steady_hitting_reaches_the_closed_form(rehit_s, release_s, again):
    """The form is no larger than it must be: hits at k x re-hit, gates let go at the next hit."""
    rng = random.Random(f"{rehit_s} {release_s} {again}")
    for _ in range(10):
        limits = Limits(voices=PLENTY, same_pad_again=again, release_s=release_s)
        sounds = random_bank(rng, 1, 4, groups=False)
        events = []
        for sound in sounds:
            n_hits = 1 if sound.play_mode == "loop" else math.ceil(sound.duration_s / rehit_s) + 2
            # Loops start last, so that all sound together at the end of the longest run.
            events += [
                Event(time_s=10.0 - k * rehit_s, kind="hit", pad_id=sound.pad_id)
                for k in range(n_hits)
            ]
        peak = perform(limits, sounds, events).peak_voices
        assert peak == bank_need(sounds, limits, rehit_s)


def test_two_quick_switches_can_need_more_than_one_tail():
    """Why a take is worth playing through: the form counts the tail of one switch only.

    Three banks, one 2 s mono clip each, hits at 0, 0.5 and 1.0 s with switches of 0.5 s:
    from 1.0 to 2.0 s all three sound, and bank + worst tail is 1 + 1 = 2
    at a re-hit time of 2 s.
    """
    limits = Limits(voices=PLENTY)
    sounds = [
        PadSound(bank=b, pad_id="kit/1", clip=f"clip-{b}", duration_s=2.0, channels=1)
        for b in (1, 2, 3)
    ]
    events = [Event(time_s=0.0, kind="hit", pad_id="kit/1")]
    for bank, time_s in ((2, 0.5), (3, 1.0)):
        events.append(Event(time_s=time_s, kind="bank", bank=bank))
        events.append(Event(time_s=time_s, kind="hit", pad_id="kit/1"))
    assert bank_need(sounds[:1], limits, 2.0) + tail_need(sounds[:1], limits, 2.0) == 2
    assert perform(limits, sounds, events).peak_voices == 3
