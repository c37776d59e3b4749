"""Where a sound begins and ends: trim points for a clip, found in one streaming pass.

What it answers: at which frame should the clip start so that nothing of the
attack is lost and no gap is felt under the stick, and where may it stop
without chopping its reverb.

How. While the sound streams by, each hop of 5 ms is kept as its highest and
lowest sample, mean and mean square. At the end the median of the means is taken
for DC, and peak and power are counted from there. Then:

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
   (mean of 50 ms) and within ``RANGE_DB`` of the loudest hop, plus
   ``TAIL_HOLD_S``; then a fade of ``TAIL_FADE_S``.

The figures are padbank's own (common practice, no source).

Functions and classes: ``EdgeFinder``, ``find_edges``, ``Edges``, ``Envelope``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.errors import InputError
from padbank.units import gain_to_db, power_to_db, seconds_to_frames

Samples = NDArray[Any]
Read = Callable[[int, int], Samples]

HOP_S = 0.005
MAX_HOPS = 1 << 18
"""More hops than this (22 minutes) are merged in pairs: memory stays flat."""
RANGE_DB = 70.0
"""What lies this far below the loudest hop counts as silence."""
SILENT_DBFS = -70.0
"""A sound whose peak (less DC) never passes this is silent: no edges, no gain."""
FLOOR_MAX_DBFS = -40.0
FLOOR_BELOW_LOUD_DB = 16.0
SHORT_FLOOR_BELOW_LOUD_DB = 40.0
"""Less than 0.2 s of stillness at the end may be a part of a reverb: it must lie this far down."""
ACTIVE_OVER_FLOOR_DB = 6.0
SHORT_HEAD_S = 0.080
SUDDEN_DB = 12.0
"""A hop that stands this far over all before it, in the first 80 ms, is an attack after a head
too short to be judged still."""
LEAD_S = 0.0006
BACK_REACH_S = 2.0
PRE_ECHO_S = 0.035
PRE_ECHO_DB = 26.0
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
    """What the pass kept, per hop: the peak and the mean square about the sound's DC.

    Both are the largest of the channels; arrays of shape ``(hops,)``.
    """

    sample_rate_hz: int
    frames: int
    hop_frames: int
    peak: NDArray[np.float64]
    power: NDArray[np.float64]

    @property
    def hop_s(self) -> float:
        return self.hop_frames / self.sample_rate_hz

    def from_hop(self, hop: int) -> Envelope:
        return replace(self, peak=self.peak[hop:], power=self.power[hop:])

    def reversed(self) -> Envelope:
        return replace(self, peak=self.peak[::-1], power=self.power[::-1])


class EdgeFinder:
    """Streaming search for the edges of a sound.

    Parameters
    ----------
    sample_rate_hz : int
    channels : int

    ``feed`` takes blocks ``(frames, channels)`` of any size; ``finish`` takes
    ``read(start_frame, n_frames)``, which gives those frames of the original
    again (fewer at its end), and returns the ``Edges``. ``envelope`` then
    serves ``roles.propose_role`` without another pass. Memory: 32 bytes per
    hop and channel, no more than 8 MiB a channel for any length.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        if sample_rate_hz <= 0 or channels <= 0:
            raise InputError(
                f"{sample_rate_hz} Hz with {channels} channels is no sound: check the file"
            )
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self._hop = max(1, seconds_to_frames(HOP_S, sample_rate_hz))
        self._rest: Samples = np.zeros((0, channels))
        # per hop and channel: highest, lowest, mean, mean square
        self._hops: list[NDArray[np.float64]] = []
        self._count = 0
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
        hop = self._hop
        if len(self._rest):
            take = min(hop - len(self._rest), len(block))
            self._rest = np.concatenate([self._rest, block[:take]])
            block = block[take:]
            if len(self._rest) < hop:
                return
            self._keep(self._rest[None])
            self._rest = self._rest[:0]
        whole = len(block) // hop
        if whole:
            self._keep(block[: whole * hop].reshape(whole, hop, self.channels))
        self._rest = block[whole * hop :].copy()
        if self._count > MAX_HOPS and self._count % 2 == 0:
            self._halve()

    def _keep(self, hops: Samples) -> None:
        self._hops.append(_hop_figures(hops))
        self._count += len(hops)

    def _halve(self) -> None:
        """Merge hops in pairs; what is left over goes on as a part of the next, longer hop."""
        pairs = np.concatenate(self._hops, axis=1).reshape(4, -1, 2, self.channels)
        self._hops = [
            np.stack(
                [
                    pairs[0].max(axis=1),
                    pairs[1].min(axis=1),
                    pairs[2].mean(axis=1),
                    pairs[3].mean(axis=1),
                ]
            )
        ]
        self._count //= 2
        self._hop *= 2

    @property
    def envelope(self) -> Envelope:
        """The hops so far, the last one perhaps short."""
        if self._envelope is None or self._envelope.frames != self._frames:
            parts = list(self._hops)
            if len(self._rest):
                parts.append(_hop_figures(self._rest[None]))
            if not parts:
                parts = [np.zeros((4, 0, self.channels))]
            high, low, mean, square = np.concatenate(parts, axis=1)
            dc = np.median(mean, axis=0) if len(mean) else np.zeros(self.channels)
            self._envelope = Envelope(
                sample_rate_hz=self.sample_rate_hz,
                frames=self._frames,
                hop_frames=self._hop,
                peak=np.maximum(high - dc, dc - low).max(axis=1),
                power=np.maximum(square - 2 * dc * mean + dc * dc, 0.0).max(axis=1),
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


def _hop_figures(hops: Samples) -> NDArray[np.float64]:
    """Highest, lowest, mean and mean square of ``(hops, frames, channels)``: (4, hops, channels)."""
    mean = hops.mean(axis=1, dtype=np.float64)
    centred = hops - mean[:, None].astype(hops.dtype)
    square = np.einsum("hfc,hfc->hc", centred, centred) / hops.shape[1] + mean**2
    return np.stack([hops.max(axis=1), hops.min(axis=1), mean, square]).astype(np.float64)


# ---------------------------------------------------------------- the search


@dataclass(frozen=True, slots=True)
class _Floor:
    """A still stretch: mean and largest power, largest peak, hops it was taken from."""

    power: float
    top_power: float
    peak: float
    hops: int


def _still(
    envelope: Envelope, loud_power: float, short_below_db: float = FLOOR_BELOW_LOUD_DB
) -> _Floor | None:
    """The floor at the start of an envelope, or None."""
    power, peak = envelope.power, envelope.peak
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
        below_db = FLOOR_BELOW_LOUD_DB if length_s >= 0.2 else short_below_db
        if (
            abs(power_to_db(first) - power_to_db(second)) <= chance_db
            and power_to_db(level) <= FLOOR_MAX_DBFS
            and power_to_db(level) <= power_to_db(loud_power) - below_db
        ):
            part = slice(0, 2 * half)
            return _Floor(level, float(power[part].max()), float(peak[part].max()), 2 * half)
    return _short_head(envelope, loud_power)


def _short_head(envelope: Envelope, loud_power: float) -> _Floor | None:
    """A few hops too short to show that they are still, before a sudden loud hop."""
    power, peak = envelope.power, envelope.peak
    reach = max(2, round(SHORT_HEAD_S / envelope.hop_s))
    for hop in range(1, min(reach, len(power) - 1)):
        before = float(peak[:hop].max())
        sudden = max(float(peak[hop]), float(peak[hop + 1])) >= before * 10 ** (SUDDEN_DB / 20)
        low = power_to_db(float(power[:hop].max())) <= min(
            FLOOR_MAX_DBFS + 3.0, power_to_db(loud_power) - FLOOR_BELOW_LOUD_DB
        )
        if sudden and low and max(power[hop], power[hop + 1]) >= loud_power * 10 ** (-12 / 10):
            level = float(power[:hop].mean())
            return _Floor(level, float(power[:hop].max()), before, hop)
    return None


def _skip_dead(envelope: Envelope, dead: float) -> int:
    """Hops of digital silence (or next to it) at the start."""
    alive = np.flatnonzero(envelope.peak > dead)
    return int(alive[0]) if len(alive) else 0


def _find(envelope: Envelope, read: Read) -> Edges:
    peak, power = envelope.peak, envelope.power
    whole = Edges(
        onset_frame=0,
        end_frame=envelope.frames,
        fade_in_frames=0,
        fade_out_frames=0,
        silent=True,
        floor_dbfs=None,
    )
    if not len(peak) or gain_to_db(float(peak.max())) < SILENT_DBFS:
        return whole
    loud_peak, loud_power = float(peak.max()), float(power.max())
    quiet_peak = loud_peak * 10 ** (-RANGE_DB / 20)

    dead = _skip_dead(envelope, quiet_peak)
    head = envelope.from_hop(dead)
    head_floor = _still(head, loud_power)
    first = dead + _first_active(head, head_floor, quiet_peak, loud_peak)
    start_hop = _walk_back(envelope, first, dead, head_floor)
    onset_frame, fade_in_frames = _fine_onset(
        envelope, read, start_hop, first, dead, head_floor, quiet_peak, loud_peak
    )

    back = envelope.reversed()
    tail_dead = _skip_dead(back, quiet_peak)
    tail = back.from_hop(tail_dead)
    tail_floor = _still(tail, loud_power, SHORT_FLOOR_BELOW_LOUD_DB)
    end_frame, fade_out_frames = _end(envelope, tail, tail_floor, tail_dead, quiet_peak, read)
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
    head: Envelope, floor: _Floor | None, quiet_peak: float, loud_peak: float
) -> int:
    """First hop of the sound, counted in ``head``."""
    over = 10 ** (ACTIVE_OVER_FLOOR_DB / 20)
    active = head.peak > quiet_peak
    if floor is not None:
        active &= (head.peak > over * floor.peak) | (
            head.power > over * max(floor.top_power, over * floor.power)
        )
    hops = np.flatnonzero(active)
    if not len(hops):
        return 0
    lone = max(1, round(0.010 / head.hop_s))
    gap = max(1, round(0.060 / head.hop_s))
    faint = loud_peak * 10 ** (-30 / 20)
    breaks = np.flatnonzero(np.diff(hops) > gap)
    begin = 0
    for last in breaks:
        run = hops[begin : last + 1]
        if run[-1] - run[0] < lone and head.peak[run].max() < faint:
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
    quiet_peak: float,
    loud_peak: float,
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
    threshold = np.full(size.shape[1], quiet_peak)
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
    at, threshold = _past_pre_echo(size[still:], at, threshold, rate, loud_peak)
    channel = int(np.argmax(size[still + at] / threshold))
    lead = max(1, seconds_to_frames(LEAD_S, rate))
    delay = _delay(size[still + at :, channel], threshold[channel], lead)
    onset = begin + still + at - round(delay)
    onset = max(onset, dead * hop - hop, 0)
    start = max(0, onset - lead)
    if start == 0 and begin + still + at == 0:
        return 0, 0
    return start, (onset - start) // 2


