"""Where a sound begins and ends: trim points for a clip, found in one streaming pass.

What it answers: at which frame should the clip start so that nothing of the
attack is lost and no gap is felt under the stick, and where may it stop
without chopping its reverb.

How. While the sound streams by, peak and power of every 5 ms are kept (``envelope``). Then:

1. The *floor* is what lies still at the very start (and, apart from that, at
   the very end): see ``floor``.
2. The *coarse* onset is the first hop that stands ``ACTIVE_OVER_FLOOR_DB`` over
   the floor and within ``RANGE_DB`` of the loudest hop; a lone faint click well
   before the sound is passed over, and so is a swing of rumble (what is not moved by the
   hop's own mean must stand out as well). From there it walks back to where the rise leaves
   the floor. Where nothing stands out for sure the head is kept: at 20 dB from peak to the noise's
   RMS hardly ever, at 17 dB one clip in ten, at 14 dB one in three or more.
3. The *fine* onset (``onset`` and ``rise``) reads those few frames again and finds the frame; of a
   swell, again from further back.
   The fade-in covers the first half of the lead before it, so that the attack is left as it is.
4. The end is the last hop that stands ``TAIL_OVER_FLOOR_DB`` over the floor
   (mean of 50 ms) and within ``RANGE_DB`` of the loudest hop, plus
   ``TAIL_HOLD_S``; then a fade of ``TAIL_FADE_S``.

The figures are padbank's own (common practice, no source).

Functions and classes: ``EdgeFinder``, ``find_edges``, ``Edges``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.envelope import Envelope, EnvelopeFollower, Read, Samples, as_frames, mean_back
from padbank.dsp.floor import Floor, dead_hops, floor_at_head, floor_at_tail
from padbank.dsp.onset import find_onset
from padbank.units import gain_to_db, power_to_db, seconds_to_frames

RANGE_DB = 70.0
"""What lies this far below the loudest hop counts as silence."""
SILENT_DBFS = -70.0
"""A sound whose peak (less DC) never passes this is silent: no edges, no gain."""
ACTIVE_OVER_FLOOR_DB = 6.0
RIPPLE_OVER_FLOOR = 1.26
"""A hop whose ripple does not stand 1 dB over the floor's highest is a swing of rumble."""
LONE_CLICK_S = 0.010
CLICK_BELOW_LOUD_DB = 30.0
LONE_SWING_S = 0.050
SWING_BELOW_LOUD_DB = 12.0
SWING_OVER_FLOOR_DB = 9.0
BACK_REACH_S = 2.0
MOST_LOOKS = 4
CLEAR_OF_RISE = 0.25
"""The frames that show noise and hum must end so much of the rise's length before it begins."""
TAIL_OVER_FLOOR_DB = 1.5
TAIL_HOLD_S = 0.030
TAIL_FADE_S = 0.050
END_FADE_S = 0.002
"""Fade where the sound is still loud when the original stops."""


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


