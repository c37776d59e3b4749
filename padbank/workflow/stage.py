"""What a player needs to see of a show: every bank with its names, nothing else.

Functions: ``stage_view``, ``tag_signs``, ``loop_of``.
"""

from __future__ import annotations

from typing import Any

from padbank.domain import Layout
from padbank.export.sheet import show_tags
from padbank.store.library import Library
from padbank.workflow.plan import known_layout, moved_places, newest_layout, wanted_clips
from padbank.workflow.shows import OpenShow, open_show


def stage_view(library: Library, name: str) -> dict[str, Any]:
    """The banks of a show's newest layout: places, control hits, what moved, and the rig's pads.

    Raises
    ------
    InputError
        when the show has no layout yet
    """
    opened = open_show(library, name)
    show, rig = opened.show, opened.rig
    layout = newest_layout(library, show.name)
    known = known_layout(library, show) if show.like else None
    moved = moved_places(layout, known)
    titles = {s.name: s.title or s.name for s in show.segments}
    clips = opened.clips
    banks = []
    for bank in range(1, rig.banks + 1):
        segments = layout.bank_segments[bank - 1] if bank <= len(layout.bank_segments) else ()
        banks.append(
            {
                "bank": bank,
                "segments": [titles.get(s, s) for s in segments],
                "places": [
                    {
                        "pad": p.pad_id,
                        "clip": p.clip,
                        "channels": p.channels,
                        "tags": clips[p.clip].tags if p.clip in clips else (),
                        "play_mode": clips[p.clip].recipe.play_mode if p.clip in clips else "one-shot",
                        "mute_group": clips[p.clip].recipe.mute_group if p.clip in clips else None,
                        "duration_s": clips[p.clip].duration_s if p.clip in clips else 0.0,
                        "loop": loop_of(clips[p.clip]) if p.clip in clips else None,
                        "moved": (p.bank, p.pad_id) in moved,
                    }
                    for p in layout.places
                    if p.bank == bank
                ],
                "controls": [{"pad": c.pad_id, "label": c.label} for c in layout.controls if c.bank == bank],
            }
        )
    return {
        "show": show.name,
        "title": show.title or show.name,
        "date": show.date,
        "layout": layout.number,
        "signs": tag_signs(opened, layout),
        "rig": {
            "name": rig.name,
            "title": rig.title,
            "banks": rig.banks,
            "pads": rig.pads,
            "homes": rig.homes,
            "devices": rig.devices,
            "controls": rig.controls,
        },
        "banks": banks,
    }


def tag_signs(opened: OpenShow, layout: Layout) -> list[dict[str, str]]:
    """The tags that have a colour and a shape, as on the pad sheet; the first that a clip has is its own."""
    tags, _ = show_tags(layout, opened.clips, wanted_clips(opened))
    return [{"tag": t.tag, "colour": t.colour, "shape": t.shape} for t in tags]


def loop_of(clip: Any) -> tuple[float, float] | None:
    """Loop points of a clip in seconds of the sound that its pad plays."""
    recipe = clip.recipe
    if recipe.play_mode != "loop" or recipe.loop_start_s is None or recipe.loop_end_s is None:
        return None
    return recipe.loop_start_s - recipe.start_s, recipe.loop_end_s - recipe.start_s
