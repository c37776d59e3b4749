"""Hear a clip as a pad would play it, and what that takes: level and peak before and after.

The sound is rendered by the same function that writes a set, so what is heard
is what the card will hold: in the format of the device whose pad it lies on. Renderings are kept for a while under the key that
promises their bytes. Functions: ``audition``, ``audition_file``.
Class: ``Spot``.
"""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from padbank.domain import Clip, Measurement, Place, Segment, Show
from padbank.errors import InputError
from padbank.store.library import Library
from padbank.workflow.render import RenderJob, level_settings, render_job, render_to_file
from padbank.workflow.shows import OpenShow, open_show
from padbank.workflow.waveform import kept_folder

KEPT_BYTES = 400_000_000
"""Renderings beyond this are dropped, the longest unheard first."""

UNFINISHED_S = 3600.0
"""A rendering that nobody has written to for so long was given up: its program was killed."""

LONGEST_S = 900.0
"""Longer clips are not rendered for a listen (they would be with a set)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place in a show's layout: which pad of which bank (counted from 1) would play the clip."""

    bank: int
    pad: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Audition:
    """What a pad would play: before and after, and what was done in between.

    ``device`` is None without a show; ``pad`` is None where the clip lies on no pad.
    """

    clip: str
    show: str | None
    device: str | None
    pad: str | None
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


def audition(library: Library, name: str, show_name: str | None = None, spot: Spot | None = None) -> Audition:
    """Level figures of a clip as a show (or, without one, the usual target) would play it.

    Parameters
    ----------
    spot : the pad that plays it; without one, the first pad of the show's newest
        layout that holds the clip, else any pad of the rig's first device

    Raises
    ------
    InputError
        for a clip, show or pad that is not there, or a clip too long to be rendered for a listen
    """
    clip, show, job, device, pad = _job(library, name, show_name, spot)
    facts = _facts(library, job)
    measured = Measurement(**facts["measurement"])
    recipe = clip.recipe
    looped = recipe.loop_start_s is not None and recipe.loop_end_s is not None
    return Audition(
        clip=clip.name,
        show=show_name,
        device=device,
        pad=pad,
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


def audition_file(library: Library, name: str, show_name: str | None = None, spot: Spot | None = None) -> Path:
    """A WAV of the clip as a pad would play it; parameters as of ``audition``."""
    job = _job(library, name, show_name, spot)[2]
    _facts(library, job)
    return _path(library, job)


def _job(
    library: Library, name: str, show_name: str | None, spot: Spot | None
) -> tuple[Clip, Show, RenderJob, str | None, str | None]:
    """The rendering, and the device and pad that it is for."""
    clip = library.clip(name)
    if clip.duration_s > LONGEST_S:
        raise InputError(
            f"{clip.name} plays {clip.duration_s / 60:.0f} minutes: trim it below {LONGEST_S / 60:.0f} to hear it here"
        )
    rate_hz, bits, both_sides, channels = 44100, 16, True, clip.channels_played
    device = pad = None
    show = Show(name="audition", rig="none", segments=(Segment(name="any"),))
    if show_name:
        opened = open_show(library, show_name, all_clips=False)
        show, rig = opened.show, opened.rig
        place = _place(library, opened, clip.name, spot)
        pad = place.pad_id if place else rig.pad(spot.pad).pad_id if spot else None
        played_by = rig.device(rig.pad(pad).device) if pad else rig.devices[0]
        device, bits, both_sides = played_by.name, played_by.bits, played_by.mono_plays_both_sides
        source_hz = clip.original.sample_rate_hz
        rates = played_by.sample_rates_hz
        rate_hz = source_hz if source_hz in rates else rates[0]
        channels = min(clip.channels_played, played_by.max_channels)
        if place:  # in the version that the plan chose
            channels, rate_hz = min(channels, place.channels), place.sample_rate_hz
    job = render_job(
        clip, library.original_file(clip), channels=channels, sample_rate_hz=rate_hz, bits=bits,
        as_played=both_sides, loop_chunk=False, settings=level_settings(show, clip.recipe),
    )  # fmt: skip
    return clip, show, job, device, pad


def _place(library: Library, opened: OpenShow, clip: str, spot: Spot | None) -> Place | None:
    """Where the show's newest layout has the clip: at the spot, or without one anywhere."""
    found = library.catalogue.layout(opened.show.name)
    if found is None or found[0].rig != opened.rig.name:
        return None
    places = [p for p in found[0].places if p.clip == clip]
    if spot is not None:
        return next((p for p in places if (p.bank, p.pad_id) == (spot.bank, spot.pad)), None)
    return min(places, default=None)


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
    try:
        facts = asdict(render_to_file(job, str(temporary)))
        _put(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
    note.write_text(json.dumps(facts), encoding="utf-8")
    _tidy(path.parent)
    return facts


def _put(temporary: Path, path: Path) -> None:
    try:
        os.replace(temporary, path)
    except PermissionError:  # Windows: another thread made the same one, and somebody is hearing it
        if not (path.is_file() and path.stat().st_size == temporary.stat().st_size):
            raise


def _tidy(folder: Path) -> None:
    """Drop the renderings that were heard longest ago when there are too many, and what was never finished."""
    files = []
    for path in folder.glob("*.wav"):
        with suppress(OSError):  # dropped by another thread, or (Windows) being heard
            stat = path.stat()
            if "." not in path.stem:
                files.append((stat.st_mtime, stat.st_size, path))
            elif stat.st_mtime < time.time() - UNFINISHED_S:
                path.unlink()
    total = 0
    for _, size, path in sorted(files, reverse=True):
        total += size
        if total > KEPT_BYTES:
            with suppress(OSError):
                path.unlink()
                path.with_suffix(".json").unlink()
