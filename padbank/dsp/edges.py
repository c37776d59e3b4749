"""Where a sound begins and ends: trim points for a clip, found in one streaming pass.

What it answers: at which frame should the clip start so that nothing of the
attack is lost and no gap is felt under the stick, and where may it stop
without chopping its reverb.

How. While the sound streams by, each hop of 5 ms is kept as two numbers (half
its peak-to-peak, and its mean square about its own mean, so that DC counts for
nothing). At the end:

1. The *floor* is what lies still at the very start (and, apart from that, at
   the very end): the longest stretch of 0.02-0.4 s whose two halves differ by no
   more than chance allows, at least ``FLOOR_BELOW_LOUD_DB`` under the loudest
   hop and no louder than ``FLOOR_MAX_DBFS``. A swell or a fading reverb is not
   still, so it is never taken for a floor.
2. The *coarse* onset is the first hop that stands ``ACTIVE_OVER_FLOOR_DB`` over
   the floor and within ``RANGE_DB`` of the loudest hop; a lone faint click well
   before the sound is passed over. From there it walks back to where the
   rise leaves the floor.
3. The *fine* onset reads those few frames again, subtracts DC and mains hum
   (least squares on the stretch before the sound, 50 or 60 Hz and harmonics),
   finds the first frame that the floor cannot explain, reckons back to
   where its rise left zero, and starts ``LEAD_S`` before that. The fade-in
   covers half the lead, so that the attack is left as it is.
4. The end is the last hop that stands ``TAIL_OVER_FLOOR_DB`` over the floor
   (mean of 40 ms) and within ``RANGE_DB`` of the loudest hop, plus
   ``TAIL_HOLD_S``; then a fade of ``TAIL_FADE_S``.

The figures are padbank's own (common practice, no source).

Functions and classes: ``EdgeFinder``, ``find_edges``, ``Edges``, ``Envelope``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.errors import InputError
from padbank.units import gain_to_db, power_to_db, seconds_to_frames

Samples = NDArray[Any]
Read = Callable[[int, int], Samples]

HOP_S = 0.005
MAX_HOPS = 1 << 20
"""More hops than this (87 minutes) are merged in pairs: memory stays flat."""
RANGE_DB = 70.0
"""What lies this far below the loudest hop counts as silence."""
SILENT_DBFS = -70.0
"""A sound whose half peak-to-peak never passes this is silent: no edges, no gain."""
FLOOR_MAX_DBFS = -40.0
FLOOR_BELOW_LOUD_DB = 16.0
ACTIVE_OVER_FLOOR_DB = 6.0
SHORT_HEAD_S = 0.080
SUDDEN_DB = 12.0
"""A hop that stands this far over all before it, in the first 80 ms, is an attack after a head
too short to be judged still."""
LEAD_S = 0.0006
BACK_REACH_S = 2.0
TAIL_OVER_FLOOR_DB = 1.5
TAIL_HOLD_S = 0.030
TAIL_FADE_S = 0.050
END_FADE_S = 0.002
"""Fade where the sound is still loud when the original stops."""
MAINS_HZ = (50.0, 60.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Trim points in frames of the original; ``end_frame`` is exclusive.

    ``fade_in_frames`` and ``fade_out_frames`` lie inside ``onset_frame`` to
    ``end_frame``. ``floor_dbfs`` is the RMS level of the still stretch before
    the sound (else after it), None where there is none. ``silent``: nothing
    to trim, the whole original is kept.
    """

    onset_frame: int
    end_frame: int
    fade_in_frames: int
    fade_out_frames: int
    silent: bool
    floor_dbfs: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """What the pass kept: per hop, half the peak-to-peak and the mean square about the mean.

    Both are the largest of the channels; arrays of shape ``(hops,)``.
    """

    sample_rate_hz: int
    frames: int
    hop_frames: int
    half_span: NDArray[np.float64]
    power: NDArray[np.float64]

    @property
    def hop_s(self) -> float:
        return self.hop_frames / self.sample_rate_hz


