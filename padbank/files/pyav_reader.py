"""Reading through PyAV (FFmpeg's libraries): m4a, mp4, mov, webm, mkv, aac, wma and the like.

One demultiplexer is forced, chosen by our own look at the first bytes; the
library gets a file object and never a name; whatever would open a further
file is refused. Frames are decoded one by one, so memory stays flat.

Positions count decoded frames from the first one that is heard, so that
``seek_read`` and ``blocks`` agree to the frame. Time stamps only serve to get
near: they are trusted where they count whole frames without a gap
(mp4/mov, WavPack …); elsewhere an index of them, a fifth of a second apart,
is kept from a first pass; raw streams without stamps are decoded from their start.
"""

from __future__ import annotations

import bisect
import contextlib
from collections.abc import Iterator
from fractions import Fraction
from itertools import chain
from typing import Any

import numpy as np

from padbank.files.reader import Damage, Refused, Samples, SoundInfo
from padbank.files.slices import Slices

LOSSLESS_CODECS = frozenset(("flac", "alac", "wavpack", "tta", "truehd", "mlp", "ape"))
UNSTAMPED = frozenset(("mp3", "aac", "ac3", "eac3"))
"""Raw streams: their time stamps are estimates after a seek, so none is trusted."""
STAMPED_IN_OGG = frozenset(("vorbis", "opus"))
"""Other codecs' stamps are up to 14,000 frames wrong after a seek in Ogg (measured with FLAC)."""

PREROLL_S = 0.5
"""Decoded and thrown away before a wanted position: codecs need their past
(Opus 80 ms, RFC 7845 4.6; MP3's bit reservoir about 0.3 s)."""
INDEX_STEP_S = 0.2
MAX_BAD_PACKETS = 200
MAX_EMPTY_PACKETS = 20_000


def _refuse_other_files(*_: Any) -> Any:
    raise PermissionError("a sound file may not open other files")


def _tag_options(version: str) -> dict[str, str]:
    """Tags in another encoding are no reason to refuse a sound. PyAV 19 always replaces what it cannot
    decode and no longer takes the option."""
    return {"metadata_errors": "replace"} if int(version.split(".", 1)[0]) < 19 else {}


