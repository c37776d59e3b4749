"""Loops on invented sounds: where they repeat exactly, roughly, or not at all."""

from __future__ import annotations

import numpy as np
import pytest

from padbank.dsp.loops import measure_seam, propose_loop
from padbank.errors import InputError

RATE = 48000
T = np.arange(3 * RATE) / RATE


def sounds():
    chord = sum(np.sin(2 * np.pi * hz * T) for hz in (220, 277.18, 329.63)) * 0.2
    beat = np.exp(-(T % 0.5) / 0.05) * np.sin(2 * np.pi * 90 * (T % 0.5))
    ends = np.minimum(1, T / 0.3) * np.where(T > 2.6, np.exp(-(T - 2.6) / 0.1), 1)
    return {
        "tone": 0.4 * np.sin(2 * np.pi * 220.3 * T),
        "chord with attack and release": chord * ends,
        "tremolo": 0.3 * np.sin(2 * np.pi * 330 * T) * (1 + 0.5 * np.sin(2 * np.pi * 4.1 * T)),
        "vibrato": 0.3 * np.sin(2 * np.pi * 440 * T + 3 * np.sin(2 * np.pi * 5.5 * T)),
        "beat": beat,
        "sides out of phase": np.stack(
            [np.sin(2 * np.pi * 200 * T), -np.sin(2 * np.pi * 200 * T)], axis=1
        ),
    }


@pytest.mark.parametrize("name", list(sounds()))
def test_proposed_seams_fit(name):
    sound = sounds()[name]
    loop = propose_loop(sound, RATE)
    assert loop is not None
    assert 0 <= loop.start_frame < loop.end_frame <= len(sound)
    assert loop.seam.step_db <= -40.0
    assert loop.seam.slope_db <= -40.0
    assert abs(loop.seam.level_jump_db) <= 0.5
    assert loop.seam == measure_seam(sound, RATE, loop.start_frame, loop.end_frame)
    # played twice, the seam is no larger a step than the sound makes by itself
    sound = sound.reshape(len(sound), -1)
    twice = np.concatenate([sound[: loop.end_frame], sound[loop.start_frame : loop.end_frame]])
    steps = np.abs(np.diff(twice, n=2, axis=0)).max(axis=1)
    at_seam = steps[loop.end_frame - 3 : loop.end_frame + 2].max()
    assert at_seam <= 1.3 * np.abs(np.diff(sound, n=2, axis=0)).max()


def test_a_beat_loops_over_whole_beats():
    loop = propose_loop(sounds()["beat"], RATE)
    assert loop is not None
    assert (loop.end_frame - loop.start_frame) % (RATE // 2) == 0


@pytest.mark.parametrize(
    "sound",
    [
        0.2 * np.random.default_rng(1).standard_normal(RATE),
        np.sin(2 * np.pi * 60 * T) * np.exp(-T / 0.1),
        np.zeros(RATE),
        np.zeros(10),
        0.5 * np.sin(2 * np.pi * 100 * T[:3000]),
    ],
    ids=["noise", "stroke", "silence", "ten frames", "too short"],
)
def test_what_does_not_repeat_gets_no_loop(sound):
    assert propose_loop(sound, RATE) is None


def test_seam_figures_by_hand():
    # A square of +-0.5 with period 8: RMS 0.5. Seam between +0.5 and -0.5: step 1.0, +6.02 dB
    square = np.tile([0.5] * 4 + [-0.5] * 4, 1000)
    fits = measure_seam(square, 8000, 800, 1600)
    assert (fits.step_db, fits.mismatch_db, fits.level_jump_db) == (-200.0, -200.0, 0.0)
    off = measure_seam(square, 8000, 804, 1600)
    assert off.step_db == pytest.approx(6.02, abs=0.01)
    assert off.mismatch_db == pytest.approx(6.02, abs=0.01)
    # after the loop's end the sound would have gone on at half its level: 6.02 dB
    halved = np.concatenate([square[:1600], 0.5 * square[1600:]])
    assert measure_seam(halved, 8000, 800, 1600).level_jump_db == pytest.approx(6.02, abs=0.01)
    # at the end of the sound, the straight run of its last two values is what would come
    ramp = np.linspace(0, 1, 101)
    assert measure_seam(ramp, 100, 0, 101).step_db == pytest.approx(
        20 * np.log10(1.01 / np.sqrt((ramp[99:] ** 2).mean())), abs=0.1
    )


def test_points_must_fit():
    with pytest.raises(InputError, match="move its points"):
        measure_seam(np.zeros(100), RATE, 50, 200)
    with pytest.raises(InputError, match="move its points"):
        measure_seam(np.zeros(100), RATE, 50, 50)
