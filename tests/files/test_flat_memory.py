"""Twenty minutes of sound take no more memory than one, with either reader."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile

RATE, SECONDS = 44_100, 1200
LIMIT_MB = 100
"""Held whole, twenty minutes of stereo are 423 MB of float32."""

READ = """
import resource, sys
from pathlib import Path
from padbank.files.decode import open_sound
with open_sound(sys.argv[1]) as reader:
    frames = sum(map(len, reader.blocks()))
    assert len(reader.seek_read(frames // 2, 44100)) == 44100
status = Path("/proc/self/status")
if status.exists():  # ru_maxrss is passed on from the process that started this one
    peak_mb = int(status.read_text().split("VmHWM:")[1].split()[0]) / 1024
else:
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 / 1024
print(frames, peak_mb)
"""


def _wav(path: Path) -> None:
    """All zeros but for the header: a file with a hole costs no disk."""
    with soundfile.SoundFile(path, "w", samplerate=RATE, channels=2, format="WAV", subtype="PCM_16") as file:
        file.write(np.zeros((1, 2)))
    n_data = SECONDS * RATE * 4
    data = bytearray(path.read_bytes()[:44])
    data[4:8] = (n_data + 36).to_bytes(4, "little")
    data[40:44] = n_data.to_bytes(4, "little")
    path.write_bytes(data)
    with open(path, "r+b") as file:
        file.truncate(44 + n_data)


def _flac(path: Path) -> None:
    with soundfile.SoundFile(path, "w", samplerate=RATE, channels=2, format="FLAC", subtype="PCM_16") as file:
        block = np.zeros((RATE * 10, 2), np.int16)
        for _ in range(SECONDS // 10):
            file.write(block)


def _mkv(path: Path) -> None:
    import av

    with av.open(str(path), "w", format="matroska") as container:
        stream = container.add_stream("wavpack", rate=RATE, layout="stereo")
        stream.format = "s16p"
        for second in range(SECONDS):
            frame = av.AudioFrame.from_ndarray(np.zeros((2, RATE), np.int16), format="s16p", layout="stereo")
            frame.sample_rate, frame.pts, frame.time_base = RATE, second * RATE, Fraction(1, RATE)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.mark.skipif(sys.platform == "win32", reason="the resource module is not there")
@pytest.mark.parametrize("make", [_wav, _flac, _mkv], ids=["wav", "flac", "mkv"])
def test_twenty_minutes_in_flat_memory(tmp_path: Path, make: Callable[[Path], None]) -> None:
    path = tmp_path / "long"
    make(path)
    result = subprocess.run(
        [sys.executable, "-c", READ, str(path)], capture_output=True, text=True, check=True, timeout=300
    )
    frames, peak_mb = result.stdout.split()
    assert int(frames) == SECONDS * RATE
    assert float(peak_mb) < LIMIT_MB
