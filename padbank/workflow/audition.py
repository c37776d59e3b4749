"""Hear a clip as a pad would play it, and what that takes: level and peak before and after.

The sound is rendered by the same function that writes a set, so what is heard
is what the card will hold. Renderings are kept for a while under the key that
promises their bytes. Functions: ``audition``, ``audition_file``.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from padbank.domain import Clip, Measurement, Segment, Show
from padbank.errors import InputError
from padbank.store.library import Library
from padbank.workflow.render import RenderJob, level_settings, render_job, render_to_file
from padbank.workflow.shows import open_show
from padbank.workflow.waveform import kept_folder

KEPT_BYTES = 400_000_000
"""Renderings beyond this are dropped, the longest unheard first."""

LONGEST_S = 900.0
"""Longer clips are not rendered for a listen (they would be with a set)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Audition:
    """What a pad would play: before and after, and what was done in between."""

    clip: str
    show: str | None
    target_lufs: float
    ceiling_dbtp: float
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    gain_db: float
    limited_db: float
    short_lu: float
    reason: str
    channels: int
    sample_rate_hz: int
    bits: int
    frames: int
    loop_start_s: float | None
    loop_end_s: float | None


def audition(library: Library, name: str, show_name: str | None = None) -> Audition:
    """Level figures of a clip as a show (or, without one, the usual target) would play it."""
    clip, show, job = _job(library, name, show_name)
    facts = _facts(library, job)
    measured = Measurement(**facts["measurement"])
    recipe = clip.recipe
    looped = recipe.loop_start_s is not None and recipe.loop_end_s is not None
    return Audition(
        clip=clip.name,
        show=show_name,
        target_lufs=job.settings.target_lufs,
        ceiling_dbtp=show.ceiling_dbtp,
        loudness_lufs=measured.loudness_lufs(recipe.role),
        true_peak_dbtp=measured.true_peak_dbtp,
        gain_db=facts["gain_db"],
        limited_db=facts["limited_db"],
        short_lu=facts["short_lu"],
        reason=facts["reason"],
        channels=job.channels,
        sample_rate_hz=job.sample_rate_hz,
        bits=job.bits,
        frames=facts["frames"],
        loop_start_s=(recipe.loop_start_s or 0.0) - recipe.start_s if looped else None,
        loop_end_s=(recipe.loop_end_s or 0.0) - recipe.start_s if looped else None,
    )


def audition_file(library: Library, name: str, show_name: str | None = None) -> Path:
    """A WAV of the clip as a pad would play it."""
    _, _, job = _job(library, name, show_name)
    _facts(library, job)
    return _path(library, job)


def _job(library: Library, name: str, show_name: str | None) -> tuple[Clip, Show, RenderJob]:
    clip = library.clip(name)
    if clip.duration_s > LONGEST_S:
        raise InputError(
            f"{clip.name} plays {clip.duration_s / 60:.0f} minutes: trim it below {LONGEST_S / 60:.0f} to hear it here"
        )
    rate_hz, bits, both_sides = 44100, 16, True
    if show_name:
        opened = open_show(library, show_name)
        show, device = opened.show, opened.rig.devices[0]
        bits, both_sides = device.bits, device.mono_plays_both_sides
        source_hz = clip.original.sample_rate_hz
        rate_hz = source_hz if source_hz in device.sample_rates_hz else device.sample_rates_hz[0]
        channels = min(clip.channels_played, device.max_channels)
    else:
        show = Show(name="audition", rig="none", segments=(Segment(name="any"),))
        channels = clip.channels_played
    job = render_job(
        clip, library.original_file(clip), channels=channels, sample_rate_hz=rate_hz, bits=bits,
        as_played=both_sides, loop_chunk=False, settings=level_settings(show, clip.recipe),
    )  # fmt: skip
    return clip, show, job


def _path(library: Library, job: RenderJob) -> Path:
    return kept_folder(library) / f"{job.key[:32]}.wav"


def _facts(library: Library, job: RenderJob) -> dict[str, Any]:
    """What the renderer said, from beside the kept rendering or made now."""
    path = _path(library, job)
    note = path.with_suffix(".json")
    try:
        known = json.loads(note.read_text(encoding="utf-8"))
        if path.is_file():
            os.utime(path)
            return dict(known)
    except (OSError, ValueError):
        pass  # not there yet, or damaged: made anew below
    temporary = path.with_name(f"{path.stem}.{os.getpid()}.{os.urandom(3).hex()}.wav")
    facts = asdict(render_to_file(job, str(temporary)))
    os.replace(temporary, path)
    note.write_text(json.dumps(facts), encoding="utf-8")
    _tidy(path.parent)
    return facts


def _tidy(folder: Path) -> None:
    """Drop the renderings that were heard longest ago when there are too many."""
    files = sorted(((p.stat().st_mtime, p.stat().st_size, p) for p in folder.glob("*.wav")), reverse=True)
    total = 0
    for _, size, path in files:
        total += size
        if total > KEPT_BYTES:
            path.unlink(missing_ok=True)
            path.with_suffix(".json").unlink(missing_ok=True)
