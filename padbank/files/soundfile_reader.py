"""Reading through libsndfile (soundfile): WAV, AIFF, AU, CAF, W64, FLAC, Ogg, MP3 and raw.

Always float32, so that nothing wraps or is clipped; always in blocks, so that
memory stays flat and damage costs only what lies behind it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import soundfile

from padbank.files.reader import Damage, Refused, Samples, SoundInfo
from padbank.files.slices import Slices

LOSSY_SUBTYPES = frozenset(
    ("VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III", "GSM610", "IMA_ADPCM", "MS_ADPCM",
     "VOX_ADPCM", "G721_32", "G723_24", "G723_40", "NMS_ADPCM_16", "NMS_ADPCM_24", "NMS_ADPCM_32", "ALAW", "ULAW")
)  # fmt: skip

BELIEVABLE_FRAMES = 1 << 40
"""Headers that claim more than this are not believed (some claim 9.2e18)."""


class SoundfileReader:
    """A ``Backend`` on libsndfile. ``raw`` gives rate, channels, subtype and endianness."""

    def __init__(
        self,
        view: Slices,
        *,
        container: str,
        raw: tuple[int, int, str, str] | None = None,
    ) -> None:
        self.notes: list[str] = []
        view.seek(0)
        options: dict[str, Any] = {}
        if raw is not None:
            rate_hz, channels, subtype, endian = raw
            options = {
                "samplerate": rate_hz,
                "channels": channels,
                "subtype": subtype,
                "endian": endian,
                "format": "RAW",
            }
        try:
            self._file = soundfile.SoundFile(view, "r", **options)
        except (soundfile.SoundFileError, RuntimeError, ValueError, TypeError) as error:
            raise Refused(_reason(error)) from error
        claimed = int(self._file.frames)
        subtype = str(self._file.subtype)
        self.info = SoundInfo(
            container=container,
            codec=subtype.lower(),
            subtype=subtype,
            sample_rate_hz=int(self._file.samplerate),
            channels=int(self._file.channels),
            frames_claimed=claimed if 0 <= claimed < BELIEVABLE_FRAMES else None,
            lossy=subtype in LOSSY_SUBTYPES,
        )
        self._at = 0

    def blocks(self, block_frames: int) -> Iterator[Samples]:
        if self._at != 0:
            self._seek(0)
        while True:
            block = self._read(block_frames)
            if len(block):
                yield block
            if len(block) < block_frames:
                return

    def seek_read(self, start_frame: int, n_frames: int) -> Samples:
        if n_frames <= 0 or start_frame < 0:
            return np.zeros((0, self.info.channels), dtype=np.float32)
        if start_frame != self._at:
            claimed = self.info.frames_claimed
            if claimed is not None and start_frame >= claimed:
                return np.zeros((0, self.info.channels), dtype=np.float32)
            self._seek(start_frame)
        pieces = []
        while n_frames > 0:
            piece = self._read(min(n_frames, 1 << 20))
            if not len(piece):
                break
            pieces.append(piece)
            n_frames -= len(piece)
        if not pieces:
            return np.zeros((0, self.info.channels), dtype=np.float32)
        return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)

    def _read(self, n_frames: int) -> Samples:
        """Up to ``n_frames``; on damage first what came before it, next time Damage."""
        out = np.empty((n_frames, self.info.channels), dtype=np.float32)
        try:
            got = self._file.read(n_frames, dtype="float32", always_2d=True, out=out)
        except (soundfile.SoundFileError, RuntimeError) as error:
            self._at = -1
            raise Damage(_reason(error)) from error
        self._at += len(got)
        return got

    def _seek(self, frame: int) -> None:
        try:
            self._file.seek(frame)
        except (soundfile.SoundFileError, RuntimeError) as error:
            self._at = -1
            raise Damage(_reason(error)) from error
        self._at = frame

    def close(self) -> None:
        self._file.close()


def _reason(error: Exception) -> str:
    text = str(getattr(error, "error_string", "") or error).strip().rstrip(".")
    return text.removeprefix("Error opening <padbank.files.slices.Slices object").split(">: ")[-1]
