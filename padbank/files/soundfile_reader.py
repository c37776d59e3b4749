"""Reading through libsndfile (soundfile): WAV, AIFF, AU, CAF, W64, FLAC, Ogg, MP3 and raw.

Always float32, so that nothing wraps or is clipped; always in blocks, so that
memory stays flat and damage costs only what lies behind it.
"""

from __future__ import annotations

import contextlib
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

MOST_FRAMES = 1 << 20
"""Read at most this much in one call, however much is asked for."""
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
        self._view = view
        self._options: dict[str, Any] = {}
        if raw is not None:
            rate_hz, channels, subtype, endian = raw
            self._options = {
                "samplerate": rate_hz,
                "channels": channels,
                "subtype": subtype,
                "endian": endian,
                "format": "RAW",
            }
        self._file = self._opened()
        claimed = int(self._file.frames)
        subtype = str(self._file.subtype)
        if subtype.startswith("DWVW"):  # named by the library, which cannot stand still in it
            self._file.close()
            raise Refused(f"its coding is {subtype}, for which there is no decoder")
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
        self._damage: Damage | None = None
        self._coded = raw is None and str(self._file.format) in ("FLAC", "OGG", "MP3")

    def _opened(self) -> Any:
        self._view.seek(0)
        try:
            return soundfile.SoundFile(self._view, "r", **self._options)
        except (soundfile.SoundFileError, RuntimeError, ValueError, TypeError) as error:
            raise Refused(_reason(error)) from error

    def blocks(self, block_frames: int) -> Iterator[Samples]:
        if self._at != 0:
            self._seek(0)
        while True:
            block = self._read(block_frames)
            if len(block):
                yield block
            if self._damage is not None:
                damage, self._damage = self._damage, None
                raise damage
            if len(block) < block_frames:
                return

    def seek_read(self, start_frame: int, n_frames: int) -> Samples:
        claimed = self.info.frames_claimed
        if n_frames <= 0 or start_frame < 0 or (claimed is not None and start_frame >= claimed):
            return np.zeros((0, self.info.channels), dtype=np.float32)
        if claimed is not None:
            n_frames = min(n_frames, claimed - start_frame)
        if start_frame != self._at:
            self._seek(start_frame)
        pieces = []
        while n_frames > 0 and self._damage is None:
            piece = self._read(min(n_frames, MOST_FRAMES))
            pieces.append(piece)
            n_frames -= len(piece)
            if len(piece) < MOST_FRAMES:
                break
        self._damage = None  # what lies before the damage was asked for, and given
        return np.concatenate(pieces) if len(pieces) > 1 else pieces[0]

    def _read(self, n_frames: int) -> Samples:
        """Up to ``n_frames``, fewer at the end or before damage, which is noted."""
        out = np.empty((n_frames, self.info.channels), dtype=np.float32)
        if self._coded:
            out.fill(np.nan)  # where a call ends in an error, this shows how far it came
        try:
            got = len(self._file.read(n_frames, dtype="float32", always_2d=True, out=out))
        except (soundfile.SoundFileError, RuntimeError) as error:
            self._at = -1
            # libFLAC calls it an error when a file of unknown length simply ends.
            ended = self._coded and self._view.tell() >= len(self._view)
            self._damage = None if ended else Damage(_reason(error))
            unread = np.flatnonzero(np.isnan(out[:, 0])) if self._coded else np.zeros(1, int)
            return out[: int(unread[0]) if unread.size else n_frames]
        self._at += got
        return out[:got]

    def _seek(self, frame: int) -> None:
        """Stand at a frame; where the library cannot find it, by reading up to it."""
        if self._at >= 0:
            with contextlib.suppress(soundfile.SoundFileError, RuntimeError):
                self._file.seek(frame)
                self._at = frame
                return
        self._file.close()
        try:
            self._file = self._opened()
        except Refused as refusal:
            raise Damage(str(refusal)) from refusal
        self._at = 0
        while self._at < frame:
            if not len(self._read(min(frame - self._at, 1 << 16))) or self._damage is not None:
                raise self._damage or Damage("it ends before this place")

    def close(self) -> None:
        self._file.close()


def _reason(error: Exception) -> str:
    """libsndfile's own words, without the object's name and decoration around them."""
    text = str(getattr(error, "error_string", "") or error)
    text = text.rsplit(">: ", 1)[-1].strip().rstrip(".").removeprefix("Error : ")
    return text[:1].lower() + text[1:]
