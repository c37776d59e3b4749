"""What has to be read from a clip's sound once: its level as played, and what a smaller version would lose.

Functions: ``measure_clip``, ``loss_profile``.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from padbank.domain import Clip, Measurement
from padbank.dsp.measure import Meter
from padbank.dsp.render import choose_channels
from padbank.dsp.versions import mono_loss_db, rate_loss_db
from padbank.workflow.ingest import IN_MEMORY_S, measure_as_played
from padbank.workflow.render import blocks_of, read_part

JUDGED_S = 120.0
"""Losses of longer clips are judged on their first two minutes."""


def loss_profile(original: Path, clip: Clip, rates_hz: tuple[int, ...]) -> dict[str, Any]:
    """What a clip loses in mono (``mono_db``) and at each rate (``rate_db``, by the rate as text), in dB."""
    recipe = clip.recipe
    if clip.duration_s > JUDGED_S:
        recipe = replace(recipe, end_s=recipe.start_s + JUDGED_S, loop_start_s=None, loop_end_s=None)
    head, rate_hz = read_part(original, recipe)
    return {
        "mono_db": mono_loss_db(head) if clip.channels_played == 2 else 0.0,
        "rate_db": {str(r): loss for r, loss in rate_loss_db(head, rate_hz, rates_hz).items()},
    }


def measure_clip(original: Path, clip: Clip) -> Measurement:
    """What a pad would play of a clip, at the original's rate.

    Long clips are streamed, and their fades (milliseconds of minutes) left out.
    """
    if clip.duration_s <= IN_MEMORY_S:
        samples, rate_hz = read_part(original, clip.recipe, spare_frames=1)
        return measure_as_played(samples, rate_hz, clip.recipe, offset_s=clip.recipe.start_s)
    channels = clip.channels_played
    meter: Meter | None = None
    for block, rate_hz in blocks_of(original, clip.recipe):
        meter = meter or Meter(rate_hz, channels, as_played=True)
        meter.feed(choose_channels(np.asarray(block, dtype=np.float64), clip.recipe, channels))
    assert meter is not None
    return meter.result()
