"""Edges, roles and levels on clips that nobody here made, from package registries.

Sources: Debian's sound-theme-freedesktop, oxygen-sounds, frozen-bubble-data, lbreakout2-data and
asterisk-core-sounds-en-wav; the CC0 sounds of the PyPI wheel arcade 3.3.3; audio-lena
(npm). What each clip is follows from its package or name alone: no one listened.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from padbank.domain import Recipe
from padbank.dsp.dither import to_float
from padbank.dsp.edges import EdgeFinder
from padbank.dsp.measure import measure
from padbank.dsp.render import finish, prepare
from padbank.dsp.roles import check_roles, propose_role
from padbank.errors import PadbankError
from padbank.files.decode import read_sound

pytestmark = pytest.mark.registry

SPEECH = ("asterisk-core-sounds-en-wav",)
STROKE_NAMES = (
    "hit", "coin", "hurt", "jump", "laser", "rockHit", "error", "bell", "click", "attach",
    "reflect", "shot", "wall", "metal", "launch", "rebound", "stick", "menu_", "score", "rockhit",
)  # fmt: skip


def read(path):
    """Samples and rate of a clip of at most 30 s, or None where it is damaged or odd."""
    try:
        samples, rate = read_sound(path, max_s=30.0)
    except PadbankError:
        return None
    return (samples, rate) if len(samples) and samples.shape[1] <= 2 else None


def edges_and_role(samples, rate):
    finder = EdgeFinder(rate, samples.shape[1])
    finder.feed(samples)
    edges = finder.finish(lambda start, count: samples[start : start + count])
    return edges, propose_role(finder.envelope, edges)


def test_roles_by_name(registry_sounds):
    rows = []
    for package, paths in registry_sounds.by_package.items():
        for path in paths:
            named = any(path.stem.startswith(name) for name in STROKE_NAMES)
            spoken = package in SPEECH or path.stem.startswith("audio-channel")
            if not (spoken or named) or (sound := read(path)) is None:
                continue
            samples, rate = sound
            edges, proposal = edges_and_role(samples, rate)
            expected = "phrase" if spoken else "hit"
            if proposal.role == expected:
                reading = measure(np.zeros((1, 1)), rate)
            else:
                reading = measure(samples[edges.onset_frame : edges.end_frame], rate)
            rows.append((path.name, expected, proposal.role, reading))
    checked = check_roles(rows)
    print(
        f"{checked.clips} clips judged by name: {len(checked.misjudged)} misjudged, "
        f"{len(checked.matters)} by more than 1 LU, worst {checked.worst_lu:.1f} LU: "
        + ", ".join(checked.matters)
    )
    assert checked.clips >= 30
    assert len(checked.matters) <= 0.06 * checked.clips
    assert checked.worst_lu <= 6.0


def test_trim_and_level(registry_sounds, other_meters):
    worst_lost_db = worst_miss_lu = worst_late_s = 0.0
    worst_peak_dbtp, short, done, worst_second_lu = -200.0, 0, 0, 0.0
    for number, path in enumerate(registry_sounds.all[::9]):
        if (sound := read(path)) is None:
            continue
        samples, rate = sound
        edges, proposal = edges_and_role(samples, rate)
        if edges.silent:
            continue
        energy = np.cumsum((samples.astype(np.float64) ** 2).sum(axis=1))
        before = energy[edges.onset_frame - 1] if edges.onset_frame else 0.0
        worst_lost_db = max(worst_lost_db, -10 * np.log10(1 - before / energy[-1]))
        size = np.abs(samples - np.median(samples, axis=0)).max(axis=1)
        loud = int(np.flatnonzero(size > size.max() * 10 ** (-30 / 20))[0])
        worst_late_s = max(worst_late_s, (edges.onset_frame - loud) / rate)
        recipe = Recipe(
            role=proposal.role,
            start_s=edges.onset_frame / rate,
            end_s=edges.end_frame / rate,
            fade_in_s=edges.fade_in_frames / rate,
            fade_out_s=edges.fade_out_frames / rate,
        )
        out_rate = (48000, 44100)[number % 2]
        bits = (16, 24)[number % 3 == 0]
        clip = prepare(samples, rate, recipe, out_rate_hz=out_rate, channels=1 + number // 2 % 2)
        made = finish(
            clip,
            out_rate,
            role=proposal.role,
            target_lufs=-16.0,
            ceiling_dbtp=-1.0,
            level_rule="limit",
            limit_max_db=3.0,
            bits=bits,
            seed=path.name.encode(),
        )
        loudness = made.measurement.loudness_lufs(proposal.role)
        if loudness is None or "silence" in made.reason:
            continue
        done += 1
        short += bool(made.reason)
        worst_miss_lu = max(worst_miss_lu, abs(loudness + 16.0 + made.short_lu))
        played = to_float(made.pcm, bits)
        if played.shape[1] == 1:  # counts as played on both sides
            played = np.repeat(played, 2, axis=1)
        momentary = proposal.role == "hit" or made.measurement.integrated_lufs is None
        for second in other_meters.readings(played, out_rate, momentary=momentary).values():
            worst_second_lu = max(worst_second_lu, abs(second + 16.0 + made.short_lu))
        peak = np.abs(signal.resample_poly(played, 8, 1, axis=0)).max()
        worst_peak_dbtp = max(worst_peak_dbtp, 20 * np.log10(peak))
    print(
        f"{done} real clips: energy lost at the start {worst_lost_db:.4f} dB, level off by "
        f"{worst_miss_lu:.3f} LU (by other meters {worst_second_lu:.3f}), true peak {worst_peak_dbtp:.3f} dBTP at 8 x, {short} short"
    )
    assert done
    assert worst_lost_db <= 0.05
    assert worst_late_s <= 0.020  # nothing that reaches 30 dB under the peak is cut off
    assert worst_miss_lu <= 0.02
    assert worst_second_lu <= 0.1
    assert worst_peak_dbtp <= -0.95
