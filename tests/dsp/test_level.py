"""The level rules in numbers: expectations are worked out by hand in each test."""

from __future__ import annotations

import pytest

from padbank.domain import Measurement, Recipe, Segment, Show
from padbank.dsp.level import (
    EvenClip,
    clip_target_lufs,
    even_target,
    plan_level,
)
from padbank.errors import InputError


def reading(integrated, momentary, peak, frames=48000):
    return Measurement(
        frames=frames,
        sample_rate_hz=48000,
        channels=2,
        integrated_lufs=integrated,
        momentary_max_lufs=momentary,
        short_term_max_lufs=None,
        loudness_range_lu=None,
        true_peak_dbtp=peak,
        sample_peak_dbfs=peak,
        method="by hand",
    )


def plan(measurement, rule="limit", role="phrase", target=-16.0, most=3.0):
    return plan_level(
        measurement,
        role=role,
        target_lufs=target,
        ceiling_dbtp=-1.0,
        level_rule=rule,
        limit_max_db=most,
    )


def test_a_clip_that_has_room_is_simply_raised():
    made = plan(reading(-23.0, -20.0, -9.0))
    assert made.gain_db == pytest.approx(7.0)  # -16 - -23
    assert made.peak_allows_db == pytest.approx(8.0)  # -1 - -9
    assert (made.limiting_db, made.short_lu, made.reason) == (0.0, 0.0, "")
    assert made.after_lufs == -16.0
    assert made.after_dbtp == pytest.approx(-2.0)


def test_the_role_picks_the_figure():
    assert plan(reading(-23.0, -20.0, -9.0), role="hit").gain_db == pytest.approx(4.0)
    assert plan(reading(None, -20.0, -9.0)).gain_db == pytest.approx(4.0)  # under 400 ms


def test_limit_goes_so_far_and_then_says_short():
    near = plan(reading(-20.0, -18.0, -3.0))  # wants 4, peak allows 2: limit 2
    assert (near.gain_db, near.limiting_db, near.short_lu) == pytest.approx((4.0, 2.0, 0.0))
    far = plan(reading(-26.0, -20.0, -3.0))  # wants 10, allows 2 + 3: 5 short
    assert (far.gain_db, far.limiting_db, far.short_lu) == pytest.approx((5.0, 3.0, 5.0))
    assert "5.0 LU short" in far.reason
    assert "3.0 dB" in far.reason


def test_short_never_limits():
    made = plan(reading(-20.0, -18.0, -3.0), rule="short")
    assert (made.gain_db, made.limiting_db, made.short_lu) == pytest.approx((2.0, 0.0, 2.0))
    assert "−1.0 dBTP" in made.reason


def test_a_peak_above_the_ceiling_is_brought_down_even_without_gain():
    made = plan(reading(-16.0, -12.0, 1.0), rule="short")  # at its target, peak 2 dB over
    assert (made.gain_db, made.short_lu) == pytest.approx((-2.0, 2.0))
    made = plan(reading(-16.0, -12.0, 1.0))
    assert (made.gain_db, made.limiting_db) == pytest.approx((0.0, 2.0))


def test_a_hair_of_gain_is_none():
    assert plan(reading(-16.01, -12.0, -3.0)).gain_db == 0.0


@pytest.mark.parametrize(
    ("measurement", "words"),
    [(reading(None, None, None), "silent"), (reading(None, -75.0, -60.0), "taken as silence")],
)
def test_silence_gets_no_gain_and_a_reason(measurement, words):
    made = plan(measurement)
    assert made.gain_db == 0.0
    assert words in made.reason
    assert made.after_lufs is None


def test_even_finds_the_loudest_target_that_all_reach():
    clips = [
        EvenClip(name="bed", measurement=reading(-23.0, -20.0, -9.0), role="phrase"),  # -15
        EvenClip(name="word", measurement=reading(-26.0, -24.0, -6.0), role="phrase"),  # -21
        EvenClip(name="snare", measurement=reading(-24.0, -18.0, -1.0), role="hit"),  # -18
        EvenClip(name="hush", measurement=reading(None, None, None), role="phrase"),
    ]
    even = even_target(clips, target_lufs=-16.0, ceiling_dbtp=-1.0)
    assert even.reachable_lufs == pytest.approx(-21.0)
    assert even.target_lufs == pytest.approx(-21.0)
    assert even.set_by == "word"
    assert even.without_clip_lufs == pytest.approx(-18.0)
    for clip in clips[:3]:
        made = plan(clip.measurement, rule="even", role=clip.role, target=even.target_lufs)
        assert (made.short_lu, made.limiting_db) == pytest.approx((0.0, 0.0), abs=0.011)
    limited = even_target(clips, target_lufs=-16.0, ceiling_dbtp=-1.0, limit_max_db=3.0)
    assert limited.reachable_lufs == pytest.approx(-18.0)


def test_even_minds_offsets_and_never_raises_the_target():
    # A clip that is meant to be 4 LU above the show needs 4 LU more room: -15 - 4
    loud = EvenClip(
        name="shout", measurement=reading(-23.0, -20.0, -9.0), role="phrase", offset_lu=4.0
    )
    assert even_target([loud], target_lufs=-16.0, ceiling_dbtp=-1.0).target_lufs == -19.0
    roomy = EvenClip(name="pad", measurement=reading(-30.0, -28.0, -25.0), role="phrase")
    found = even_target([roomy], target_lufs=-16.0, ceiling_dbtp=-1.0)
    assert (found.target_lufs, found.reachable_lufs) == (-16.0, -6.0)
    nothing = even_target([], target_lufs=-16.0, ceiling_dbtp=-1.0)
    assert (nothing.target_lufs, nothing.reachable_lufs, nothing.set_by) == (-16.0, None, None)


def test_clip_target_adds_the_offsets():
    show = Show(name="s", rig="r", segments=(Segment(name="a"),), hit_offset_lu=-2.0)
    assert clip_target_lufs(show, Recipe(role="hit", level_offset_lu=1.5)) == -16.5
    assert clip_target_lufs(show, Recipe(role="phrase")) == -16.0


def test_an_unknown_rule_is_refused():
    with pytest.raises(InputError, match="'short', 'limit' or 'even'"):
        plan(reading(-20.0, -18.0, -3.0), rule="louder")
