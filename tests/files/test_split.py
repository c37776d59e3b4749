"""Sections between silences: made from known cues, so that the truth is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from padbank.errors import DecodeError, InputError
from padbank.files.decode import SoundReader
from padbank.files.encode import write_wav
from padbank.files.split import find_sections

RATE = 16000


def _recording(
    gaps_s: list[float], lengths_s: list[float], *, gain: float = 0.5, floor: float = 0.0, channels: int = 1
) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Noise bursts of known place; ``gaps_s`` has one entry more than ``lengths_s``."""
    rng = np.random.default_rng(5)
    pieces, truth, at = [np.zeros(round(gaps_s[0] * RATE))], [], gaps_s[0]
    for length_s, gap_s in zip(lengths_s, gaps_s[1:], strict=True):
        pieces += [gain * rng.uniform(-1, 1, round(length_s * RATE)), np.zeros(round(gap_s * RATE))]
        truth.append((at, at + length_s))
        at += length_s + gap_s
    mono = np.concatenate(pieces)
    mono = mono + floor * rng.normal(size=len(mono))
    return np.repeat(mono[:, np.newaxis], channels, axis=1), truth


def _write(path: Path, samples: np.ndarray) -> Path:
    write_wav(path, np.rint(np.clip(samples, -1, 1) * 32767).astype(np.int32), RATE, 16)
    return path


def _assert_near(sections: list[tuple[float, float]], truth: list[tuple[float, float]]) -> None:
    assert len(sections) == len(truth)
    for (start, end), (true_start, true_end) in zip(sections, truth, strict=True):
        assert true_start - 0.08 <= start <= true_start + 1e-9  # nothing of the cue is cut off
        assert true_end - 1e-9 <= end <= true_end + 0.08


@pytest.mark.parametrize("gain", [0.9, 0.01])
@pytest.mark.parametrize("floor_db", [None, -55.0])
def test_bursts_between_silences(tmp_path: Path, gain: float, floor_db: float | None) -> None:
    floor = 0.0 if floor_db is None else gain * 10 ** (floor_db / 20)
    samples, truth = _recording([1.5, 1.0, 2.0, 0.8], [0.5, 0.12, 3.0], gain=gain, floor=floor, channels=2)
    _assert_near(find_sections(_write(tmp_path / "long.wav", samples)), truth)


def test_silences_across_window_borders(tmp_path: Path) -> None:
    """Windows begin every 20 s: pauses that end, begin, lie and stretch across the borders."""
    gaps = [0.0, 2.0, 3.0, 61.0, 0.75, 1.0]
    lengths = [58.9, 57.8, 0.5, 55.5, 0.3]
    samples, truth = _recording(gaps, lengths, gain=0.2)
    _assert_near(find_sections(_write(tmp_path / "long.wav", samples)), truth)


def test_short_pauses_do_not_divide_and_clicks_are_dropped(tmp_path: Path) -> None:
    samples, truth = _recording([1.0, 0.3, 1.0, 1.0], [0.4, 0.4, 0.01])
    path = _write(tmp_path / "long.wav", samples)
    sections = find_sections(path, min_clip_s=0.2)
    _assert_near(sections, [(truth[0][0], truth[1][1])])
    _assert_near(find_sections(path, min_silence_s=0.2, min_clip_s=0.2), truth[:2])


def test_nothing_but_silence_or_sound(tmp_path: Path) -> None:
    assert find_sections(_write(tmp_path / "silent.wav", np.zeros((RATE * 3, 1)))) == []
    samples, _ = _recording([0, 0], [3.0])
    assert find_sections(_write(tmp_path / "full.wav", samples)) == [(0.0, 3.0)]


def test_refine_moves_and_drops(tmp_path: Path) -> None:
    samples, truth = _recording([1.0, 1.0, 1.0], [0.5, 0.7])
    path = _write(tmp_path / "long.wav", samples)
    calls = []

    def refine(reader: SoundReader, start: int, end: int) -> tuple[int, int] | None:
        calls.append((start, end))
        loud = np.flatnonzero(np.abs(reader.seek_read(start, end - start)).max(axis=1) > 0.001)
        return None if len(calls) == 1 else (start + int(loud[0]), start + int(loud[-1]) + 1)

    sections = find_sections(path, refine=refine)
    assert len(calls) == 2
    assert sections == [(pytest.approx(truth[1][0], abs=1e-3), pytest.approx(truth[1][1], abs=1e-3))]


def test_faults_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="shortest silence"):
        find_sections(tmp_path / "x.wav", min_silence_s=0.0)
    with pytest.raises(DecodeError, match="not there"):
        find_sections(tmp_path / "x.wav")
