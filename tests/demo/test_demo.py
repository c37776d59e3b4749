"""The demo's files: what they hold, that they are what the table says, and the same every time."""

from __future__ import annotations

import hashlib
import time
import wave
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from padbank.demo import music, synth
from padbank.demo.scenario import CLIPS, REEL, clip_sound, write_demo
from padbank.domain import Recipe
from padbank.errors import DecodeError, InputError
from padbank.files.decode import read_sound
from padbank.files.rigfile import load_rig
from padbank.files.showfile import load_show
from padbank.layout.rigcheck import check_rig
from padbank.layout.showcheck import check_show

PLAN = {clip.name: clip for clip in CLIPS}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    began_s = time.process_time()
    files = write_demo(tmp_path_factory.mktemp("demo"))
    assert time.process_time() - began_s < 30  # 4 s on the machine it was written on
    return files


def hashes(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_there_are_enough_clips_of_every_kind(demo):
    assert len(demo.clips) >= 44
    forms = {clip.form for clip in CLIPS}
    assert forms >= {"wav16", "wav24", "wavfloat", "flac", "ogg", "mp3", "m4a", "mp4"}
    assert {clip.rate_hz for clip in CLIPS} >= {8000, 22050, 32000, 44100, 48000, 96000}
    assert {clip_sound(PLAN[name]).ndim for name in ("rim-click", "waves-loop")} == {1, 2}
    assert [path.stem for path, _, licence in demo.clips if licence is None] == ["borrowed-shanty"]
    for path, tags, _ in demo.clips:
        assert path.is_file() and tags
    assert len({path.stem for path, _, _ in demo.clips}) == len(demo.clips)


def test_the_same_bytes_in_a_second_run(demo, tmp_path):
    write_demo(tmp_path)
    assert hashes(tmp_path) == hashes(demo.clips[0][0].parent.parent)


@pytest.mark.parametrize("clip", [c for c in CLIPS if c.keep_share == 1], ids=lambda c: c.name)
def test_each_file_decodes_to_what_was_synthesised(demo, clip):
    path = next(path for path, _, _ in demo.clips if path.stem == clip.name)
    samples, rate_hz = read_sound(path)
    made = clip_sound(clip)
    made = np.clip(made.reshape(len(made), -1), -1, 1) if clip.form != "wavfloat" else made.reshape(len(made), -1)
    assert rate_hz == clip.rate_hz
    assert samples.shape[1] == made.shape[1]
    if clip.form.startswith(("wav", "flac")):
        step = {"wav16": 2**-15, "flac": 2**-15, "wav24": 2**-23, "flac24": 2**-23}.get(clip.form, 1e-6)
        assert samples.shape == made.shape
        assert np.max(np.abs(samples - made)) <= 1.01 * step
        return
    # Lossy: the length within two codec frames, the energy in 50 ms steps close.
    assert abs(len(samples) - len(made)) <= 2 * 2048
    n = min(len(samples), len(made)) // 16
    energy = [float(np.sqrt(np.mean(x[: 16 * n].reshape(16, -1) ** 2))) for x in (samples, made)]
    assert energy[0] == pytest.approx(energy[1], rel=0.15)


def test_wavs_are_readable_by_the_standard_library(demo):
    for path, _, _ in demo.clips:
        if PLAN[path.stem].form in ("wav16", "wav24"):
            with wave.open(str(path), "rb") as file:
                assert file.getnframes() == len(clip_sound(PLAN[path.stem]))


def test_what_is_wrong_on_purpose_is_there(demo):
    by_name = {path.stem: path for path, _, _ in demo.clips}
    loud, _ = soundfile.read(by_name["buzzer-wrong"])
    assert np.mean(np.abs(loud) > 0.999) > 0.2  # flat tops
    over, _ = soundfile.read(by_name["ding-right"])
    assert np.max(np.abs(over)) > 1.5  # float, above full scale
    soft, _ = soundfile.read(by_name["foghorn-far"])
    assert np.max(np.abs(soft)) < 0.03
    silent, _ = soundfile.read(by_name["nothing-at-all"])
    assert not silent.any()
    for name in ("rim-click", "rim-click-dry", "wood-knock", "cork-pop", "shaker-short"):
        samples, rate_hz = read_sound(by_name[name])
        assert len(samples) / rate_hz < 0.4
    first, _ = read_sound(by_name["ship-bell"])
    second, _ = read_sound(by_name["ship-bell-again"])
    assert np.array_equal(first, second)
    whole = len(clip_sound(PLAN["winch-damaged"]))
    try:
        part, _ = read_sound(by_name["winch-damaged"])
    except DecodeError:
        part = np.zeros((0, 1))
    assert len(part) < whole
    with pytest.raises(DecodeError):
        read_sound(by_name["card-pulled"])


def test_the_video_has_a_picture_that_moves(demo):
    path = next(path for path, _, _ in demo.clips if path.suffix == ".mp4")
    with av.open(str(path)) as film:
        shots = [shot.to_ndarray(format="gray").astype(float) for shot in film.decode(video=0)]
    assert len(shots) > 12
    assert np.mean(np.abs(shots[0] - shots[9])) > 2


def test_the_reel_holds_its_cues_between_silences(demo):
    samples, rate_hz = soundfile.read(demo.reel)
    step = rate_hz // 20
    loud = np.array(
        [np.max(np.abs(samples[at : at + step])) > 0.02 for at in range(0, len(samples) - step, step)]
    )
    # Gaps of 0.9 s are 18 steps: bursts further apart than 12 steps are different cues.
    at = np.flatnonzero(loud)
    assert 1 + np.sum(np.diff(at) > 12) == len(REEL)


def test_rigs_and_shows_are_good_and_marked_as_invented(demo):
    rigs = {rig.name: rig for rig in map(load_rig, demo.rigs)}
    assert len(rigs) == 2
    library = {path.stem: _Known(tags, licence is not None) for path, tags, licence in demo.clips}
    for rig in rigs.values():
        assert check_rig(rig) == []
        assert "invented" in rig.title and rig.controls
        assert {pad.limb for pad in rig.pads} == {"hand", "foot"}
    for path in demo.shows:
        show = load_show(path)
        assert "invented" in show.title
        found = check_show(show, rigs[show.rig], library)
        assert {f.code for f in found} <= {"clip-uncleared"}


class _Known:
    def __init__(self, tags, cleared):
        self.tags, self.cleared = tags, cleared


def test_the_edits_are_good_recipes(demo):
    names = {path.stem for path, _, _ in demo.clips}
    assert len(demo.edits) >= 8
    for name, changes in demo.edits:
        assert name in names
        Recipe(**changes)


def test_a_file_in_the_way_is_one_sentence(tmp_path):
    (tmp_path / "clips").write_text("in the way")
    with pytest.raises(InputError, match="choose another"):
        write_demo(tmp_path)


# ---------------------------------------------------------------- the synth itself


def test_noise_is_the_generators_published_stream():
    """PCG64(0)'s raw integers, as numpy's documentation of ``random_raw`` fixes them by NEP 19:
    bit generators keep their stream. Here against numpy's own uniform doubles."""
    ours = synth.noise(1000, 5)
    theirs = np.random.Generator(np.random.PCG64(5)).random(1000) * 2 - 1
    assert np.array_equal(ours, theirs)


def test_partials_and_harmonics_have_their_frequencies():
    rate_hz = 8000
    tone = synth.harmonics(np.full(rate_hz, 200.0), rate_hz, [1.0, 0.0, 0.5])
    spectrum = np.abs(np.fft.rfft(tone)) / (rate_hz / 2)
    assert spectrum[200] == pytest.approx(1.0, abs=1e-6)
    assert spectrum[400] == pytest.approx(0.0, abs=1e-6)
    assert spectrum[600] == pytest.approx(0.5, abs=1e-6)


def test_a_vowel_has_its_formants():
    """Energy near the first formant of Peterson & Barney's averages (values from memory)."""
    rate_hz = 16000
    for vowel, (first_hz, second_hz, _) in synth.VOWELS_HZ.items():
        sung = synth.voice(np.full(rate_hz, 100.0), rate_hz, [(0, vowel), (1, vowel)])
        power = np.abs(np.fft.rfft(sung)) ** 2

        def near(hz, power=power):
            return float(power[int(hz) - 150 : int(hz) + 150].sum())

        valley_hz = (first_hz + second_hz) / 2
        if second_hz - first_hz > 700:
            assert near(first_hz) > 4 * near(valley_hz) < near(second_hz)


def test_loops_join_end_to_end():
    """The step from the last frame to the first is no bigger than steps inside."""
    for make in (music.waves, music.drone, music.glass, music.rain):
        sound = make(22050)
        inside = np.max(np.abs(np.diff(sound, axis=0)))
        assert np.max(np.abs(sound[0] - sound[-1])) <= 1.05 * inside


def test_no_path_of_this_machine_is_in_a_demo_file(demo):
    for path, _, _ in demo.clips:
        raw = path.read_bytes()
        assert str(Path.cwd()).encode() not in raw