class EdgeFinder:
    """Streaming search for the edges of a sound.

    Parameters
    ----------
    sample_rate_hz : int
    channels : int

    ``feed`` takes blocks ``(frames, channels)`` of any size; ``finish`` takes
    ``read(start_frame, n_frames)``, which gives those frames of the original
    again (fewer at its end), and returns the ``Edges``. ``envelope`` then
    serves ``roles.propose_role`` without another pass. Memory: 16 bytes per
    5 ms at most, and no more than 16 MiB for any length.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        if sample_rate_hz <= 0 or channels <= 0:
            raise InputError(
                f"{sample_rate_hz} Hz with {channels} channels is no sound: check the file"
            )
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self._hop = max(1, seconds_to_frames(HOP_S, sample_rate_hz))
        self._merge = 1
        self._rest: Samples = np.zeros((0, channels))
        self._spans: list[NDArray[np.float64]] = []
        self._powers: list[NDArray[np.float64]] = []
        self._hops = 0
        self._frames = 0
        self._envelope: Envelope | None = None

    def feed(self, block: Samples) -> None:
        """Take the next ``(frames, channels)`` block."""
        block = _as_frames(block)
        if block.shape[1] != self.channels:
            raise InputError(
                f"a block of {block.shape[1]} channels came for a sound of {self.channels}"
            )
        self._frames += len(block)
        step = self._hop * self._merge
        if len(self._rest):
            take = min(step - len(self._rest), len(block))
            self._rest = np.concatenate([self._rest, block[:take]])
            block = block[take:]
            if len(self._rest) < step:
                return
            self._keep(self._rest[None])
            self._rest = self._rest[:0]
        whole = len(block) // step
        if whole:
            self._keep(block[: whole * step].reshape(whole, step, self.channels))
        self._rest = block[whole * step :].copy()
        if self._hops > MAX_HOPS:
            self._halve()

    def _keep(self, hops: Samples) -> None:
        span, power = _hop_figures(hops)
        self._spans.append(span)
        self._powers.append(power)
        self._hops += len(span)

    def _halve(self) -> None:
        span, power = np.concatenate(self._spans), np.concatenate(self._powers)
        even = len(span) // 2 * 2
        if even != len(span):  # an odd hop waits until its partner has come
            return
        self._spans = [span.reshape(-1, 2).max(axis=1)]
        self._powers = [power.reshape(-1, 2).mean(axis=1)]
        self._hops = even // 2
        self._merge *= 2  # what is left over goes on as a part of the next, longer hop

    @property
    def envelope(self) -> Envelope:
        """The hops so far, the last one perhaps short."""
        if self._envelope is None or self._envelope.frames != self._frames:
            spans, powers = list(self._spans), list(self._powers)
            if len(self._rest):
                span, power = _hop_figures(self._rest[None])
                spans.append(span)
                powers.append(power)
            empty = np.zeros(0)
            self._envelope = Envelope(
                sample_rate_hz=self.sample_rate_hz,
                frames=self._frames,
                hop_frames=self._hop * self._merge,
                half_span=np.concatenate(spans) if spans else empty,
                power=np.concatenate(powers) if powers else empty,
            )
        return self._envelope

    def finish(self, read: Read) -> Edges:
        """The edges of all that was fed."""
        return _find(self.envelope, read)


def find_edges(samples: Samples, sample_rate_hz: int) -> Edges:
    """Edges of a whole sound in memory, ``(frames, channels)`` or ``(frames,)``.

    >>> import numpy as np
    >>> sound = np.zeros((4800, 1))
    >>> sound[2400:3600, 0] = np.sin(np.arange(1200) * 0.2)
    >>> edges = find_edges(sound, 48000)
    >>> 0 <= 2400 - edges.onset_frame <= 48
    True
    """
    samples = _as_frames(samples)
    finder = EdgeFinder(sample_rate_hz, samples.shape[1])
    finder.feed(samples)
    return finder.finish(lambda start, count: samples[start : start + count])


def _as_frames(samples: Samples) -> Samples:
    samples = np.asarray(samples)
    return samples[:, None] if samples.ndim == 1 else samples


def _hop_figures(hops: Samples) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Half peak-to-peak and mean square about the mean of ``(hops, frames, channels)``."""
    span = (hops.max(axis=1) - hops.min(axis=1)).max(axis=1) * 0.5
    centred = hops - hops.mean(axis=1, keepdims=True)
    power = np.einsum("hfc,hfc->hc", centred, centred).max(axis=1) / hops.shape[1]
    return span.astype(np.float64), power.astype(np.float64)


# ---------------------------------------------------------------- the search


