"""From recipe to integers: trims, fades, cuts, levels, and what must stay bit for bit."""

from __future__ import annotations

import hashlib
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from padbank.domain import Recipe
from padbank.dsp.dither import to_float
from padbank.dsp.drive import on_gain_grid
from padbank.dsp.level import EvenClip, even_target
from padbank.dsp.measure import measure
from padbank.dsp.render import (
    CUT_STEP_DBFS,
    fade_curve,
    finish,
    loop_frames,
    prepare,
    prepare_blocks,
)
from padbank.errors import InputError

RATE = 48000


def finished(prepared, rate=RATE, **changes):
    settings = {
        "role": "phrase",
        "target_lufs": -16.0,
        "ceiling_dbtp": -1.0,
        "level_rule": "limit",
        "limit_max_db": 3.0,
        "bits": 16,
        "seed": b"test",
    }
    return finish(prepared, rate, **{**settings, **changes})


def prepared(samples, rate=RATE, *, out=RATE, channels=1, offset_s=0.0, **recipe):
    return prepare(
        samples, rate, Recipe(**recipe), out_rate_hz=out, channels=channels, offset_s=offset_s
    )


def struck(seconds=1.0, decay_s=0.08, seed=1, rate=RATE):
    """A made-up stroke: noise that dies away."""
    t = np.arange(int(seconds * rate)) / rate
    noise = np.random.default_rng(seed).standard_normal(len(t))
    return (0.2 * noise * np.exp(-t / decay_s))[:, None]


def tone(seconds=1.0, amplitude=0.25, hz=997.0, rate=RATE):
    return (amplitude * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate))[:, None]


# ---------------------------------------------------------------- prepare


def test_an_empty_recipe_changes_nothing():
    sound = np.random.default_rng(0).uniform(-1, 1, (1000, 2)).astype(np.float32)
    assert np.array_equal(prepared(sound, channels=2), sound.astype(np.float64))


def test_trim_is_exact_to_the_frame():
    sound = np.zeros((RATE, 1))
    sound[1000:2000] = np.arange(1000)[:, None] * 1e-9  # soft enough to need no fade
    out = prepared(sound, start_s=1000 / RATE, end_s=2000 / RATE)
    assert np.array_equal(out, sound[1000:2000])
    part = prepared(sound[500:], start_s=1000 / RATE, end_s=2000 / RATE, offset_s=500 / RATE)
    assert np.array_equal(part, out)


def test_channel_choices():
    left, right = np.full(100, 0.5), np.full(100, -0.1)
    stereo = np.stack([left, right], axis=1)
    assert np.allclose(prepared(stereo, channels=1)[:, 0], 0.2)
    assert np.allclose(prepared(stereo, channels=2), stereo)
    for choice, expected in (("left", 0.5), ("right", -0.1), ("mono", 0.2)):
        for width in (1, 2):
            out = prepare(
                stereo, RATE, Recipe(channels=choice), out_rate_hz=RATE, channels=width
            )
            assert out.shape == (100, width)
            assert np.allclose(out, expected)
    mono = left[:, None]
    assert np.allclose(prepared(mono, channels=2), 0.5)
    # BS.775: L + 0.7071 C + 0.7071 Ls, L R C LFE Ls Rs
    six = np.tile(np.array([0.1, 0.2, 0.3, 0.9, 0.05, 0.04]), (10, 1))
    folded = prepared(six, channels=2)[0]
    assert folded == pytest.approx([0.1 + 0.7071 * 0.35, 0.2 + 0.7071 * 0.34])


