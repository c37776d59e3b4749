"""What a pad takes: its device's and its own limits on one clip.

Pads with the same device and the same limits make one class, so that a rig of
many pads asks for few answers.

Functions: ``pad_classes``, ``class_of``, ``versions_for``. Class: ``PadClass``.
"""

from __future__ import annotations

from dataclasses import dataclass

from padbank.domain import Pad, Rig
from padbank.layout.facts import ClipFacts, Version, usable_versions
from padbank.units import format_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class PadClass:
    """Pads that take the same. Limits are the stricter of the pad's and its device's."""

    device: str
    max_clip_s: float | None
    max_clip_bytes: int | None
    pads: tuple[str, ...]


def least_of(*limits: float | None) -> float | None:
    return min((x for x in limits if x is not None), default=None)


def pad_classes(rig: Rig) -> tuple[PadClass, ...]:
    """The rig's pads by what they take, in the order of the rig."""
    classes: dict[tuple[str, float | None, int | None], list[str]] = {}
    for pad in rig.pads:
        classes.setdefault(_limits(rig, pad), []).append(pad.pad_id)
    return tuple(
        PadClass(device=device, max_clip_s=s, max_clip_bytes=b, pads=tuple(pads))
        for (device, s, b), pads in classes.items()
    )


def class_of(rig: Rig, pad: Pad) -> PadClass:
    """The class that holds one pad, with that pad alone."""
    device, longest_s, largest_bytes = _limits(rig, pad)
    return PadClass(device=device, max_clip_s=longest_s, max_clip_bytes=largest_bytes, pads=(pad.pad_id,))


def _limits(rig: Rig, pad: Pad) -> tuple[str, float | None, int | None]:
    device = rig.device(pad.device)
    largest = least_of(pad.max_clip_bytes, device.max_clip_bytes)
    return device.name, least_of(pad.max_clip_s, device.max_clip_s), None if largest is None else int(largest)


def versions_for(rig: Rig, clip: ClipFacts, pads: PadClass) -> tuple[list[Version], int | None, str | None]:
    """The versions of a clip that the pads of a class take, the least loss first.

    Returns
    -------
    the versions, the size of the smallest one that the device would store (None: none), and, when
    the pads take none, the reason as the rest of a sentence about the clip
    """
    if pads.max_clip_s is not None and clip.duration_s > pads.max_clip_s + 1e-9:
        return [], None, f"it is {clip.duration_s:.1f} s long and {pads.max_clip_s:g} s is the most"
    versions, reason = usable_versions(clip, rig.device(pads.device), rig.min_rehit_s)
    if not versions:
        return [], None, f"it {reason}"
    least = min(v.n_bytes for v in versions)
    fits = [v for v in versions if pads.max_clip_bytes is None or v.n_bytes <= pads.max_clip_bytes]
    if not fits:
        return [], least, f"it needs {format_bytes(least)} at least and {format_bytes(pads.max_clip_bytes or 0)} is the most"
    return fits, least, None
