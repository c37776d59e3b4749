"""What the planner and the level rules need to know of clips, kept once it is known.

``clip_facts``: for each clip the versions that the rig's devices take, with
their bytes and losses, judged on the clip itself. ``played_levels``: loudness
and peak of each clip as a pad plays it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from padbank.domain import Clip, Measurement, Rig
from padbank.dsp.method import METHOD
from padbank.layout.facts import ClipFacts, Version
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.units import seconds_to_frames
from padbank.workflow.keys import played_key

KEEP_EVERY = 50
"""Findings are written down in groups, since every write waits for the disk."""

RATES_HZ = (8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000)


def played_levels(library: Library, clips: Iterable[Clip], progress: Progress = silent) -> dict[str, Measurement]:
    """Measurement of each clip as played (by name), from the catalogue or measured now."""
    return {name: both[0] for name, both in _studied(library, list(clips), (), progress).items()}


def clip_facts(
    library: Library, clips: Iterable[Clip], rig: Rig, *, uses: dict[str, float] | None = None, progress: Progress = silent
) -> dict[str, ClipFacts]:
    """Planner's facts by clip name.

    A stereo clip has a stereo and a mono version, each at every rate that some
    device of the rig takes.
    """
    rates = tuple(sorted({r for d in rig.devices for r in d.sample_rates_hz}))
    clips = list(clips)
    studied = _studied(library, clips, rates, progress)
    bits = max(d.bits for d in rig.devices)
    facts = {}
    for clip in clips:
        measured, profile = studied[clip.name]
        versions = []
        for channels in range(clip.channels_played, 0, -1):
            mono_db = profile["mono_db"] if channels < clip.channels_played else 0.0
            for rate in rates:
                frames = seconds_to_frames(clip.duration_s, rate)
                versions.append(
                    Version(
                        channels=channels,
                        sample_rate_hz=rate,
                        n_bytes=frames * channels * bits // 8,
                        frames=frames,
                        loss_db=round(mono_db + profile["rate_db"].get(str(rate), 0.0), 3),
                    )
                )
        facts[clip.name] = ClipFacts(
            name=clip.name,
            duration_s=clip.duration_s,
            tags=clip.tags,
            versions=tuple(versions),
            play_mode=clip.recipe.play_mode,
            mute_group=clip.recipe.mute_group,
            loudness_lufs=measured.loudness_lufs(clip.recipe.role),
            cleared=clip.cleared,
            uses=(uses or {}).get(clip.name, 0.0),
        )
    return facts


ONE_BY_ONE = 600
"""Up to so many clips are looked up by themselves: a show's few out of a library's thousands."""


def _known(
    library: Library, clips: list[Clip]
) -> tuple[dict[tuple[str, str], Measurement], dict[tuple[str, str], dict[str, Any]]]:
    catalogue = library.catalogue
    if len(clips) > ONE_BY_ONE:
        return catalogue.measurements(METHOD), catalogue.profiles()
    keys = {(c.original.sha256, played_key(c.recipe)) for c in clips}
    levels = {key: level for key in keys if (level := catalogue.measurement(*key, METHOD))}
    return levels, {key: profile for key in keys if (profile := catalogue.profile(*key))}


def _studied(
    library: Library, clips: list[Clip], rates: tuple[int, ...], progress: Progress
) -> dict[str, tuple[Measurement, dict[str, Any]]]:
    """Measurement and loss profile of each clip; what is missing is worked out and kept."""
    levels, profiles = _known(library, clips)
    found: dict[str, tuple[Measurement, dict[str, Any]]] = {}
    every_rate = tuple(sorted({*RATES_HZ, *rates}))
    missing = []
    fresh: list[tuple[str, str, Measurement, dict[str, Any]]] = []
    for clip in clips:
        key = (clip.original.sha256, played_key(clip.recipe))
        judged = profiles.get(key, {}).get("rate_db", {})
        if key in levels and all(str(r) in judged for r in rates):
            found[clip.name] = (levels[key], profiles.get(key, {}))
        else:
            missing.append(clip)
    for index, clip in enumerate(missing):
        progress(index, len(missing), clip.name)
        from padbank.workflow.study import (  # decoders take longer to load than most look-ups
            loss_profile,
            measure_clip,
        )

        sha256, key_text = clip.original.sha256, played_key(clip.recipe)
        original = library.original_file(clip)
        measured = levels.get((sha256, key_text)) or measure_clip(original, clip)
        profile = loss_profile(original, clip, every_rate)
        found[clip.name] = (measured, profile)
        fresh.append((sha256, key_text, measured, profile))
        if len(fresh) >= KEEP_EVERY or index == len(missing) - 1:
            with library.catalogue.atomic():
                for sha, kept_key, level, loss in fresh:
                    library.catalogue.keep_measurement(sha, kept_key, level)
                    library.catalogue.keep_profile(sha, kept_key, loss)
            fresh.clear()
    progress(len(missing), len(missing), "")
    return found