@pytest.mark.parametrize("out_rate", [RATE, 44100])
@pytest.mark.parametrize("block", [1, 97, 4096])
def test_blocks_do_not_show(block, out_rate):
    sound = np.random.default_rng(8).uniform(-1, 1, (9000, 2))
    for recipe in (
        Recipe(),
        Recipe(start_s=0.01, end_s=0.15),
        Recipe(start_s=0.01, end_s=0.015, channels="left"),
        Recipe(start_s=0.02, fade_in_s=0.05, fade_out_s=0.08),
        Recipe(start_s=0.02, end_s=0.05, fade_in_s=0.05, fade_out_s=0.08, play_mode="loop"),
    ):
        whole = prepare(sound, RATE, recipe, out_rate_hz=out_rate, channels=2)
        blocks = (sound[first : first + block] for first in range(0, len(sound), block))
        parts = prepare_blocks(blocks, RATE, recipe, out_rate_hz=out_rate, channels=2)
        assert np.array_equal(np.concatenate(list(parts)), whole)


@pytest.mark.parametrize("target_lufs", [-40.0, -12.0])
def test_a_long_clip_gets_the_bytes_of_a_short_one(target_lufs, monkeypatch):
    # the pieces of a long clip made very short: the same integers
    clip = np.concatenate([struck(seed=seed) for seed in range(3)])
    whole = finished(clip, target_lufs=target_lufs, limit_max_db=12.0)
    monkeypatch.setattr("padbank.dsp.sound.PIECE_FRAMES", 5003)
    monkeypatch.setattr("padbank.dsp.drive.PIECE_FRAMES", 4001)
    monkeypatch.setattr("padbank.dsp.limiter.SEGMENT_STEPS", 1200)
    parts = finished(clip, target_lufs=target_lufs, limit_max_db=12.0)
    assert np.abs(parts.pcm - whole.pcm).max() <= 1
    assert (parts.pcm != whole.pcm).mean() <= 1e-4
    assert parts.gain_db == pytest.approx(whole.gain_db, abs=1e-4)
    assert (whole.limited_db > 0) == (target_lufs > -20)


def test_fades_are_raised_cosine_and_shown():
    ones = np.ones((1000, 1))
    out = prepared(ones, fade_in_s=480 / RATE, fade_out_s=240 / RATE)[:, 0]
    k = (np.arange(480) + 0.5) / 480
    assert np.allclose(out[:480], 0.5 - 0.5 * np.cos(np.pi * k))
    assert np.allclose(out[480:760], 1.0)
    assert np.allclose(out[760:], fade_curve(240)[::-1])
    assert np.all(np.diff(fade_curve(50)) > 0)
    # too long for the clip: shared in proportion, never an error
    short = prepared(np.ones((90, 1)), fade_in_s=200 / RATE, fade_out_s=100 / RATE)
    assert short.shape == (90, 1)
    assert short.max() <= 1.0


@pytest.mark.parametrize("hz", [40, 997, 9000])
@pytest.mark.parametrize("start", [1000, 1013, 1029])
def test_cuts_never_click(hz, start):
    # Bound: at a cut the first and last frame lie 60 dB below the sound there, or under -66 dBFS
    sound = tone(1.0, 0.9, hz)
    out = prepared(sound, start_s=start / RATE, end_s=(start + 20_000) / RATE)
    bound = max(0.9 * 1e-3, 10 ** (CUT_STEP_DBFS / 20))
    assert abs(out[0, 0]) <= bound
    assert abs(out[-1, 0]) <= bound
    lost = 10 * np.log10((out**2).sum() / (sound[start : start + 20_000] ** 2).sum())
    assert lost > -0.05


def test_own_edges_and_loops_are_left_alone():
    sound = tone(0.5, 0.9) + 0.05
    assert np.array_equal(prepared(sound), sound)  # the original's own beginning and end
    loop = prepared(sound, start_s=0.1, end_s=0.2, play_mode="loop")
    assert np.array_equal(loop, sound[4800:9600])