class EdgeFinder:
    """Streaming search for the edges of a sound.

    Parameters
    ----------
    sample_rate_hz : int
    channels : int

    ``feed`` takes blocks ``(frames, channels)`` of any size; ``finish`` takes
    ``read(start_frame, n_frames)``, which gives those frames of the original
    again (fewer at its end), and returns the ``Edges``. ``envelope`` then
    serves ``roles.propose_role`` without another pass. Memory stays flat (see
    ``envelope``).
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._follower = EnvelopeFollower(sample_rate_hz, channels)

    def feed(self, block: Samples) -> None:
        """Take the next ``(frames, channels)`` block."""
        self._follower.feed(block)

    @property
    def envelope(self) -> Envelope:
        """The envelope of all that was fed."""
        return self._follower.envelope

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
    samples = as_frames(samples)
    finder = EdgeFinder(sample_rate_hz, samples.shape[1])
    finder.feed(samples)
    return finder.finish(lambda start, count: samples[start : start + count])


# ---------------------------------------------------------------- the search


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

    dead = dead_hops(envelope, quiet_peak)
    head = envelope.from_hop(dead)
    head_floor = floor_at_head(envelope, dead, loud_power, read)
    first = dead + _first_active(head, head_floor, quiet_peak, loud_peak)
    start_hop = _walk_back(envelope, first, dead, head_floor)
    onset_frame, fade_in_frames = _fine_onset(
        envelope, read, start_hop, first, dead, head_floor, quiet_peak, loud_peak
    )

    back = envelope.reversed()
    tail_dead = dead_hops(back, quiet_peak)
    tail = back.from_hop(tail_dead)
    tail_floor = floor_at_tail(envelope, tail, loud_power, read)
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
    head: Envelope, floor: Floor | None, quiet_peak: float, loud_peak: float
) -> int:
    """First hop of the sound, counted in ``head``."""
    over = 10 ** (ACTIVE_OVER_FLOOR_DB / 20)
    active = head.peak > quiet_peak
    if floor is not None:
        active &= (head.peak > over * floor.peak) | (
            head.power > over * max(floor.top_power, over * floor.power)
        )
        active &= head.ripple > RIPPLE_OVER_FLOOR * floor.top_ripple
        if not active.any():  # too near a rumble, but what lies above the rumble may stand out
            ripple = float(head.ripple[: floor.hops].mean())
            active = head.ripple > over * max(floor.top_ripple, over * ripple)
    hops = np.flatnonzero(active)
    if not len(hops):
        return 0
    gap = max(1, round(0.060 / head.hop_s))
    breaks = np.flatnonzero(np.diff(hops) > gap)
    begin = 0
    for last in breaks:
        if not _is_stray(head, floor, hops[begin : last + 1], loud_peak):
            break
        begin = int(last) + 1
    return int(hops[begin])


def _is_stray(
    head: Envelope, floor: Floor | None, run: NDArray[np.intp], loud_peak: float
) -> bool:
    """Whether a run of hops by itself is a faint click, or a swing of noise that has much bass."""
    peak, time_s = float(head.peak[run].max()), float(run[-1] - run[0] + 1) * head.hop_s
    if time_s <= LONE_CLICK_S and peak < loud_peak * 10 ** (-CLICK_BELOW_LOUD_DB / 20):
        return True
    return (
        floor is not None
        and time_s <= LONE_SWING_S
        and peak < loud_peak * 10 ** (-SWING_BELOW_LOUD_DB / 20)
        and float(head.power[run].max()) <= 10 ** (SWING_OVER_FLOOR_DB / 10) * floor.top_power
    )


def _walk_back(envelope: Envelope, first: int, dead: int, floor: Floor | None) -> int:
    """From the first active hop back to where the rise leaves the floor."""
    if floor is None or floor.power <= 0.0:
        return max(dead, first - 1)
    hops = max(1, round(0.050 / envelope.hop_s))  # whole half periods of 50 and 60 Hz
    low = max(dead, first - round(BACK_REACH_S / envelope.hop_s))
    still = max(low, dead + floor.hops)
    reference = envelope.power[dead : max(dead + floor.hops, first - hops)]
    if len(reference) > hops:  # a median of single hops of hum would lie under its power
        reference = mean_back(reference, hops)[hops - 1 :]
    level = min(floor.power, float(np.median(reference))) if len(reference) else floor.power
    chance_db = 1.0 + 3 * 4.343 * math.sqrt(2 / (hops * envelope.hop_frames))
    smooth = mean_back(envelope.power[low : first + 1], hops)
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
    floor: Floor | None,
    quiet_peak: float,
    loud_peak: float,
) -> tuple[int, int]:
    """Onset and fade-in, in frames, from the frames around the coarse onset.

    Where a rise is found to reach into the frames that taught noise and hum, they held its foot:
    it is looked for again with earlier ones. A hum hides a foot in the floor itself.
    """
    rate, hop = envelope.sample_rate_hz, envelope.hop_frames
    # what rises slowly goes on below the noise for about as long again
    back = max(1, round(0.010 / envelope.hop_s)) + (first - start_hop)
    floor_hops = floor.hops if floor else 0
    search = max(dead, min(max(dead + floor_hops, start_hop - back), start_hop)) * hop
    stop = min(envelope.frames, (first + 2) * hop + seconds_to_frames(0.25, rate))
    edge = search, 0
    for _ in range(MOST_LOOKS):
        begin = max((dead - 1) * hop, search - seconds_to_frames(0.2, rate), 0)
        frames = np.asarray(as_frames(read(begin, stop - begin)), dtype=np.float64)
        if not len(frames):
            break
        found = find_onset(
            frames,
            rate,
            still=max(0, search - begin),
            sure=(first + 1) * hop - begin,
            background=floor is not None,
            quiet_peak=quiet_peak,
            loud_peak=loud_peak,
        )
        if found is None:
            break
        onset = max(begin + found.start + found.lead, (dead - 1) * hop, 0)
        start = max(onset - found.lead, 0)
        edge = start, (onset - start) // 2
        rise = (first + 1) * hop - onset
        earliest = (dead + (floor_hops // 2 if found.hum else floor_hops)) * hop
        if search <= earliest or onset - search >= CLEAR_OF_RISE * rise:
            break
        search = max(earliest, onset - max(rise // 2, seconds_to_frames(0.010, rate)))
    return edge


def _end(
    envelope: Envelope,
    tail: Envelope,
    floor: Floor | None,
    tail_dead: int,
    quiet_peak: float,
    read: Read,
) -> tuple[int, int]:
    """End (exclusive) and fade-out in frames. ``tail`` runs backwards from the end."""
    rate, hop = envelope.sample_rate_hz, envelope.hop_frames
    hops = max(1, round(0.050 / tail.hop_s))  # whole half periods of 50 and 60 Hz
    active = tail.peak > quiet_peak
    if floor is not None:
        smooth = mean_back(tail.power, hops)
        smooth[:hops] = smooth[min(hops, len(smooth)) - 1]
        level = floor.power * 10 ** (TAIL_OVER_FLOOR_DB / 10)
        active &= (smooth > level) & (tail.power > floor.power)
        active |= tail.peak > 2 * max(floor.peak, quiet_peak)
    found = np.flatnonzero(active)
    last = (int(found[0]) if len(found) else 0) + tail_dead  # hops after the sound's last one
    end = (len(envelope.power) - last) * hop
    if last == 0 or end >= envelope.frames:
        tail_frames = as_frames(read(max(0, envelope.frames - 8), min(8, envelope.frames)))
        step = float(np.abs(tail_frames[-1:]).max(initial=0.0))
        ends_still = step <= quiet_peak * 3
        return envelope.frames, 0 if ends_still else seconds_to_frames(END_FADE_S, rate)
    hold, fade = seconds_to_frames(TAIL_HOLD_S, rate), seconds_to_frames(TAIL_FADE_S, rate)
    end_frame = min(envelope.frames, end + hold + fade)
    return end_frame, min(fade, end_frame - end)
