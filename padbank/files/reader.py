"""What a sound file says of itself, and what each decoding library must give us.

``SoundInfo`` is the header's word; ``Backend`` is what a library-specific
reader offers to ``files.decode``; ``Damage`` ends a reading early with
everything before it kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
"""(frames, channels), nominal ±1.0; values above full scale are kept."""

BLOCK_FRAMES = 65536


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundInfo:
    """What a file's header says of its sound.

    ``frames_claimed`` is the header's word, not counted, and None where the
    header says nothing believable. ``subtype`` is the sample coding
    (``PCM_16``, ``FLOAT``, ``VORBIS`` …), ``container`` the kind of file
    (``wav``, ``mp4`` …). ``has_picture`` is a moving picture, not cover art.
    """

    container: str
    codec: str
    subtype: str
    sample_rate_hz: int
    channels: int
    frames_claimed: int | None
    lossy: bool
    has_picture: bool = False


class Damage(Exception):
    """Raised by a backend when the rest of a file cannot be decoded."""


class Refused(Damage):
    """Raised by a backend that cannot open a file at all; the text is the reason."""


class Backend(Protocol):
    """One open file in one decoding library. Not safe to share between threads."""

    info: SoundInfo
    notes: list[str]

    def blocks(self, block_frames: int) -> Iterator[Samples]:
        """All samples from the start, in order; raises Damage where it ends early."""

    def seek_read(self, start_frame: int, n_frames: int) -> Samples:
        """Exactly the frames that ``blocks`` gives there; fewer at the end."""

    def close(self) -> None: ...