@pytest.mark.parametrize("out", [44100, 22050, 96000])
@pytest.mark.parametrize("loop", [None, (0.2, 1.0), (0.0, 0.7)])
def test_a_loop_s_seam_survives_resampling(out, loop):
    # whole periods of 200 and 310 Hz in 0.1 s: the sound repeats exactly
    t = np.arange(RATE) / RATE
    sound = (0.4 * np.cos(2 * np.pi * 200 * t) + 0.3 * np.cos(2 * np.pi * 310 * t))[:, None]
    points = {} if loop is None else {"loop_start_s": loop[0], "loop_end_s": loop[1]}
    recipe = Recipe(play_mode="loop", **points)
    made = prepare(sound, RATE, recipe, out_rate_hz=out, channels=1)
    first, last = loop_frames(recipe, out, len(made)) or (0, len(made))
    assert len(made) == out
    at = np.arange(first, last + 40)
    played = made[np.where(at < last, at, at - last + first), 0]
    expected = 0.4 * np.cos(2 * np.pi * 200 * at / out) + 0.3 * np.cos(2 * np.pi * 310 * at / out)
    inner = slice(200 if first == 0 and loop else 0, None)  # beside silence the filter rings
    assert np.abs(played - expected)[inner][-400:].max() <= 1e-4


@pytest.mark.parametrize(("frames", "out"), [(44_123, 48000), (20_011, 48000), (30_001, 22050)])
def test_a_loop_becomes_a_whole_number_of_frames(frames, out):
    # 100 and 37 whole periods in the loop, whose length is no whole number at the new rate
    turn = np.arange(frames) / frames
    sound = (0.4 * np.cos(2 * np.pi * 100 * turn) + 0.3 * np.sin(2 * np.pi * 37 * turn))[:, None]
    made = prepare(sound, 44100, Recipe(play_mode="loop"), out_rate_hz=out, channels=1)[:, 0]
    assert len(made) == int(frames * out / 44100 + 0.5)
    played = np.tile(made, 3)
    spectrum = np.abs(np.fft.rfft(played))
    # nothing but the two tones: a seam would sound at every multiple of the loop's own rate
    tones = [3 * 37, 3 * 100]
    spectrum_db = 20 * np.log10(spectrum / spectrum.max() + 1e-12)
    assert np.argsort(spectrum)[-2:].tolist() == tones
    spectrum_db[tones] = -200
    assert spectrum_db.max() <= -90.0


def test_faults_name_what_to_move():
    with pytest.raises(InputError, match="already ended"):
        prepared(tone(0.1), start_s=0.2)
    with pytest.raises(InputError, match="read it from there"):
        prepared(tone(0.1), start_s=0.0, offset_s=0.05)
    with pytest.raises(InputError, match="use 1 or 2"):
        prepare(tone(0.1), RATE, Recipe(), out_rate_hz=RATE, channels=3)
    with pytest.raises(InputError, match="nothing is left"):
        finished(np.zeros((0, 1)))
    with pytest.raises(InputError):
        finished(np.array([[0.1], [np.nan]] * 100))


def test_loop_points_move_with_the_trim_and_the_rate():
    recipe = Recipe(start_s=0.5, loop_start_s=1.0, loop_end_s=2.0)
    assert loop_frames(recipe, 44100, 200_000) == (22050, 66150)
    assert loop_frames(recipe, 44100, 50_000) == (22050, 50_000)
    assert loop_frames(Recipe(), 44100, 1000) is None


# ---------------------------------------------------------------- finish


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("role", ["hit", "phrase"])
@pytest.mark.parametrize("rate", [44100, 48000])
def test_target_is_met_after_the_whole_chain(bits, role, rate):
    for sound in (struck(), struck(2.0, 0.3), tone(1.0, 0.02), tone(0.3, 0.4), struck(0.2, 0.06)):
        clip = prepare(sound, RATE, Recipe(role=role), out_rate_hz=rate, channels=1)
        made = finished(clip, rate, role=role, bits=bits, limit_max_db=24.0)
        assert made.measurement.loudness_lufs(role) == pytest.approx(-16.0, abs=0.02)
        assert made.short_lu == 0.0
        peak = np.abs(signal.resample_poly(to_float(made.pcm, bits), 8, 1, axis=0)).max()
        assert 20 * np.log10(peak) <= -1.0 + 0.05
        assert made.pcm.dtype == np.int32
        assert made.dithered