@dataclass(frozen=True, slots=True)
class _Floor:
    """A still stretch: mean and largest power, largest half span, hops it was taken from."""

    power: float
    top_power: float
    half_span: float
    hops: int


def _still(envelope: Envelope, loud_power: float) -> _Floor | None:
    """The floor at the start of an envelope, or None."""
    power, span = envelope.power, envelope.half_span
    for length_s in (0.4, 0.2, 0.1, 0.06, 0.04, 0.02):
        half = seconds_to_frames(length_s / 2, round(1 / envelope.hop_s))
        if half < 1 or 2 * half >= len(power):
            continue
        first, second = float(power[:half].mean()), float(power[half : 2 * half].mean())
        if first <= 0.0 or second <= 0.0:
            if first == second:
                return _Floor(0.0, 0.0, 0.0, 2 * half)
            continue
        # Chi-square spread of a mean square over half a stretch of white noise, three sigma
        chance_db = 0.5 + 3 * 4.343 * math.sqrt(4 / (half * envelope.hop_frames))
        level = (first + second) / 2
        if (
            abs(power_to_db(first) - power_to_db(second)) <= chance_db
            and power_to_db(level) <= FLOOR_MAX_DBFS
            and power_to_db(level) <= power_to_db(loud_power) - FLOOR_BELOW_LOUD_DB
        ):
            part = slice(0, 2 * half)
            return _Floor(level, float(power[part].max()), float(span[part].max()), 2 * half)
    return _short_head(envelope, loud_power)


def _short_head(envelope: Envelope, loud_power: float) -> _Floor | None:
    """A few hops too short to show that they are still, before a sudden loud hop."""
    power, span = envelope.power, envelope.half_span
    reach = max(2, round(SHORT_HEAD_S / envelope.hop_s))
    for hop in range(1, min(reach, len(power) - 1)):
        before = float(span[:hop].max())
        sudden = max(float(span[hop]), float(span[hop + 1])) >= before * 10 ** (SUDDEN_DB / 20)
        low = power_to_db(float(power[:hop].max())) <= min(
            FLOOR_MAX_DBFS + 3.0, power_to_db(loud_power) - FLOOR_BELOW_LOUD_DB
        )
        if sudden and low and max(power[hop], power[hop + 1]) >= loud_power * 10 ** (-12 / 10):
            level = float(power[:hop].mean())
            return _Floor(level, float(power[:hop].max()), before, hop)
    return None


def _skip_dead(envelope: Envelope, dead: float) -> int:
    """Hops of digital silence (or next to it) at the start."""
    alive = np.flatnonzero(envelope.half_span > dead)
    return int(alive[0]) if len(alive) else 0


def _from(envelope: Envelope, hop: int) -> Envelope:
    return Envelope(
        sample_rate_hz=envelope.sample_rate_hz,
        frames=envelope.frames,
        hop_frames=envelope.hop_frames,
        half_span=envelope.half_span[hop:],
        power=envelope.power[hop:],
    )


def _reversed(envelope: Envelope) -> Envelope:
    return Envelope(
        sample_rate_hz=envelope.sample_rate_hz,
        frames=envelope.frames,
        hop_frames=envelope.hop_frames,
        half_span=envelope.half_span[::-1],
        power=envelope.power[::-1],
    )


