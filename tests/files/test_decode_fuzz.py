"""Random damage to small files of every kind: read, or refused with a reason; no hang, no NaN."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from padbank.errors import DecodeError
from padbank.files.decode import open_sound

FRAMES = 11_025
KINDS: dict[str, tuple[str, str, int]] = {
    "wav": ("WAV", "PCM_16", 44100), "float": ("WAV", "FLOAT", 44100), "extensible": ("WAVEX", "PCM_24", 44100),
    "adpcm": ("WAV", "MS_ADPCM", 44100), "rf64": ("RF64", "PCM_16", 44100), "w64": ("W64", "PCM_16", 44100),
    "aiff": ("AIFF", "PCM_16", 44100), "au": ("AU", "PCM_16", 44100), "caf": ("CAF", "PCM_16", 44100),
    "flac": ("FLAC", "PCM_16", 44100), "vorbis": ("OGG", "VORBIS", 44100), "opus": ("OGG", "OPUS", 48000),
    "mp3": ("MP3", "MPEG_LAYER_III", 44100),
}  # fmt: skip
FFMPEG_KINDS = {
    "m4a": ("ipod", "aac"), "alac": ("ipod", "alac"), "mov": ("mov", "pcm_s16le"), "mkv": ("matroska", "aac"),
    "webm": ("webm", "libopus"), "adts": ("adts", "aac"), "asf": ("asf", "wmav2"), "ac3": ("ac3", "ac3"),
    "wavpack": ("wv", "wavpack"), "tta": ("tta", "tta"), "avi": ("avi", "libmp3lame"), "ts": ("mpegts", "aac"),
    "ps": ("mpeg", "mp2"), "flv": ("flv", "aac"), "oggflac": ("ogg", "flac"),
}  # fmt: skip


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory, encode_sound: Callable[..., Path]) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole")
    samples = np.random.default_rng(0).normal(0, 0.1, (FRAMES, 2)).astype(np.float32)
    for name, (format, subtype, rate) in KINDS.items():
        soundfile.write(folder / name, samples, rate, format=format, subtype=subtype)
    for name, (format, codec) in FFMPEG_KINDS.items():
        encode_sound(folder / name, samples, 48000 if codec == "libopus" else 44100, format, codec)
    return {path.name: path.read_bytes() for path in folder.iterdir()}


# Where (early bytes are headers, so they are likelier), and what is put there.
_place = st.one_of(st.integers(0, 64), st.integers(0, 1024), st.integers(0, 1 << 20))
_edits = st.lists(st.tuples(_place, st.sampled_from([0, 0xFF, 0x7F, 0x80, 0x41, 1])), max_size=12)
_cuts = st.one_of(st.none(), st.integers(0, 1 << 20))
_holes = st.one_of(st.none(), st.tuples(st.integers(0, 1 << 20), st.integers(1, 3000)))
_inserts = st.one_of(st.none(), st.tuples(st.integers(0, 1 << 20), st.binary(min_size=1, max_size=200)))


@pytest.mark.parametrize("name", [*KINDS, *FFMPEG_KINDS])
def test_damage_never_surprises(name: str, originals: dict[str, bytes], tmp_path: Path) -> None:
    original = originals[name]
    path = tmp_path / "clip"

    @settings(
        max_examples=25, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(_edits, _cuts, _holes, _inserts)
    def check(
        edits: list[tuple[int, int]],
        cut: int | None,
        hole: tuple[int, int] | None,
        insert: tuple[int, bytes] | None,
    ) -> None:
        data = bytearray(original)
        for at, value in edits:
            data[at % len(data)] = value
        if hole is not None:
            at = hole[0] % len(data)
            del data[at : at + hole[1]]
        if insert is not None:
            at = insert[0] % (len(data) + 1)
            data[at:at] = insert[1]
        if cut is not None and data:
            del data[cut % len(data) :]
        path.write_bytes(data)
        began = time.monotonic()
        try:
            with open_sound(path) as reader:
                count = 0
                for block in reader.blocks(4096):
                    assert block.dtype == np.float32
                    assert block.ndim == 2
                    assert block.shape[1] == reader.info.channels
                    assert np.isfinite(block).all()
                    count += len(block)
                assert count == reader.frames_read
                for start in (count // 2, 0, max(0, count - 10), count + 5):
                    part = reader.seek_read(start, 100)
                    assert np.isfinite(part).all()
                    assert len(part) <= 100
        except DecodeError as error:
            assert error.reason
            assert "\n" not in error.reason
        assert time.monotonic() - began < 30

    check()


@pytest.mark.parametrize("name", [*KINDS, *FFMPEG_KINDS])
def test_the_whole_file_is_read(name: str, originals: dict[str, bytes], tmp_path: Path) -> None:
    path = tmp_path / "clip"
    path.write_bytes(originals[name])
    with open_sound(path) as reader:
        count = sum(map(len, reader.blocks()))
        assert FRAMES - 2100 <= count <= FRAMES + 4200
        assert reader.warnings == []
