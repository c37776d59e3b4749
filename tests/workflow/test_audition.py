"""Kept renderings and pictures: made once, shared by threads, and never left behind."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.errors import InputError
from padbank.store.library import Library
from padbank.workflow import audition as audition_work
from padbank.workflow.add import add
from padbank.workflow.audition import audition, audition_file
from padbank.workflow.clips import edit
from padbank.workflow.listen import render_clip
from padbank.workflow.waveform import waveform

RATE_HZ = 44100


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    sound = np.concatenate([np.zeros(4000), 0.3 * np.sin(2 * np.pi * 440 * time_s) * np.exp(-6 * time_s)])
    soundfile.write(tmp_path / "bell.wav", sound, RATE_HZ)
    with Library(tmp_path / "library") as opened:
        add(opened, [tmp_path / "bell.wav"])
        yield opened


def _kept(library: Library) -> list[str]:
    return sorted(p.suffix for p in (library.folder / "kept").iterdir())


def test_a_rendering_that_another_thread_made_and_plays_is_taken(library: Library, monkeypatch) -> None:
    path = audition_file(library, "bell")
    whole = path.read_bytes()
    path.with_suffix(".json").write_text("half a no")

    def refuse(source: object, target: object) -> None:
        raise PermissionError(13, "in use", str(target))  # as on Windows while somebody reads the target

    monkeypatch.setattr(audition_work.os, "replace", refuse)
    assert audition(library, "bell").frames == soundfile.info(path).frames
    assert path.read_bytes() == whole and _kept(library) == [".json", ".wav"]
    path.unlink()
    with pytest.raises(PermissionError):
        audition(library, "bell")
    assert _kept(library) == [".json"]


def test_a_rendering_that_fails_or_was_killed_leaves_nothing(library: Library, monkeypatch) -> None:
    kept = library.folder / "kept"
    kept.mkdir(exist_ok=True)
    killed, under_way = kept / "abc.7.1f.wav", kept / "abc.8.2f.wav"
    for path in (killed, under_way):
        path.write_bytes(b"RIFF")
    long_ago = time.time() - 2 * audition_work.UNFINISHED_S
    os.utime(killed, (long_ago, long_ago))

    with monkeypatch.context() as broken:
        def fail(job: object, path: str) -> None:
            Path(path).write_bytes(b"RIFF")
            raise OSError(28, "No space left on device")

        broken.setattr(audition_work, "render_to_file", fail)
        with pytest.raises(OSError, match="No space left"):
            audition(library, "bell")
    assert sorted(kept.iterdir()) == [killed, under_way]
    path = audition_file(library, "bell")
    assert sorted(kept.iterdir()) == sorted([under_way, path, path.with_suffix(".json")])


def test_what_was_heard_longest_ago_goes_first(library: Library, monkeypatch) -> None:
    old = audition_file(library, "bell")
    monkeypatch.setattr(audition_work, "KEPT_BYTES", int(1.5 * old.stat().st_size))
    long_ago = time.time() - 100.0
    os.utime(old, (long_ago, long_ago))
    edit(library, "bell", {"level_offset_lu": -3.0})
    new = audition_file(library, "bell")
    assert new != old and new.is_file() and not old.exists() and not old.with_suffix(".json").exists()


def test_two_draw_the_same_picture_at_once(library: Library, monkeypatch) -> None:
    clip = library.clip("bell")
    save, drawn = np.save, []

    def late(file: object, made: object, **options: object) -> None:
        if not drawn:  # another thread begins and ends while this one writes
            drawn.append(None)
            drawn[0] = waveform(library, clip, 0.0, None, 10)
        save(file, made, **options)

    monkeypatch.setattr(np, "save", late)
    assert waveform(library, clip, 0.0, None, 10) == drawn[0]
    assert [p.suffix for p in (library.folder / "kept").iterdir()] == [".npy"]


def test_a_clip_that_cannot_be_written_leaves_nothing_beside(library: Library, tmp_path: Path, monkeypatch) -> None:
    def refuse(source: object, target: object) -> None:
        raise PermissionError(13, "in use", str(target))

    output = tmp_path / "out" / "bell.wav"
    output.parent.mkdir()
    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(InputError, match="choose another place"):
        render_clip(library, "bell", output)
    assert not list(output.parent.iterdir())
