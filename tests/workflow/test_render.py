"""Rendering a job: long clips in flat memory, the same bytes as from a short one's way."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.domain import Recipe
from padbank.errors import InputError, StoreError
from padbank.files.encode import WavFile
from padbank.files.spool import Spool
from padbank.workflow.render import LevelSettings, RenderJob, render_to_file

RATE = 22_050
MINUTES = 20
LIMIT_MB = 300
"""Held whole in float64, twenty minutes of this are 212 MB, and levelling takes several copies."""

CHILD = """
import sys
from pathlib import Path
from tests.workflow.test_render import job
from padbank.workflow.render import render_to_file
facts = render_to_file(job(sys.argv[1], target_lufs=-9.0), sys.argv[2])
assert facts.limited_db > 1, facts
print(facts.frames, int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024)
"""


def job(original: Path | str, *, target_lufs: float = -16.0, **recipe: object) -> RenderJob:
    return RenderJob(
        clip="bed",
        original_sha256="0" * 64,
        original_file=str(original),
        recipe=Recipe(role="phrase", **recipe),
        channels=1,
        sample_rate_hz=RATE,
        bits=16,
        as_played=True,
        loop_chunk=False,
        settings=LevelSettings(
            target_lufs=target_lufs, ceiling_dbtp=-1.0, level_rule="limit", limit_max_db=6.0
        ),
    )


def bed(path: Path, seconds: float) -> Path:
    """Invented music of chords and strokes."""
    t = np.arange(10 * RATE) / RATE
    rng = np.random.default_rng(3)
    ten = sum(0.1 * np.sin(2 * np.pi * hz * t) for hz in (110, 165, 220))
    ten += 0.5 * rng.standard_normal(len(t)) * np.exp(-(t % 0.5) / 0.02)
    pcm = np.clip(np.rint(np.asarray(ten) * 32767 / 3), -32768, 32767).astype(np.int16)
    with soundfile.SoundFile(path, "w", samplerate=RATE, channels=1, subtype="PCM_16") as file:
        for _ in range(int(seconds / 10)):
            file.write(pcm)
    return path


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak of memory is read from /proc")
def test_a_long_clip_is_rendered_in_flat_memory(tmp_path: Path) -> None:
    original = bed(tmp_path / "bed.flac", MINUTES * 60)
    root = Path(__file__).resolve().parents[2]
    command = [sys.executable, "-c", CHILD, str(original), str(tmp_path / "out.wav")]
    done = subprocess.run(command, capture_output=True, text=True, cwd=root, check=True)
    frames, peak_mb = (float(word) for word in done.stdout.split())
    assert frames == MINUTES * 60 * RATE
    assert peak_mb <= LIMIT_MB
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bed.flac", "out.wav"]


def test_where_a_sound_is_kept_does_not_show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    original = bed(tmp_path / "bed.wav", 20)
    for number, recipe in enumerate(({}, {"start_s": 1.0, "end_s": 18.5, "fade_out_s": 2.0})):
        held = render_to_file(job(original, **recipe), str(tmp_path / f"held{number}.wav"))
        with monkeypatch.context() as patch:
            patch.setattr("padbank.files.spool.HELD_BYTES", 10_000)
            spooled = render_to_file(job(original, **recipe), str(tmp_path / f"spooled{number}.wav"))
        assert Path(spooled.file).read_bytes() == Path(held.file).read_bytes()
        assert spooled.measurement == held.measurement


def test_what_cannot_be_rendered_is_said_in_one_sentence(tmp_path: Path) -> None:
    original = bed(tmp_path / "bed.wav", 10)
    with pytest.raises(InputError, match="move the clip's start"):
        render_to_file(job(original, start_s=11.0), str(tmp_path / "out.wav"))
    with pytest.raises(InputError, match=re.escape("(4 GiB): make it shorter")):
        WavFile(tmp_path / "out.wav", 1 << 31, 1, RATE, 16)
    assert not (tmp_path / "out.wav").exists()
    with pytest.raises(StoreError, match="3 frames of its sound are missing"), WavFile(
        tmp_path / "out.wav", 5, 1, RATE, 16
    ) as file:
        file.write(np.zeros((2, 1), dtype=np.int32))


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a disk that is full at once")
def test_a_full_disk_is_said(tmp_path: Path) -> None:
    with Spool(tmp_path, 2) as spool:
        spool._file.close()
        spool._file = open("/dev/full", "wb", buffering=0)  # noqa: SIM115 - closed with the spool
        with pytest.raises(StoreError, match="free some, or shorten the clip"):
            spool.write(np.zeros((10_000, 2)))
