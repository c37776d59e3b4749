"""Clips that nobody here made, from package registries: all of them are read, or refused with a reason."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from padbank.errors import DecodeError
from padbank.files.decode import open_sound, read_sound
from padbank.files.second_meter import measure_again

pytestmark = pytest.mark.registry

REFUSED = {"lena-24-dwvw.aiff": "dwvw"}
"""Coded by delta with variable word width, which libsndfile names but cannot decode here."""


def test_every_clip_is_read_or_refused_with_a_reason(registry_sounds: Any) -> None:
    read, refused = 0, {}
    for path in registry_sounds.all:
        try:
            with open_sound(path) as reader:
                frames, finite = 0, True
                for block in reader.blocks():
                    frames += len(block)
                    finite = finite and bool(np.isfinite(block).all())
                assert finite, path
                assert frames == reader.frames_read
                claims = [w for w in reader.warnings if "above full scale" not in w]
                assert claims == [], path
                read += 1
        except DecodeError as error:
            refused[path.name] = error.reason
    assert set(refused) - {"index.d.ts"} <= set(REFUSED)
    for name, reason in refused.items():
        assert REFUSED[name] in reason.lower()
    assert read == len(registry_sounds.all) - len(refused)
    if len(registry_sounds.by_package) == 7:
        assert read >= 750


def test_one_clip_in_many_encodings(registry_sounds: Any) -> None:
    """audio-lena (npm, MIT): one clip of 541,184 frames at 44.1 kHz in 29 encodings, as its readme says
    of the WAV; the coded ones agree with it in length and level."""
    paths = {p.name if p.parent.name == "package" else f"{p.parent.name}/{p.name}": p
             for p in registry_sounds.package("audio-lena")}  # fmt: skip
    with open_sound(paths["lena.wav"]) as reader:
        assert (sum(map(len, reader.blocks())), reader.info.sample_rate_hz) == (541_184, 44_100)
    reference, rate = read_sound(paths["lena.wav"], 2.0, 5.0)
    level = measure_again(reference, rate, as_played=False).integrated_lufs
    assert level is not None
    compared = 0
    for name, path in paths.items():
        if path.name in REFUSED:
            continue
        with open_sound(path) as reader:
            frames = sum(map(len, reader.blocks()))
        samples, rate = read_sound(path, 2.0, 5.0)
        assert len(samples) == 3 * rate
        # Raw AAC starts 1024 frames late and ends in whole packets; one AIFF carries 960 more frames.
        tolerance_s = 0.06 if name == "lena.aac" else 0.025
        assert frames / rate == pytest.approx(541_184 / 44_100, abs=tolerance_s), name
        # The m4a is stereo with each side 3 dB lower: the same loudness in all.
        own = measure_again(samples, rate, as_played=False).integrated_lufs
        # 8 kHz and GSM versions lack the treble; the Ogg Opus one is 0.4 LU softer in libopus too.
        apart = rate == 8000 or "gsm" in name or name == "lena.opus"
        assert own == pytest.approx(level, abs=0.5 if apart else 0.1), name
        compared += 1
    assert compared == len(paths) - 1 >= 27


def test_sections_of_real_clips(registry_sounds: Any) -> None:
    """Sections are exact in real files of every suffix, not only in those written by our tests."""
    by_suffix: dict[str, list[Path]] = {}
    for path in registry_sounds.all:
        if path.name not in REFUSED and path.stat().st_size < 3_000_000:
            by_suffix.setdefault(path.suffix, []).append(path)
    assert len(by_suffix) >= 2
    rng = np.random.default_rng(2)
    for paths in by_suffix.values():
        for path in paths[:4]:
            with open_sound(path) as reader:
                whole = np.concatenate(list(reader.blocks()))
                for start in (*rng.integers(0, max(1, len(whole)), 5), 0):
                    part = reader.seek_read(int(start), 800)
                    expected = whole[start : start + 800]
                    assert part.shape == expected.shape, path
                    if path.suffix not in (".m4a", ".aac", ".mp4"):  # AAC may put in noise of its own
                        assert np.abs(part - expected).max(initial=0.0) < 1e-4, path