class PyavReader:
    """A ``Backend`` on FFmpeg's libraries; ``av_format`` is the only demultiplexer it may use."""

    def __init__(self, view: Slices, *, container: str, av_format: str) -> None:
        import av
        import av.logging

        av.logging.set_level(None)  # FFmpeg's own messages would land on stderr
        self._av = av
        # IndexError: a stream that turns up late in a damaged file is unknown to PyAV's list.
        self._errors = (av.FFmpegError, OSError, ValueError, EOFError, IndexError, RuntimeError)
        self.notes: list[str] = []
        self._view = view
        self._format = av_format
        self._rate_hz = 0
        self._opened: list[Any] = []
        self._index_pts: list[int] = []
        self._index_frame: list[int] = []
        self._index_done = False
        self._trusted: bool | None = None
        self._origin: int | None = None
        self._limit: int | None = None
        self._pending: Iterator[tuple[int | None, Samples]] | None = None
        self._pending_at = -1
        self._rest: Samples | None = None
        self._begun: Iterator[tuple[int | None, Samples]] | None = None
        self._open()
        decoded = self._decoded(note=True)
        try:
            first = next(decoded, None)
        except Damage as damage:
            self.close()
            raise Refused(str(damage)) from damage
        if first is None:
            self.close()
            raise Refused("its sound cannot be decoded")
        self._origin, samples = first
        self._begun = chain([first], decoded)
        stream = self._stream
        codec = stream.codec_context.codec
        name = str(codec.name).removesuffix("float")
        rate_hz = self._rate_hz
        claimed = None
        if av_format in UNSTAMPED:
            pass  # what FFmpeg states here is its own guess from the bit rate
        elif stream.duration is not None and stream.time_base:
            claimed = int(stream.duration * stream.time_base * rate_hz + Fraction(1, 2))
        elif self._container.duration:
            claimed = int(Fraction(self._container.duration, av.time_base) * rate_hz)
        exact_stamps = stream.time_base is not None and stream.time_base * rate_hz == 1
        if exact_stamps and av_format == "mov" and claimed:
            self._limit = claimed  # edit lists end the sound inside its last packet (ISO 14496-12)
        self.info = SoundInfo(
            container=container,
            codec=name,
            subtype=_subtype(name, stream.codec_context),
            sample_rate_hz=rate_hz,
            channels=samples.shape[1],
            frames_claimed=claimed if claimed and claimed > 0 else None,
            lossy=not (name in LOSSLESS_CODECS or name.startswith("pcm_")),
            has_picture=any(not _is_cover(s) for s in self._container.streams.video),
        )
        others = len(self._container.streams.audio) - 1
        if others:
            self.notes.append(f"holds {others + 1} sound tracks: the first is read")

    def _open(self) -> None:
        """(Re)open from the start."""
        av = self._av
        self.close()
        self._view.seek(0)
        try:
            self._container: Any = av.open(
                self._view,
                mode="r",
                format=self._format,
                io_open=_refuse_other_files,
                **_tag_options(av.__version__),
            )
            self._opened.append(self._container)
            streams = self._container.streams.audio
        except self._errors as error:
            raise Refused(_reason(error)) from error
        if not streams:
            self.close()
            raise Refused("holds no sound")
        self._stream: Any = streams[0]
        if self._stream.codec_context is None:
            self.close()
            raise Refused("there is no decoder for its coding")
        if not self._rate_hz:  # later the first decoded frame's word stands
            self._rate_hz = int(self._stream.codec_context.sample_rate or 0)

    # ------------------------------------------------------------ decoding

    def _decoded(self, *, note: bool) -> Iterator[tuple[int | None, Samples]]:
        """(time stamp, samples) of every decoded frame from where the container stands."""
        av = self._av
        bad = empty = 0
        channels = self.info.channels if hasattr(self, "info") else None
        packets = self._container.demux(self._stream)
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except self._errors as error:
                if isinstance(error, (EOFError, av.EOFError)):
                    return
                raise Damage(_reason(error)) from error
            try:
                frames = packet.decode()
            except self._errors as error:
                if isinstance(error, (EOFError, av.EOFError)):
                    return
                bad += 1
                if note and bad == 1:
                    self.notes.append("damaged inside: what could not be decoded is left out")
                if bad >= MAX_BAD_PACKETS:
                    raise Damage("too much of it is damaged") from error
                continue
            empty = 0 if frames else empty + 1
            if empty > MAX_EMPTY_PACKETS:
                raise Damage("its packets hold no sound")
            for frame in frames:
                if not frame.samples:
                    continue
                samples = _to_float(frame)
                if channels is None:
                    channels, self._rate_hz = samples.shape[1], int(frame.sample_rate)
                elif samples.shape[1] != channels:
                    raise Damage("the number of channels changes")
                if int(frame.sample_rate) != self._rate_hz:
                    raise Damage("the sample rate changes")
                yield frame.pts, samples

    def blocks(self, block_frames: int) -> Iterator[Samples]:
        begun, self._begun = self._begun, None  # what was opened and looked into need not be opened anew
        if begun is None:
            self._open()
        self._pending = None
        at = 0
        indexing = not self._index_done
        step = int(INDEX_STEP_S * self.info.sample_rate_hz)
        gathered: list[Samples] = []
        n_gathered = 0
        damage: Damage | None = None
        stream = begun or self._decoded(note=True)
        while True:
            try:
                stamp, samples = next(stream)
            except StopIteration:
                break
            except Damage as error:
                damage = error
                break
            if self._limit is not None and at + len(samples) > self._limit:
                samples = samples[: max(0, self._limit - at)]
            if indexing and stamp is not None:
                new = not self._index_frame or (
                    at - self._index_frame[-1] >= step and stamp > self._index_pts[-1]
                )
                if new:
                    self._index_pts.append(stamp)
                    self._index_frame.append(at)
            at += len(samples)
            gathered.append(samples)
            n_gathered += len(samples)
            while n_gathered >= block_frames:
                block = np.concatenate(gathered)
                yield block[:block_frames]
                gathered = [block[block_frames:]]
                n_gathered = len(gathered[0])
        if indexing:
            self._index_done = True
        if n_gathered:
            yield np.concatenate(gathered)
        if damage is not None:
            raise damage

    # ------------------------------------------------------------ sections

    def seek_read(self, start_frame: int, n_frames: int) -> Samples:
        empty = np.zeros((0, self.info.channels), dtype=np.float32)
        if self._limit is not None:
            n_frames = min(n_frames, self._limit - start_frame)
        if n_frames <= 0 or start_frame < 0:
            return empty
        if self._pending is None or not 0 <= start_frame - self._pending_at <= 10 * self._rate_hz:
            self._go_before(start_frame)
        out: list[Samples] = []
        wanted_end = start_frame + n_frames
        at = self._pending_at
        while at < wanted_end:
            if self._rest is not None:
                samples, self._rest = self._rest, None
            else:
                assert self._pending is not None
                try:
                    _, samples = next(self._pending)
                except (StopIteration, Damage):
                    self._pending = None
                    break
            end = at + len(samples)
            if end > start_frame:
                out.append(samples[max(0, start_frame - at) : wanted_end - at])
            if end > wanted_end:
                self._rest = samples[wanted_end - at :]
                end = wanted_end
            at = end
        self._pending_at = at
        return np.concatenate(out) if out else empty

    def _from_start(self) -> None:
        self._open()
        self._pending = self._decoded(note=False)
        self._pending_at, self._rest = 0, None

    def _go_before(self, frame: int) -> None:
        """Stand at a known position at or before ``frame``, with the codec warmed up."""
        preroll = int(PREROLL_S * self._rate_hz)
        unsure = self._format in UNSTAMPED or (
            self._format == "ogg" and self.info.codec.removeprefix("lib") not in STAMPED_IN_OGG
        )
        if frame <= 4 * preroll or unsure or self._origin is None:
            return self._from_start()
        if self._stamps_count_frames():
            base = self._stream.time_base * self._rate_hz
            target = self._origin + int((frame - preroll) / base)
            if self._seek(target):
                for stamp, samples in self._pending or ():
                    if stamp is None:
                        break
                    position = (stamp - self._origin) * base
                    if position.denominator != 1 or position > frame:
                        break
                    self._pending_at, self._rest = int(position), samples
                    return None
            return self._from_start()
        if not self._index_done:
            with contextlib.suppress(Damage):
                for _ in self.blocks(1 << 16):
                    pass
        entry = bisect.bisect_right(self._index_frame, frame - preroll) - 1
        while entry > 0:
            if self._seek(self._index_pts[entry]) and self._find_stamp(frame):
                return None
            entry -= 10
        return self._from_start()

    def _find_stamp(self, frame: int) -> bool:
        """Decode on until a frame whose stamp is in the index, at or before ``frame``."""
        for stamp, samples in self._pending or ():
            if stamp is None:
                return False
            at = bisect.bisect_left(self._index_pts, stamp)
            if at < len(self._index_pts) and self._index_pts[at] == stamp:
                position = self._index_frame[at]
                if position > frame:
                    return False
                if frame - position <= int((PREROLL_S - INDEX_STEP_S - 0.1) * self._rate_hz):
                    return False
                self._pending_at, self._rest = position, samples
                return True
        return False

    def _seek(self, stamp: int) -> bool:
        self._begun = None
        try:
            self._container.seek(stamp, stream=self._stream, backward=True)
        except self._errors:
            return False
        self._pending, self._rest = self._decoded(note=False), None
        return True

    def _stamps_count_frames(self) -> bool:
        """Whether every packet's stamp follows the one before without a gap, in whole frames."""
        if self._trusted is None:
            base = self._stream.time_base
            self._trusted = base is not None and base * self._rate_hz == 1
            if self._trusted:
                self._open()
                expected: int | None = None
                try:
                    for packet in self._container.demux(self._stream):
                        if packet.pts is None:
                            continue
                        if expected is not None and packet.pts != expected:
                            self._trusted = False
                            break
                        if not packet.duration:
                            self._trusted = False
                            break
                        expected = packet.pts + packet.duration
                except self._errors:
                    self._trusted = False
                self._open()
        return self._trusted

    def close(self) -> None:
        self._pending = self._begun = None
        while self._opened:
            self._opened.pop().close()