def test_short_says_by_how_much():
    clip = struck()
    short = finished(clip, level_rule="short")
    assert short.limited_db == 0.0
    assert short.short_lu == pytest.approx(-16.0 - short.measurement.integrated_lufs, abs=1e-9)
    assert f"{short.short_lu:.1f} LU short" in short.reason
    limited = finished(clip, limit_max_db=3.0)
    assert 2.9 <= limited.limited_db <= 3.15
    assert 0.0 < limited.short_lu < short.short_lu
    assert "limiter" in limited.reason
    whole = finished(clip, limit_max_db=20.0)
    assert (whole.short_lu, whole.reason) == (0.0, "")


def test_mono_counts_on_both_sides_when_played_so():
    # +3.01 LU: BS.1770-5 eq. 2 sums the channels' mean squares
    both = finished(tone(), target_lufs=-20.0)
    one = finished(tone(), target_lufs=-20.0, as_played=False)
    assert one.gain_db - both.gain_db == pytest.approx(3.0103, abs=0.001)
    stereo = measure(np.repeat(to_float(both.pcm, 16), 2, axis=1), RATE)
    assert stereo.integrated_lufs == pytest.approx(-20.0, abs=0.02)


def test_silence_gets_no_gain_and_no_dither():
    made = finished(np.zeros((RATE, 1)))
    assert not made.pcm.any()
    assert (made.gain_db, made.dithered) == (0.0, False)
    assert "silent" in made.reason
    faint = finished(tone(1.0, 1e-5))
    assert faint.gain_db == 0.0
    assert "taken as silence" in faint.reason


@pytest.mark.parametrize("bits", [16, 24])
def test_a_finished_clip_passes_bit_for_bit(bits):
    first = finished(struck(), bits=bits, limit_max_db=20.0, seed=b"first")
    again = finished(to_float(first.pcm, bits), bits=bits, limit_max_db=20.0, seed=b"other")
    assert np.array_equal(again.pcm, first.pcm)
    assert (again.gain_db, again.limited_db, again.dithered) == (0.0, 0.0, False)
    # fewer bits than the source has: rounding changes it, so it is dithered
    if bits == 24:
        fewer = finished(to_float(first.pcm, 24), bits=16, limit_max_db=20.0)
        assert fewer.dithered


def test_same_bytes_in_another_process():
    code = """
import hashlib, numpy as np
from padbank.domain import Recipe
from padbank.dsp.render import prepare, finish
t = np.arange(30000) / 44100
x = (0.3 * np.sin(2 * np.pi * 220 * t * (1 + t)) * np.exp(-t / 0.05))[:, None]
p = prepare(x, 44100, Recipe(role="hit"), out_rate_hz=48000, channels=2)
r = finish(p, 48000, role="hit", target_lufs=-10, ceiling_dbtp=-1, level_rule="limit",
           limit_max_db=6, bits=24, seed=b"two processes")
assert r.limited_db > 0
print(hashlib.sha256(r.pcm.tobytes()).hexdigest())
"""
    digests = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout
        for _ in range(1)
    }
    space: dict[str, object] = {"print": lambda text: digests.add(text + "\n")}
    exec(code, space)
    assert len(digests) == 1
    assert hashlib.sha256(b"").hexdigest() + "\n" not in digests


