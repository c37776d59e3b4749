"""Fixtures shared by the suite: sound clips from package registries, where they were fetched.

``.ci/fetch-sounds`` puts them under ``.tests-data/<package>/`` of the
checkout, or under the folder named by ``PADBANK_TEST_SOUNDS``. A test that
asks for ``registry_sounds`` skips with its reason where there are none.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from padbank.files.sniff import is_sound_name


@dataclass(frozen=True)
class RegistrySounds:
    """Clips that nobody here made, by package."""

    folder: Path
    by_package: dict[str, tuple[Path, ...]]

    @property
    def all(self) -> tuple[Path, ...]:
        return tuple(path for paths in self.by_package.values() for path in paths)

    def package(self, name: str) -> tuple[Path, ...]:
        """Clips of one package, or skip the test when it could not be fetched."""
        if name not in self.by_package:
            pytest.skip(f"package {name} was not fetched: run .ci/fetch-sounds")
        return self.by_package[name]


@pytest.fixture(scope="session")
def registry_sounds() -> RegistrySounds:
    default = Path(__file__).resolve().parent.parent / ".tests-data"
    folder = Path(os.environ.get("PADBANK_TEST_SOUNDS") or default)
    by_package = {}
    for package in sorted(folder.iterdir()) if folder.is_dir() else ():
        if (package / ".complete").exists():
            paths = (p for p in package.rglob("*") if p.is_file() and not p.is_symlink())
            sounds = tuple(sorted(p for p in paths if is_sound_name(p)))
            if sounds:
                by_package[package.name] = sounds
    if not by_package:
        pytest.skip(f"no sound packages in {folder}: run .ci/fetch-sounds")
    return RegistrySounds(folder, by_package)


@pytest.fixture(scope="session")
def encode_sound() -> Callable[..., Path]:
    """``encode_sound(path, samples, rate_hz, format, codec)``: a file made by FFmpeg's encoders."""
    import av

    def encode(
        path: Path, samples: np.ndarray, rate_hz: int, format: str, codec: str, *, picture: bool = False
    ) -> Path:
        layout = "stereo" if samples.shape[1] == 2 else "mono"
        with av.open(str(path), "w", format=format) as container:
            film = container.add_stream("mpeg4", rate=25) if picture else None
            if film is not None:
                film.width, film.height, film.pix_fmt = 64, 48, "yuv420p"
            stream = container.add_stream(codec, rate=rate_hz, layout=layout)
            stream.bit_rate = 128_000
            wide = [f.name for f in stream.codec.audio_formats or () if f.name in ("s16", "s16p")]
            if wide:
                stream.format = wide[0]
            if codec == "aac":  # no noise put in by the decoder's dice, so that readings compare
                stream.options = {"aac_pns": "0"}
            frame = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(samples, dtype=np.float32).reshape(1, -1), format="flt", layout=layout
            )
            frame.sample_rate, frame.pts = rate_hz, 0
            resampler = av.AudioResampler(format=stream.format.name, layout=layout, rate=rate_hz)
            fifo, pts = av.AudioFifo(), 0
            for converted in [*resampler.resample(frame), *resampler.resample(None)]:
                converted.pts = None
                fifo.write(converted)
            while (piece := fifo.read(stream.codec_context.frame_size or 1024, partial=True)) is not None:
                piece.pts, piece.time_base = pts, Fraction(1, rate_hz)
                pts += piece.samples
                container.mux(stream.encode(piece))
                if film is not None and pts * 25 // rate_hz > (pts - piece.samples) * 25 // rate_hz:
                    image = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
                    container.mux(film.encode(image))
            container.mux(stream.encode(None))
            if film is not None:
                container.mux(film.encode(None))
        return path

    return encode
