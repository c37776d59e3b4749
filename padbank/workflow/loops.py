"""Loop points for a clip, proposed at matching slopes and levels."""

from __future__ import annotations

from typing import Any

from padbank.dsp.loops import Seam, measure_seam, propose_loop
from padbank.dsp.render import choose_channels
from padbank.errors import InputError
from padbank.store.library import Library
from padbank.units import seconds_to_frames
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


def seam_of_clip(library: Library, name: str) -> Seam | None:
    """The seam of a clip's loop as it would sound; None without loop points."""
    clip = library.clip(name)
    recipe = clip.recipe
    if recipe.loop_start_s is None or recipe.loop_end_s is None:
        return None
    samples, rate_hz = read_part(library.original_file(clip), recipe)
    sound = choose_channels(samples.astype("float64"), recipe, clip.channels_played)
    first = seconds_to_frames(recipe.loop_start_s - recipe.start_s, rate_hz)
    end = min(len(sound), seconds_to_frames(recipe.loop_end_s - recipe.start_s, rate_hz))
    return measure_seam(sound, rate_hz, first, end)