@pytest.mark.parametrize("bits", [16, 24])
def test_noise_of_the_whole_chain_is_a_quarter_lsb_squared(bits):
    # what the file holds less the exact sound times its gain: dither and rounding, LSB^2/4 within 2 %
    clip = np.concatenate([tone(2.0, 0.02), struck(), tone(2.0, 0.001, 3000.0)])
    made = finished(clip, bits=bits, target_lufs=-30.0)
    assert made.limited_db == 0.0
    assert made.dithered
    error = made.pcm - clip * on_gain_grid(made.gain_db) * 2.0 ** (bits - 1)
    assert float((error**2).mean()) == pytest.approx(0.25, rel=0.02)
    assert abs(float(error.mean())) < 0.01


def test_stereo_keeps_its_balance():
    sound = np.concatenate([tone(1.0, 0.2), tone(1.0, 0.05, 800.0)], axis=1)
    made = to_float(finished(prepared(sound, channels=2), bits=24).pcm, 24)
    before = (sound**2).mean(axis=0)
    after = (made**2).mean(axis=0)
    assert after[0] / after[1] == pytest.approx(before[0] / before[1], rel=1e-5)


def test_even_leaves_nothing_short():
    sounds = {f"stroke {n}": struck(seed=n) * 10 ** (-n / 20) for n in range(4)}
    sounds |= {"low": tone(1.0, 0.3, 80.0), "bright": tone(1.0, 0.2, 11_000.0)}
    readings = [
        EvenClip(name=name, measurement=measure(sound, RATE, as_played=True), role="phrase")
        for name, sound in sounds.items()
    ]
    even = even_target(readings, target_lufs=-10.0, ceiling_dbtp=-1.0)
    assert even.target_lufs < -10.0
    for out in (RATE, 44100):
        for name, sound in sounds.items():
            clip = prepare(sound, RATE, Recipe(), out_rate_hz=out, channels=1)
            made = finished(clip, out, level_rule="even", target_lufs=even.target_lufs)
            assert made.measurement.integrated_lufs == pytest.approx(
                even.target_lufs, abs=0.02
            ), name
            assert made.limited_db <= 0.35
            assert made.reason == ""


@settings(max_examples=50, deadline=None)
@given(
    frames=st.sampled_from([1, 2, 3, 10, 50, 400, 3000, 12_000]),
    rates=st.tuples(
        st.sampled_from([8000, 11_025, 44_100, 96_000]), st.sampled_from([22_050, 44_100, 48_000])
    ),
    channels=st.tuples(st.integers(1, 2), st.integers(1, 2)),
    kind=st.sampled_from(["noise", "decay", "square", "constant", "lone frame"]),
    level_db=st.floats(-110, 12),
    role=st.sampled_from(["hit", "phrase"]),
    rule=st.sampled_from(["limit", "short", "even"]),
    bits=st.sampled_from([16, 24]),
)
def test_whatever_comes_in_level_and_ceiling_hold(
    frames, rates, channels, kind, level_db, role, rule, bits
):
    rng = np.random.default_rng(frames)
    sound = rng.standard_normal((frames, channels[0]))
    if kind == "decay":
        sound *= np.exp(-np.arange(frames) / (0.02 * rates[0]))[:, None]
    elif kind == "square":
        sound = np.sign(sound)
    elif kind == "constant":
        sound[:] = 1.0
    elif kind == "lone frame":
        sound[:] = 0.0
        sound[frames // 3] = 1.0
    sound *= 10 ** (level_db / 20)
    try:
        clip = prepare(
            sound, rates[0], Recipe(role=role), out_rate_hz=rates[1], channels=channels[1]
        )
    except InputError as error:
        assert "lengthen" in str(error)  # shorter than one frame at the new rate
        return
    made = finished(clip, rates[1], role=role, level_rule=rule, bits=bits)
    loudness = made.measurement.loudness_lufs(role)
    if loudness is None or "silen" in made.reason:
        assert made.gain_db == 0.0
        return
    assert loudness + made.short_lu == pytest.approx(-16.0, abs=0.02)
    peak = np.abs(signal.resample_poly(to_float(made.pcm, bits), 8, 1, axis=0)).max()
    assert 20 * np.log10(peak) <= -0.95