def _find(envelope: Envelope, read: Read) -> Edges:
    span, power = envelope.half_span, envelope.power
    whole = Edges(
        onset_frame=0,
        end_frame=envelope.frames,
        fade_in_frames=0,
        fade_out_frames=0,
        silent=True,
        floor_dbfs=None,
    )
    if not len(span) or gain_to_db(float(span.max())) < SILENT_DBFS:
        return whole
    loud_span, loud_power = float(span.max()), float(power.max())
    quiet_span = loud_span * 10 ** (-RANGE_DB / 20)

    dead = _skip_dead(envelope, quiet_span)
    head = _from(envelope, dead)
    head_floor = _still(head, loud_power)
    first = dead + _first_active(head, head_floor, quiet_span, loud_span)
    start_hop = _walk_back(envelope, first, dead, head_floor)
    onset_frame, fade_in_frames = _fine_onset(
        envelope, read, start_hop, first, dead, head_floor, quiet_span
    )

    back = _reversed(envelope)
    tail_dead = _skip_dead(back, quiet_span)
    tail = _from(back, tail_dead)
    tail_floor = _still(tail, loud_power)
    end_frame, fade_out_frames = _end(envelope, tail, tail_floor, tail_dead, quiet_span, read)
    end_frame = max(end_frame, min(envelope.frames, onset_frame + envelope.hop_frames))
    fade_out_frames = min(fade_out_frames, (end_frame - onset_frame) // 2)
    fade_in_frames = min(fade_in_frames, (end_frame - onset_frame) // 2)
    floor = head_floor or tail_floor
    return Edges(
        onset_frame=onset_frame,
        end_frame=end_frame,
        fade_in_frames=fade_in_frames,
        fade_out_frames=fade_out_frames,
        silent=False,
        floor_dbfs=None if floor is None or floor.power <= 0 else power_to_db(floor.power),
    )


def _first_active(
    head: Envelope, floor: _Floor | None, quiet_span: float, loud_span: float
) -> int:
    """First hop of the sound, counted in ``head``."""
    over = 10 ** (ACTIVE_OVER_FLOOR_DB / 20)
    active = head.half_span > quiet_span
    if floor is not None:
        active &= (head.half_span > over * floor.half_span) | (
            head.power > over * max(floor.top_power, over * floor.power)
        )
    hops = np.flatnonzero(active)
    if not len(hops):
        return 0
    lone = max(1, round(0.010 / head.hop_s))
    gap = max(1, round(0.060 / head.hop_s))
    faint = loud_span * 10 ** (-30 / 20)
    breaks = np.flatnonzero(np.diff(hops) > gap)
    begin = 0
    for last in breaks:
        run = hops[begin : last + 1]
        if run[-1] - run[0] < lone and head.half_span[run].max() < faint:
            begin = int(last) + 1
            continue
        break
    return int(hops[begin])


def _mean_back(power: NDArray[np.float64], hops: int) -> NDArray[np.float64]:
    """Mean of the last ``hops`` values at each hop (fewer at the start)."""
    sums = np.concatenate([[0.0], np.cumsum(power)])
    index = np.arange(1, len(power) + 1)
    low = np.maximum(0, index - hops)
    return np.asarray((sums[index] - sums[low]) / (index - low))


def _walk_back(envelope: Envelope, first: int, dead: int, floor: _Floor | None) -> int:
    """From the first active hop back to where the rise leaves the floor."""
    if floor is None or floor.power <= 0.0:
        return max(dead, first - 1)
    hops = max(1, round(0.050 / envelope.hop_s))  # whole half periods of 50 and 60 Hz
    low = max(dead, first - round(BACK_REACH_S / envelope.hop_s))
    still = max(low, dead + floor.hops)
    reference = envelope.power[dead : max(dead + floor.hops, first - hops)]
    level = min(floor.power, float(np.median(reference))) if len(reference) else floor.power
    chance_db = 1.0 + 3 * 4.343 * math.sqrt(2 / (hops * envelope.hop_frames))
    smooth = _mean_back(envelope.power[low : first + 1], hops)
    hop = first
    while hop > still and smooth[hop - 1 - low] > level * 10 ** (chance_db / 10):
        hop -= 1
    return max(low, hop - 1)


def _fine_onset(
    envelope: Envelope,
    read: Read,
    start_hop: int,
    first: int,
    dead: int,
    floor: _Floor | None,
    quiet_span: float,
) -> tuple[int, int]:
    """Onset and fade-in, in frames, from the frames around the coarse onset."""
    rate, hop = envelope.sample_rate_hz, envelope.hop_frames
    search = max(dead, start_hop - max(1, round(0.010 / envelope.hop_s))) * hop
    begin = max(dead * hop - hop, search - seconds_to_frames(0.2, rate), 0)
    stop = min(envelope.frames, (first + 2) * hop + seconds_to_frames(0.25, rate))
    frames = np.asarray(_as_frames(read(begin, stop - begin)), dtype=np.float64)
    if not len(frames):
        return search, 0
    still = max(0, search - begin)
    rest = _less_dc_and_hum(frames, still, rate)
    size = np.abs(rest)
    threshold = np.full(size.shape[1], quiet_span)
    if floor is not None and still >= seconds_to_frames(0.004, rate):
        before = size[:still]
        threshold = np.maximum(
            threshold,
            np.maximum(4.5 * np.sqrt((before**2).mean(axis=0)), 1.15 * before.max(axis=0)),
        )
    over = size[still:] > threshold
    hits = np.flatnonzero(over.any(axis=1))
    if not len(hits):
        return search, 0
    at = int(hits[0])
    channel = int(np.argmax(size[still + at] / threshold))
    lead = max(1, seconds_to_frames(LEAD_S, rate))
    delay = _delay(size[still + at :, channel], threshold[channel], lead / 2)
    onset = begin + still + at - round(delay)
    onset = max(onset, dead * hop - hop, 0)
    start = max(0, onset - lead)
    if start == 0 and begin + still + at == 0:
        return 0, 0
    return start, (onset - start) // 2


def _delay(size: NDArray[np.float64], threshold: float, most: float) -> float:
    """Frames from the true onset to where ``size`` first passes the threshold, at index 0.

    A rise that goes as time to the power p passes 1, 2 and 4 thresholds at times
    whose distances stand as 1 to 2**(1/p); that gives p and where it left zero.
    """
    rise = np.maximum.accumulate(size)
    passed = []
    for times in (2.0, 4.0):
        beyond = np.flatnonzero(rise > times * threshold)
        passed.append(float(beyond[0]) if len(beyond) else float(len(rise)))
    ratio = (passed[1] - passed[0]) / max(passed[0], 0.5)
    straight = passed[1] / 3
    curved = passed[0] / (min(2.0, max(1.3, ratio)) - 1)
    return min(max(straight, curved), straight + most)


def _less_dc_and_hum(frames: Samples, still: int, rate: int) -> NDArray[np.float64]:
    """Frames less the DC and the mains hum that their first ``still`` frames show."""
    if still < 8:
        # Nothing lies before the sound: its own first value is all that is known of DC
        return np.asarray(frames - (frames[0] if still else 0.0))
    rest = frames - frames[:still].mean(axis=0)
    if still < rate // 25:  # two periods of 50 Hz
        return np.asarray(rest)
    best, best_power = rest, float((rest[:still] ** 2).sum()) * 0.5
    time = np.arange(len(frames)) / rate
    for mains_hz in MAINS_HZ:
        harmonics = [k for k in range(1, 9) if k * mains_hz < 0.45 * rate]
        angles = 2 * np.pi * mains_hz * np.outer(time, harmonics)
        basis = np.concatenate([np.ones((len(time), 1)), np.cos(angles), np.sin(angles)], axis=1)
        weights = np.linalg.lstsq(basis[:still], frames[:still], rcond=None)[0]
        candidate = frames - basis @ weights
        left = float((candidate[:still] ** 2).sum())
        if left < best_power:
            best, best_power = candidate, left
    return np.asarray(best)


def _end(
    envelope: Envelope,
    tail: Envelope,
    floor: _Floor | None,
    tail_dead: int,
    quiet_span: float,
    read: Read,
) -> tuple[int, int]:
    """End (exclusive) and fade-out in frames. ``tail`` runs backwards from the end."""
    rate, hop = envelope.sample_rate_hz, envelope.hop_frames
    hops = max(1, round(0.040 / tail.hop_s))
    active = tail.half_span > quiet_span
    if floor is not None:
        smooth = _mean_back(tail.power, hops)
        level = floor.power * 10 ** (TAIL_OVER_FLOOR_DB / 10)
        active &= (smooth > level) & (tail.power > floor.power)
        active |= tail.half_span > 2 * max(floor.half_span, quiet_span)
    found = np.flatnonzero(active)
    last = (int(found[0]) if len(found) else 0) + tail_dead  # hops after the sound's last one
    end = (len(envelope.power) - last) * hop
    if last == 0 or end >= envelope.frames:
        tail_frames = _as_frames(read(max(0, envelope.frames - 8), min(8, envelope.frames)))
        step = float(np.abs(tail_frames[-1:]).max(initial=0.0))
        ends_still = step <= quiet_span * 3
        return envelope.frames, 0 if ends_still else seconds_to_frames(END_FADE_S, rate)
    hold, fade = seconds_to_frames(TAIL_HOLD_S, rate), seconds_to_frames(TAIL_FADE_S, rate)
    end_frame = min(envelope.frames, end + hold + fade)
    return end_frame, min(fade, end_frame - end)
