"""What goes on the pad sheet: a layout, with names, colours by tag and what has moved.

Functions: ``sheet_data``, ``rig_sheet``, ``moved_clips``, ``tag_colours``, ``show_tags``.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Protocol

from padbank.domain import Control, Layout, Pad, PlayMode, Rig, Show
from padbank.errors import InputError
from padbank.sheetdata import MARKS, SheetBank, SheetData, SheetPad, SheetTag
from padbank.units import format_bytes

CAUTION = (
    "Loud cues hurt. Try every pad quietly first, keep monitors low and sessions short, "
    "and follow the venue's and your country's rules on noise."
)

_REMARKS: dict[PlayMode, str] = {"one-shot": "", "gate": "hold", "loop": "loop"}


class _Recipe(Protocol):
    @property
    def play_mode(self) -> PlayMode: ...


class SheetClip(Protocol):
    """What a clip must tell to be on a sheet: ``domain.Clip`` does."""

    @property
    def tags(self) -> tuple[str, ...]: ...
    @property
    def recipe(self) -> _Recipe: ...


def moved_clips(layout: Layout, known: Layout | None) -> frozenset[str]:
    """Clips of the layout that the hands know, but on none of the pads where they lie now."""
    if known is None:
        return frozenset()
    before: dict[str, set[str]] = {}
    for place in known.places:
        before.setdefault(place.clip, set()).add(place.pad_id)
    now: dict[str, set[str]] = {}
    for place in layout.places:
        now.setdefault(place.clip, set()).add(place.pad_id)
    return frozenset(
        clip for clip, pads in now.items() if clip in before and not pads & before[clip]
    )


def tag_colours(
    tags_of: Mapping[str, tuple[str, ...]],
) -> tuple[tuple[SheetTag, ...], dict[str, int]]:
    """Choose the tags that get a colour, and the one that colours each clip.

    The tag of most clips comes first, then the tag of most of the rest, until
    the colours are used up; clips left over have none. A tag that every clip
    has tells none apart and gets no colour.

    Returns
    -------
    (tags, index of its tag by clip)
    """
    common = set.intersection(*map(set, tags_of.values())) if len(tags_of) > 1 else set()
    tags_of = {clip: tuple(t for t in tags if t not in common) for clip, tags in tags_of.items()}
    left = set(tags_of)
    chosen: list[str] = []
    index_of: dict[str, int] = {}
    while left and len(chosen) < len(MARKS):
        counts: dict[str, int] = {}
        for clip in left:
            for tag in tags_of[clip]:
                counts[tag] = counts.get(tag, 0) + 1
        if not counts:
            break
        tag = min(counts, key=lambda each: (-counts[each], each))
        for clip in [clip for clip in left if tag in tags_of[clip]]:
            index_of[clip] = len(chosen)
            left.remove(clip)
        chosen.append(tag)
    used: set[str] = set()
    made = []
    for tag, (colour, shape) in zip(chosen, MARKS, strict=False):
        spare = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
        letters = [c for c in tag.upper() if c.isascii() and c.isalnum()] + list(spare)
        letter = next(c for c in letters if c not in used)
        used.add(letter)
        made.append(SheetTag(tag=tag, colour=colour, letter=letter, shape=shape))
    return tuple(made), index_of


def show_tags(
    layout: Layout, clips: Mapping[str, SheetClip], wanted: Collection[str]
) -> tuple[tuple[SheetTag, ...], dict[str, int]]:
    """``tag_colours`` of all clips that a show could use: on paper and on the page the same.

    Those that lie nowhere yet count, too, so that colours stay when clips are moved about.
    """
    names = {place.clip for place in layout.places} | set(wanted)
    return tag_colours({name: clips[name].tags for name in names if name in clips})


def _used_tags(
    tags: tuple[SheetTag, ...], index_of: Mapping[str, int], placed: Collection[str]
) -> tuple[tuple[SheetTag, ...], dict[str, int]]:
    """Without those of clips that are on no pad."""
    used = sorted({index for clip, index in index_of.items() if clip in placed})
    return tuple(tags[index] for index in used), {
        clip: used.index(index) for clip, index in index_of.items() if clip in placed
    }


def sheet_data(
    rig: Rig,
    show: Show,
    layout: Layout,
    clips: Mapping[str, SheetClip],
    moved: Collection[str] = (),
    wanted: Collection[str] = (),
) -> SheetData:
    """Everything that the pad sheet of a layout shows.

    Parameters
    ----------
    clips : the library's clips by name; one that is missing is shown without a colour.
    moved : names of clips to underline (``moved_clips``).
    wanted : names of clips that the show could use; see ``show_tags``.

    Raises
    ------
    InputError : the layout uses a pad or a bank that the rig does not have.
    """
    pads_known = {pad.pad_id for pad in rig.pads}
    used = [(place.pad_id, place.bank) for place in layout.places]
    used += [(place.pad_id, place.bank) for place in layout.controls]
    for pad_id, bank in used:
        if pad_id not in pads_known or not 1 <= bank <= rig.banks:
            raise InputError(
                f"layout {layout.number} of {layout.show} uses pad {pad_id} in bank {bank}, "
                f"which rig {rig.name} does not have: plan the show again"
            )
    placed = {place.clip for place in layout.places}
    tags, index_of = _used_tags(*show_tags(layout, clips, wanted), placed)
    titles = {segment.name: segment.title or segment.name for segment in show.segments}
    banks = []
    for bank in range(1, rig.banks + 1):
        fixed = rig.controls_in(bank)
        free = {place.pad_id: place.label for place in layout.controls if place.bank == bank}
        labels = {pad_id: control.label for pad_id, control in fixed.items()} | free
        held = {place.pad_id: place.clip for place in layout.places if place.bank == bank}
        pads = []
        for pad in rig.pads:
            drawn = _empty(pad)
            if pad.pad_id in labels:
                drawn = _with_control(drawn, pad, labels[pad.pad_id], rig.controls)
            elif pad.pad_id in held:
                name = held[pad.pad_id]
                clip = clips.get(name)
                drawn = replace(
                    drawn,
                    kind="clip",
                    words=_words(name),
                    tag=index_of.get(name),
                    moved=name in moved,
                    remark=_REMARKS[clip.recipe.play_mode] if clip is not None else "",
                )
            pads.append(drawn)
        served = layout.bank_segments[bank - 1] if bank <= len(layout.bank_segments) else ()
        banks.append(
            SheetBank(
                number=bank,
                segments=tuple(titles.get(name, name) for name in served),
                pads=tuple(pads),
            )
        )
    return SheetData(
        show=show.name,
        title=show.title or show.name,
        date=show.date.isoformat() if show.date else "",
        rig=rig.title or rig.name,
        layout_number=layout.number,
        banks=tuple(banks),
        tags=tags,
        caution=CAUTION,
        any_moved=any(name in moved for name in placed),
    )


def rig_sheet(rig: Rig) -> SheetData:
    """The rig alone: every pad with its number and note, to hold against the real thing."""
    fixed = {c.pad_id: c.label for c in rig.controls if c.pad_id is not None}
    pads = []
    for pad in rig.pads:
        drawn = _empty(pad)
        if pad.pad_id in fixed:
            drawn = _with_control(drawn, pad, fixed[pad.pad_id], rig.controls)
        else:
            remark = "" if pad.note is None else f"note {pad.note}"
            drawn = replace(drawn, kind="clip", words=(str(pad.number),), remark=remark)
        pads.append(drawn)
    places = f"{len(rig.pads)} pads in {rig.banks} banks" if rig.banks > 1 else f"{len(rig.pads)} pads"
    return SheetData(
        show="",
        title=rig.title,
        date="",
        rig=", ".join(f"{device.name}: {format_bytes(device.memory_bytes)}" for device in rig.devices),
        layout_number=0,
        banks=(SheetBank(number=0, segments=(places,), pads=tuple(pads)),),
        tags=(),
        caution="Measure again before you trust it: places and sizes are those of the rig's file.",
    )


def _empty(pad: Pad) -> SheetPad:
    return SheetPad(
        pad_id=pad.pad_id,
        number=pad.number,
        x_mm=pad.x_mm,
        y_mm=pad.y_mm,
        w_mm=pad.w_mm,
        h_mm=pad.h_mm,
        kind="empty",
    )


def _with_control(drawn: SheetPad, pad: Pad, label: str, controls: tuple[Control, ...]) -> SheetPad:
    control = next((each for each in controls if each.label == label), None)
    note = control.note if control is not None and control.note is not None else pad.note
    return replace(
        drawn,
        kind="control",
        words=_words(label),
        remark="" if note is None else f"note {note}",
    )


def _words(name: str) -> tuple[str, ...]:
    """The words of a name, for wrapping: hyphens and spaces part them."""
    return tuple(word for word in name.replace("-", " ").split() if word) or (name,)
