"""``render``: hear what a pad would play, as a WAV on disk."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

from padbank.domain import Show
from padbank.errors import InputError
from padbank.files.scratch import scratch_folder
from padbank.store.library import Library
from padbank.workflow.render import RenderedFacts, level_settings, render_job, render_to_file
from padbank.workflow.shows import open_show

PLAIN_RATE_HZ, PLAIN_BITS = 44100, 24


def render_clip(library: Library, name: str, output: Path, *, show: str | None = None) -> RenderedFacts:
    """Write a clip as a pad would play it.

    With ``show``: at that show's level, in the version and format that its
    layout or rig gives the clip. Without: at −16 LUFS, −1 dBTP, 44.1 kHz, 24 bit.

    Raises
    ------
    InputError
        when the output is no ``.wav`` or cannot be written
    """
    if output.suffix.lower() != ".wav":
        raise InputError(f"{output}: a rendering is a .wav: end the name with it")
    clip = library.clip(name)
    channels, rate_hz, bits = clip.channels_played, PLAIN_RATE_HZ, PLAIN_BITS
    both_sides, loop_chunk = True, True
    settings = level_settings(Show(name="plain", rig="none", segments=()), clip.recipe)
    if show is not None:
        opened = open_show(library, show)
        settings = level_settings(opened.show, clip.recipe)
        device = opened.rig.devices[0]
        rate_hz = device.sample_rates_hz[0]
        found = library.catalogue.layout(opened.show.name)
        for place in found[0].places if found else ():
            if place.clip == clip.name:
                device = opened.rig.device(opened.rig.pad(place.pad_id).device)
                channels, rate_hz = place.channels, place.sample_rate_hz
                break
        channels = min(channels, device.max_channels)
        bits, both_sides, loop_chunk = device.bits, device.mono_plays_both_sides, device.loop_chunk
    job = render_job(
        clip, library.original_file(clip), channels=channels, sample_rate_hz=rate_hz, bits=bits,
        as_played=both_sides, loop_chunk=loop_chunk, settings=settings,
    )  # fmt: skip
    with scratch_folder("render") as folder:
        spool = Path(folder) / "clip.wav"
        facts = render_to_file(job, str(spool))
        beside = output.with_name(f".{output.name}.new")
        try:
            shutil.copyfile(spool, beside)
            os.replace(beside, output)
        except OSError as error:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
            raise InputError(f"{output} cannot be written ({error.strerror}): choose another place") from error
    return facts
