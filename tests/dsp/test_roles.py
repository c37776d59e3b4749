"""The role rule on invented sounds of which nobody would doubt what they are."""

from __future__ import annotations

import numpy as np
import pytest

from padbank.domain import Measurement
from padbank.dsp.measure import measure
from padbank.dsp.roles import check_roles, propose_role_of, role_difference_lu

RATE = 44100


def t(seconds):
    return np.arange(int(seconds * RATE)) / RATE


def strokes():
    rng = np.random.default_rng(3)
    x = t(1.5)
    kick = np.sin(2 * np.pi * (50 * x - 2 * np.exp(-x / 0.03))) * np.exp(-x / 0.15)
    yield "low drum", kick
    yield "low drum after silence and noise", np.concatenate(
        [np.zeros(RATE // 3), 0.5 * kick]
    ) + 10 ** (-65 / 20) * rng.standard_normal(RATE // 3 + len(kick))
    yield "rattle", rng.standard_normal(len(x)) * np.exp(-x / 0.08)
    yield "ringing metal", sum(
        np.sin(2 * np.pi * hz * x) for hz in (523, 1277, 2210)
    ) * np.exp(-x / 0.25)
    yield "chord stab", sum(
        np.sign(np.sin(2 * np.pi * hz * x)) for hz in (110, 138.6, 164.8)
    ) * np.exp(-x / 0.12)
    x = t(3)
    yield "clap in a hall", rng.standard_normal(len(x)) * (
        np.exp(-x / 0.03) + 0.05 * 10 ** (-3 * x / 1.5)
    )
    yield "click", np.concatenate([np.zeros(100), [0.9, -0.7, 0.3], np.zeros(100)])


def phrases():
    rng = np.random.default_rng(4)
    x = t(2.5)
    syllables = np.maximum(0, np.sin(2 * np.pi * 3.5 * x)) ** 1.5
    yield "syllables", np.sign(np.sin(2 * np.pi * 130 * x)) * syllables
    x = t(0.7)
    vowel = np.minimum(1, x / 0.15) * np.exp(-np.maximum(0, x - 0.3) / 0.08)
    yield "one spoken word", np.sign(np.sin(2 * np.pi * 130 * x)) * vowel
    x = t(6)
    yield "bed", 0.1 * rng.standard_normal(len(x))
    yield "chords", np.sin(2 * np.pi * 220 * x) * (0.5 + 0.5 * np.exp(-(x % 1.5) / 0.4))
    x = t(2)
    yield "beat", rng.standard_normal(len(x)) * np.exp(-(x % 0.5) / 0.04)
    x = t(1)
    yield "two knocks", rng.standard_normal(len(x)) * np.exp(-(x % 0.2) / 0.02) * (x < 0.4)
    yield "swell", np.sin(2 * np.pi * 300 * x) * x**2


@pytest.mark.parametrize("name", [name for name, _ in strokes()])
def test_strokes_are_hits(name):
    proposal = propose_role_of(dict(strokes())[name] * 0.3, RATE)
    assert proposal.role == "hit", proposal.reason
    assert "one stroke" in proposal.reason


@pytest.mark.parametrize("name", [name for name, _ in phrases()])
def test_what_goes_on_is_a_phrase(name):
    proposal = propose_role_of(dict(phrases())[name] * 0.3, RATE)
    assert proposal.role == "phrase", proposal.reason
    assert proposal.reason


def test_level_and_channels_do_not_matter():
    for maker in (strokes, phrases):
        for _, sound in maker():
            one = propose_role_of(sound * 0.3, RATE).role
            assert propose_role_of(sound * 0.01, RATE).role == one
            both = np.stack([sound * 0.3, sound * 0.1], axis=1)
            assert propose_role_of(both, RATE).role == one


def test_what_cannot_be_judged_is_a_phrase():
    for sound in (np.zeros((1000, 1)), np.zeros((0, 2))):
        assert propose_role_of(sound, RATE).role == "phrase"


def test_a_wrong_role_costs_the_difference_of_its_figures():
    # One second: 0.1 s of tone, then silence. Momentary: a quarter of 400 ms, -6.02; integrated
    # gates the silence away but averages over blocks that hold less of it, so it is lower
    sound = np.zeros((RATE, 1))
    sound[: RATE // 10, 0] = 0.5 * np.sin(2 * np.pi * 997 * t(0.1)[: RATE // 10])
    reading = measure(sound, RATE)
    difference = role_difference_lu(reading)
    assert reading.momentary_max_lufs == pytest.approx(-3.01 - 6.02 - 6.02, abs=0.1)
    assert difference == pytest.approx(
        reading.momentary_max_lufs - reading.integrated_lufs, abs=1e-9
    )
    short = measure(sound[: RATE // 4], RATE)
    assert role_difference_lu(short) == 0.0  # under 400 ms both roles read the same


def test_the_check_counts_what_matters():
    def reading(integrated, momentary):
        return Measurement(
            frames=1,
            sample_rate_hz=RATE,
            channels=1,
            integrated_lufs=integrated,
            momentary_max_lufs=momentary,
            short_term_max_lufs=None,
            loudness_range_lu=None,
            true_peak_dbtp=-1.0,
            sample_peak_dbfs=-1.0,
            method="by hand",
        )

    made = check_roles(
        [
            ("right", "hit", "hit", reading(-20.0, -10.0)),
            ("wrong and heard", "phrase", "hit", reading(-20.0, -17.0)),
            ("wrong, not heard", "phrase", "hit", reading(-20.0, -19.5)),
            ("short", "hit", "phrase", reading(None, -19.5)),
        ]
    )
    assert made.clips == 4
    assert made.misjudged == ("wrong and heard", "wrong, not heard", "short")
    assert made.matters == ("wrong and heard",)
    assert made.worst_lu == 3.0
