"""Level after the whole chain by meters that padbank did not write.

Loudness: the meters of ``conftest`` (BS.1770-5 written out, libebur128, pyloudnorm). True peak:
scipy.signal.resample_poly at 4 x and 8 x, and libebur128's.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from padbank.domain import Recipe
from padbank.dsp.dither import to_float
from padbank.dsp.edges import find_edges
from padbank.dsp.render import finish, prepare


def clips(rate):
    """Invented clips: strokes, a stab, speech-like syllables, a bed, clipped music, a square."""
    rng = np.random.default_rng(77)

    def t(seconds):
        return np.arange(int(seconds * rate)) / rate

    x = t(1.0)
    yield "stroke", 0.4 * rng.standard_normal(len(x)) * np.exp(-x / 0.05)
    x = t(0.25)
    yield "short click", 0.5 * rng.standard_normal(len(x)) * np.exp(-x / 0.01)
    x = t(1.5)
    yield "low drum", 0.9 * np.sin(2 * np.pi * (50 * x - 2 * np.exp(-x / 0.04))) * np.exp(-x / 0.2)
    x = t(3.5)
    voice = np.sign(np.sin(2 * np.pi * 120 * x)) * np.maximum(0, np.sin(2 * np.pi * 3 * x)) ** 2
    yield "syllables", 0.2 * signal.lfilter([1], [1, -0.9], voice) * (x % 1.3 < 0.9)
    x = t(3.2)
    yield "bed", 0.05 * rng.standard_normal(len(x)) + 0.1 * np.sin(2 * np.pi * 220 * x)
    music = 3 * np.sin(2 * np.pi * 110 * x) * (1 + np.sin(2 * np.pi * 2 * x)) + np.sin(
        2 * np.pi * 1234 * x
    )
    yield "clipped music", np.clip(music, -1, 1)
    x = t(1.0)
    yield "square near Nyquist", np.sign(np.sin(2 * np.pi * 0.49 * rate * x + 0.1)) * 0.5
    yield "very soft tone", 10 ** (-58 / 20) * np.sin(2 * np.pi * 500 * x)


@pytest.mark.parametrize(
    ("source_rate", "bits", "rule"),
    [(44100, 16, "limit"), (22050, 24, "short"), (48000, 24, "limit")],
)
def test_every_clip_meets_its_target_or_says_by_how_much(source_rate, bits, rule, other_meters):
    lines = []
    for name, mono in clips(source_rate):
        for role in ("hit", "phrase"):
            samples = mono[:, None].astype(np.float32)
            edges = find_edges(samples, source_rate)
            recipe = Recipe(
                role=role,
                start_s=edges.onset_frame / source_rate,
                end_s=edges.end_frame / source_rate,
                fade_in_s=edges.fade_in_frames / source_rate,
                fade_out_s=edges.fade_out_frames / source_rate,
            )
            clip = prepare(samples, source_rate, recipe, out_rate_hz=48000, channels=1)
            made = finish(
                clip,
                48000,
                role=role,
                target_lufs=-16.0,
                ceiling_dbtp=-1.0,
                level_rule=rule,
                limit_max_db=3.0,
                bits=bits,
                seed=name.encode(),
            )
            played = np.repeat(to_float(made.pcm, bits), 2, axis=1)
            momentary = role == "hit" or len(played) < 19_200
            wanted = -16.0 - made.short_lu
            readings = other_meters.readings(played, 48000, momentary=momentary)
            for meter, reading in readings.items():
                assert reading == pytest.approx(wanted, abs=0.03), (name, role, meter)
            second = readings["written out"]
            assert made.measurement.loudness_lufs(role) == pytest.approx(wanted, abs=0.02)
            assert (made.short_lu > 0.05) == bool(made.reason)
            for factor in (4, 8):
                peak = np.abs(signal.resample_poly(played[:, 0], factor, 1)).max()
                assert 20 * np.log10(peak) <= -1.0 + 0.05, (name, role, factor)
            assert made.limited_db <= (3.2 if rule == "limit" else 0.0)
            lines.append(
                f"{name:<20}{role:<8}{second:8.3f} LUFS {20 * np.log10(peak):7.2f} dBTP  gain "
                f"{made.gain_db:6.2f} limited {made.limited_db:5.2f} short {made.short_lu:5.2f}"
            )
    print("\n".join(lines))


def phrase_at_minus_18(mono):
    """A 48 kHz clip through the whole chain, and what both sides play of it."""
    clip = prepare(mono, 48000, Recipe(), out_rate_hz=48000, channels=1)
    made = finish(
        clip,
        48000,
        role="phrase",
        target_lufs=-18.0,
        ceiling_dbtp=-1.0,
        level_rule="limit",
        limit_max_db=3.0,
        bits=16,
        seed=b"x",
    )
    played = np.repeat(to_float(made.pcm, 16), 2, axis=1)
    return made, played


def test_libebur128_agrees():
    pyebur128 = pytest.importorskip("pyebur128", reason="libebur128 is only for comparing")
    for name, mono in clips(48000):
        if name in ("short click", "stroke"):
            continue
        made, played = phrase_at_minus_18(mono)
        mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
        state = pyebur128.R128State(2, 48000, mode)
        state.add_frames(np.ascontiguousarray(played.reshape(-1)), len(played))
        loudness = pyebur128.get_loudness_global(state)
        assert loudness == pytest.approx(-18.0 - made.short_lu, abs=0.05), name
        peak = 20 * np.log10(pyebur128.get_true_peak(state, 0))
        assert peak <= -1.0 + 0.2, name  # its 49-tap 4 x filter over-reads by up to 0.2 dB


def test_the_loudest_second_of_what_is_written(other_meters):
    for name, mono in clips(48000):
        made, played = phrase_at_minus_18(mono)
        assert made.loudest_second_lufs == pytest.approx(
            other_meters.loudest_window_lufs(played, 48_000), abs=0.02
        ), name