def _past_pre_echo(
    size: NDArray[np.float64],
    at: int,
    threshold: NDArray[np.float64],
    rate: int,
    loud_peak: float,
) -> tuple[int, NDArray[np.float64]]:
    """Move on to a loud attack that follows a faint foreword within ``PRE_ECHO_S``.

    Lossy coding smears a little of an attack to before it. What lies ``PRE_ECHO_DB``
    under a sudden attack is that, or a stick's breath, and only makes the pad late.
    """
    back = max(1, seconds_to_frames(0.0015, rate))
    part = size[at : at + back + seconds_to_frames(PRE_ECHO_S, rate)]
    if len(part) <= back:
        return at, threshold
    top = part.max(axis=1)
    before = np.maximum.accumulate(top)[:-back]
    after = top[back:]
    sudden = (after >= before * 10 ** (PRE_ECHO_DB / 20)) & (after >= loud_peak / 4)
    if not sudden.any():
        return at, threshold
    level = 2.0 * float(before[int(np.flatnonzero(sudden)[0])])
    raised = np.maximum(threshold, level)
    over = np.flatnonzero((part > raised).any(axis=1))
    return (at + int(over[0]), raised) if len(over) else (at, threshold)


def _delay(size: NDArray[np.float64], threshold: float, lead: int) -> float:
    """Frames from the true onset to where ``size`` first passes the threshold, at index 0.

    A rise that goes as time to the power p passes 1, 2 and 4 thresholds at times
    whose distances stand as 1 to 2**(1/p); that gives p and where it left zero. Of a
    sudden rise noise allows only a rough guess, so what goes beyond a straight
    rise is held to a part of the lead; a slow one may begin three times as early (p = 2).
    """
    rise = np.maximum.accumulate(size)
    passed = []
    for times in (2.0, 4.0):
        beyond = np.flatnonzero(rise > times * threshold)
        passed.append(float(beyond[0]) if len(beyond) else float(len(rise)))
    ratio = (passed[1] - passed[0]) / max(passed[0], 0.5)
    straight = passed[1] / 3
    curved = passed[0] / (min(2.0, max(1.3, ratio)) - 1)
    more = 0.4 * lead if straight < 3 * lead else 2 * straight
    return min(max(straight, curved), straight + more)


