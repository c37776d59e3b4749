"""Plain WAVs give the numbers that libsndfile gives, bit for bit."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.files.decode import open_sound
from padbank.files.pcm_reader import PcmReader

CODINGS = ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"]


@pytest.mark.parametrize("endian", ["LITTLE", "BIG"])
@pytest.mark.parametrize("subtype", CODINGS)
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_values_are_those_of_libsndfile(tmp_path: Path, subtype: str, endian: str, channels: int) -> None:
    """Reference: libsndfile, through soundfile (its float reading scales integers by their full scale)."""
    rng = np.random.default_rng(3)
    sound = rng.uniform(-1.0, 1.0, (5001, channels))
    sound[:4] = [[-1.0] * channels, [1.0] * channels, [0.0] * channels, [2.0**-24] * channels]
    path = tmp_path / "a.wav"
    soundfile.write(path, sound, 48000, subtype=subtype, endian=endian, format="WAV")
    expected, _ = soundfile.read(path, dtype="float32", always_2d=True)
    for source in (None, io.BytesIO(path.read_bytes())):
        with open_sound(path, source) as reader:
            assert isinstance(reader._backend, PcmReader)
            blocks = list(reader.blocks(777))
            assert {len(b) for b in blocks[:-1]} == {777}
            np.testing.assert_array_equal(np.concatenate(blocks), expected)
            assert all(b.dtype == np.float32 for b in blocks)
            for start, count in ((0, 10), (4990, 100), (5001, 5), (6000, 5), (1234, 0), (17, 3000)):
                np.testing.assert_array_equal(reader.seek_read(start, count), expected[start : start + count])


def test_a_cut_frame_at_the_end_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.linspace(-0.5, 0.5, 200).reshape(100, 2), 44100, subtype="PCM_24")
    path.write_bytes(path.read_bytes()[:-4])
    with open_sound(path) as reader:
        assert sum(map(len, reader.blocks())) == 99
        assert len(reader.seek_read(98, 5)) == 1
        assert any("holds" in w for w in reader.warnings)