def _is_cover(stream: Any) -> bool:
    """Whether a picture stream is a still cover rather than a film."""
    disposition = getattr(stream, "disposition", 0)
    return bool(int(disposition) & 0x400) or (stream.frames == 1 and not stream.average_rate)


def _subtype(codec: str, context: Any) -> str:
    """Sample coding in soundfile's words where there is one, else the codec's name."""
    known = {
        "pcm_s16le": "PCM_16", "pcm_s16be": "PCM_16", "pcm_s24le": "PCM_24", "pcm_s24be": "PCM_24",
        "pcm_s32le": "PCM_32", "pcm_s32be": "PCM_32", "pcm_f32le": "FLOAT", "pcm_f32be": "FLOAT",
        "pcm_f64le": "DOUBLE", "pcm_f64be": "DOUBLE", "pcm_u8": "PCM_U8", "pcm_s8": "PCM_S8",
        "pcm_alaw": "ALAW", "pcm_mulaw": "ULAW",
    }  # fmt: skip
    if codec in known:
        return known[codec]
    if codec in LOSSLESS_CODECS:
        form = str(context.format.name).rstrip("p") if context.format else ""
        return {"s16": "PCM_16", "s32": "PCM_24", "u8": "PCM_U8", "flt": "FLOAT"}.get(form, codec.upper())
    return codec.upper()


def _to_float(frame: Any) -> Samples:
    """(frames, channels) float32 of a decoded frame; integers scaled by their full scale."""
    if frame.format.name == "fltp":  # what lossy decoders give: half the time of ``to_ndarray``
        planes = frame.planes
        samples = np.empty((frame.samples, len(planes)), dtype=np.float32)
        for channel, plane in enumerate(planes):
            samples[:, channel] = np.frombuffer(plane, np.float32, frame.samples)
        return samples
    data = frame.to_ndarray()
    if not frame.format.is_planar:
        data = data.reshape(frame.samples, -1)
    else:
        data = data.T
    if data.dtype == np.uint8:
        return (data.astype(np.float32) - 128.0) / np.float32(128.0)
    if data.dtype.kind == "i":
        scale = 2.0 ** (8 * data.dtype.itemsize - 1)
        return (data / scale).astype(np.float32)
    return np.ascontiguousarray(data, dtype=np.float32)


def _reason(error: BaseException) -> str:
    text = str(getattr(error, "strerror", None) or error).strip().rstrip(".")
    return text[:1].lower() + text[1:] if text else type(error).__name__
