"""Loop points for a clip, proposed at matching slopes and levels."""

from __future__ import annotations

from typing import Any

from padbank.dsp.loops import propose_loop
from padbank.dsp.render import choose_channels
from padbank.errors import InputError
from padbank.store.library import Library
from padbank.workflow.render import read_part


def propose_for_clip(library: Library, name: str) -> dict[str, Any]:
    """Changes to the recipe that make a clip a loop: ``loop_start_s``, ``loop_end_s``, ``play_mode``.

    Raises
    ------
    InputError
        when the sound has no steady part to loop
    """
    clip = library.clip(name)
    samples, rate_hz = read_part(library.original_file(clip), clip.recipe)
    found = propose_loop(choose_channels(samples.astype("float64"), clip.recipe, clip.channels_played), rate_hz)
    if found is None:
        raise InputError(f"{clip.name}: no steady part was found to loop; set --loop-start and --loop-end by hand")
    return {
        "loop_start_s": clip.recipe.start_s + found.start_frame / rate_hz,
        "loop_end_s": clip.recipe.start_s + found.end_frame / rate_hz,
        "play_mode": "loop",
    }