def _less_dc_and_hum(frames: Samples, still: int, rate: int) -> NDArray[np.float64]:
    """Frames less the DC and the mains hum that their first ``still`` frames show."""
    if still < 8:
        # Nothing lies before the sound: its own first value is all that is known of DC
        return np.asarray(frames - (frames[0] if still else 0.0))
    rest = np.asarray(frames - frames[:still].mean(axis=0))
    mains_hz = _mains(rest[:still], rate)
    if mains_hz is None:
        return rest
    basis = _harmonics(np.arange(len(frames)) / rate, mains_hz, rate)
    weights = np.linalg.lstsq(basis[:still], frames[:still], rcond=None)[0]
    return np.asarray(frames - basis @ weights)


def _harmonics(time_s: NDArray[np.float64], mains_hz: float, rate: int) -> NDArray[np.float64]:
    orders = [k for k in range(1, 9) if k * mains_hz < 0.45 * rate]
    angles = 2 * np.pi * mains_hz * np.outer(time_s, orders)
    return np.concatenate([np.ones((len(time_s), 1)), np.cos(angles), np.sin(angles)], axis=1)


def _mains(rest: NDArray[np.float64], rate: int) -> float | None:
    """The mains frequency that explains at least half the power of ``rest``, or None.

    Judged on means of 1 ms, which is enough for hum.
    """
    width = max(1, rate // 1000)
    count = len(rest) // width
    if count < 40:  # two periods of 50 Hz
        return None
    coarse = rest[: count * width].reshape(count, width, -1).mean(axis=1)
    time_s = (np.arange(count) * width + (width - 1) / 2) / rate
    best, best_power = None, 0.5 * float((rest**2).sum()) / width
    for mains_hz in MAINS_HZ:
        basis = _harmonics(time_s, mains_hz, rate)
        weights = np.linalg.lstsq(basis, coarse, rcond=None)[0]
        explained = float(((basis @ weights) ** 2).sum())
        if explained > best_power:
            best, best_power = mains_hz, explained
    return best


def _end(
    envelope: Envelope,
    tail: Envelope,
    floor: _Floor | None,
    tail_dead: int,
    quiet_peak: float,
    read: Read,
) -> tuple[int, int]:
    """End (exclusive) and fade-out in frames. ``tail`` runs backwards from the end."""
    rate, hop = envelope.sample_rate_hz, envelope.hop_frames
    hops = max(1, round(0.050 / tail.hop_s))  # whole half periods of 50 and 60 Hz
    active = tail.peak > quiet_peak
    if floor is not None:
        smooth = _mean_back(tail.power, hops)
        smooth[:hops] = smooth[min(hops, len(smooth)) - 1]
        level = floor.power * 10 ** (TAIL_OVER_FLOOR_DB / 10)
        active &= (smooth > level) & (tail.power > floor.power)
        active |= tail.peak > 2 * max(floor.peak, quiet_peak)
    found = np.flatnonzero(active)
    last = (int(found[0]) if len(found) else 0) + tail_dead  # hops after the sound's last one
    end = (len(envelope.power) - last) * hop
    if last == 0 or end >= envelope.frames:
        tail_frames = _as_frames(read(max(0, envelope.frames - 8), min(8, envelope.frames)))
        step = float(np.abs(tail_frames[-1:]).max(initial=0.0))
        ends_still = step <= quiet_peak * 3
        return envelope.frames, 0 if ends_still else seconds_to_frames(END_FADE_S, rate)
    hold, fade = seconds_to_frames(TAIL_HOLD_S, rate), seconds_to_frames(TAIL_FADE_S, rate)
    end_frame = min(envelope.frames, end + hold + fade)
    return end_frame, min(fade, end_frame - end)
