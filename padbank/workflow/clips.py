"""Find, show, edit, tag and remove clips. Edits only ever make a new recipe."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from padbank.domain import Clip, Measurement, Recipe
from padbank.dsp.method import METHOD
from padbank.errors import InputError, PadbankError
from padbank.store.library import Library
from padbank.workflow.keys import played_key
from padbank.workflow.rights import caution_for, check_licence
from padbank.workflow.tags import check_tag


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipRow:
    """One line of a search: what a person needs to choose a clip."""

    name: str
    duration_s: float
    role: str
    channels: int
    sample_rate_hz: int
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    tags: tuple[str, ...]
    licence: str | None
    source: str
    came_from: str
    """folder and file that it came from, and the names of other files with the same sound: what a search looks at"""


def find(library: Library, words: Sequence[str] = (), tags: Sequence[str] = ()) -> list[ClipRow]:
    """Clips in which every word occurs and that have every tag.

    Words are looked for in the name, the tags, the licence, the file and folder that it came from, and the names of
    other files that hold the same sound.
    """
    wanted = [searchable(w) for w in words]
    must_have = {check_tag(t) for t in tags}
    levels = library.catalogue.measurements(METHOD)
    sources = library.catalogue.source_paths()
    rows = []
    for clip in library.catalogue.clips():
        came_from = _came_from(clip.original.source, sources.get(clip.original.sha256, ()))
        text = searchable(" ".join((clip.name, *clip.tags, came_from, clip.licence or "")))
        if must_have <= set(clip.tags) and all(w in text for w in wanted):
            rows.append(clip_row(clip, levels.get((clip.original.sha256, played_key(clip.recipe))), came_from))
    return rows


def searchable(text: str) -> str:
    """Small letters, accents as one sign (some systems part them), no mark that only says how an emoji is drawn."""
    return _as_one(text).lower()


def _as_one(text: str) -> str:
    return unicodedata.normalize("NFC", text).replace("\ufe0f", "")


def _parts(path: str) -> list[str]:
    return [p for p in re.split(r"[\\/]", path) if p]


DROPPED = re.compile(r"[\\/]dropped[\\/][^\\/]+[\\/]\d+[\\/]")
"""Where the page keeps what was dropped until it is added: no folder of the person's."""


def _came_from(source: str, others: Sequence[str]) -> str:
    """Not the whole path: a word such as ``music`` would be in every one."""
    names = [_parts(p)[-1] for p in others if p != source and _parts(p)]
    return _as_one(" ".join(dict.fromkeys(("/".join(_parts(source)[-1 if DROPPED.search(source) else -2 :]), *names))))


def near_words(library: Library, words: Sequence[str], most: int = 2) -> list[str]:
    """Tags and parts of clips' names that are written nearly like ``words``, for a search that found nothing."""
    known = sorted({part for row in find(library) for part in (row.name, *row.name.split("-"), *row.tags)})
    near = (n for word in words for n in difflib.get_close_matches(word.lower(), known, n=most, cutoff=0.7))
    return [n for n in dict.fromkeys(near) if n not in words][:most]


def clip_row(clip: Clip, measured: Measurement | None, came_from: str) -> ClipRow:
    return ClipRow(
        name=clip.name,
        duration_s=clip.duration_s,
        role=clip.recipe.role,
        channels=clip.channels_played,
        sample_rate_hz=clip.original.sample_rate_hz,
        loudness_lufs=measured.loudness_lufs(clip.recipe.role) if measured else None,
        true_peak_dbtp=measured.true_peak_dbtp if measured else None,
        tags=clip.tags,
        licence=clip.licence,
        source=clip.original.source,
        came_from=came_from,
    )


MEASURED_AT_ONCE_S = 60.0
"""``info`` measures originals up to this long; longer ones were measured when they were added."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipInfo:
    """Everything known about a clip."""

    clip: Clip
    duration_s: float
    as_file: Measurement | None
    as_played: Measurement | None
    history: tuple[dict[str, Any], ...]
    edit_number: int
    """which of ``history`` is in force, counting from 1; later ones were taken back"""
    rights_caution: str | None
    original_file: str


def info(library: Library, name: str) -> ClipInfo:
    clip = library.clip(name)
    sha256 = clip.original.sha256
    original = library.original_file(clip)
    as_file = library.catalogue.measurement(sha256, "file", METHOD)
    if as_file is None and clip.original.duration_s <= MEASURED_AT_ONCE_S:
        as_file = _measured(original)
    return ClipInfo(
        clip=clip,
        duration_s=clip.duration_s,
        as_file=as_file,
        as_played=library.catalogue.measurement(sha256, played_key(clip.recipe), METHOD),
        history=tuple({**h, "why": edit_in_words(h["why"])} for h in library.catalogue.recipe_history(clip.name)),
        edit_number=library.catalogue.recipe_number(clip.name),
        rights_caution=caution_for(clip.licence),
        original_file=str(original),
    )


_FIELDS = {
    "start_s": "start", "end_s": "end", "fade_in_s": "fade in", "fade_out_s": "fade out",
    "loop_start_s": "loop start", "loop_end_s": "loop end", "level_offset_lu": "level offset",
    "role": "levelled as", "channels": "channels", "play_mode": "plays", "mute_group": "mute group",
}  # fmt: skip


def edit_in_words(why: str) -> str:
    """The fields that an edit changed, as a person calls them; other texts stay as they are.

    >>> edit_in_words("end_s=None, fade_in_s=0.0125, role=hit")
    "end the file's own, fade in 12.5 ms, levelled as hit"
    """
    parts = []
    for part in why.split(", "):
        field, is_edit, value = part.partition("=")
        if not is_edit or field not in _FIELDS:
            return why
        if value == "None":
            value = "the file's own" if field == "end_s" else "none"
        elif field.endswith("_s"):
            value = f"{float(value) * 1000:.1f} ms"
        elif field.endswith("_lu"):
            value = f"{float(value):+.1f} LU".replace("-", "−")
        parts.append(f"{_FIELDS[field]} {value}")
    return ", ".join(parts)


def _measured(original: Path) -> Measurement | None:
    """What the meter reads in an original; None when it can no longer be read."""
    # only this needs the meter and decoders, which are slow to load
    from padbank.dsp.measure import Meter
    from padbank.files.decode import open_sound

    try:
        with open_sound(original) as reader:
            meter = Meter(reader.info.sample_rate_hz, reader.info.channels)
            for block in reader.blocks():
                meter.feed(block)
    except PadbankError:
        return None
    return meter.result()


def played_level(library: Library, name: str, *, keep: bool = False) -> Measurement | None:
    """What the meter reads of a clip as a pad plays it: known, or measured now.

    Parameters
    ----------
    keep : write down what was measured; a mere look changes nothing

    Returns
    -------
    None when its original can no longer be read
    """
    from padbank.workflow.study import measure_clip

    clip = library.clip(name)
    key = (clip.original.sha256, played_key(clip.recipe))
    if known := library.catalogue.measurement(*key, METHOD):
        return known
    try:
        found = measure_clip(library.original_file(clip), clip)
    except PadbankError:
        return None
    if keep:
        library.catalogue.keep_measurement(*key, found)
    return found


def edit(
    library: Library,
    name: str,
    changes: Mapping[str, Any],
    *,
    new_name: str | None = None,
    licence: str | None = None,
    credit: str | None = None,
) -> Clip:
    """Change fields of a clip's recipe (each name as in ``Recipe``), its name or its rights.

    Raises
    ------
    InputError
        when the outcome would not be a clip: a start past the end of the
        sound, a loop outside the trim, a name that is taken
    """
    with library.catalogue.atomic():  # nobody's edit comes between reading the clip and changing it
        clip = library.clip(name)
        recipe = replace(clip.recipe, **changes)
        if changes:
            check_recipe(clip, recipe)
        if changes and recipe != clip.recipe:
            why = ", ".join(f"{k}={v}" for k, v in sorted(changes.items()))
            library.catalogue.set_recipe(clip.name, recipe, why)
        if licence is not None or credit is not None:
            licence = check_licence(licence) if licence else clip.licence
            library.catalogue.set_rights(clip.name, licence, credit if credit is not None else clip.credit)
        if new_name and new_name != clip.name:
            replace(clip, name=new_name)  # checks the spelling
            library.catalogue.rename(clip.name, new_name)
    return library.clip(new_name or clip.name)


def check_recipe(clip: Clip, recipe: Recipe) -> None:
    """Raise InputError when the recipe does not lie inside the clip's original."""
    length_s = clip.original.duration_s
    if recipe.start_s >= length_s:
        raise InputError(
            f"{clip.name}: start {recipe.start_s:.3f} s is past the end of the sound ({length_s:.3f} s): choose an earlier one"
        )
    if recipe.end_s is not None and recipe.end_s > length_s + 1e-6:
        raise InputError(
            f"{clip.name}: end {recipe.end_s:.3f} s is past the end of the sound ({length_s:.3f} s): choose an earlier one"
        )
    end_s = min(length_s, recipe.end_s if recipe.end_s is not None else length_s)
    if recipe.fade_in_s + recipe.fade_out_s > end_s - recipe.start_s + 1e-9:
        raise InputError(f"{clip.name}: the fades are longer than the clip ({end_s - recipe.start_s:.3f} s): shorten them")
    if recipe.channels == "right" and clip.original.channels < 2:
        raise InputError(f"{clip.name}: has one channel only: choose as-is or mono")
    loop = (recipe.loop_start_s, recipe.loop_end_s)
    if loop[0] is not None and loop[1] is not None and not recipe.start_s - 1e-6 <= loop[0] < loop[1] <= end_s + 1e-6:
        raise InputError(
            f"{clip.name}: the loop {loop[0]:.3f}–{loop[1]:.3f} s lies outside the trim "
            f"{recipe.start_s:.3f}–{end_s:.3f} s: move the loop or the trim"
        )


def undo(library: Library, name: str) -> Clip:
    """The recipe before the one in force.

    Raises
    ------
    InputError
        when there is nothing to undo
    """
    clip = library.clip(name)
    with library.catalogue.atomic():
        if library.catalogue.undo_recipe(clip.name) is None:
            raise InputError(f"{clip.name} has no earlier edit to go back to")
    return library.clip(clip.name)


def change_tags(library: Library, names: Sequence[str], changes: Sequence[str]) -> list[Clip]:
    """``+word`` adds, ``-word`` takes off, a bare word adds."""
    if not changes:
        raise InputError("no tags given: write +laugh to add one, -laugh to take it off")
    add = [check_tag(c.removeprefix("+")) for c in changes if not c.startswith("-")]
    drop = [check_tag(c[1:]) for c in changes if c.startswith("-")]
    clips = [library.clip(n) for n in names]
    with library.catalogue.atomic():
        for clip in clips:
            library.catalogue.change_tags(clip.name, add, drop)
    return [library.clip(c.name) for c in clips]


def remove(library: Library, names: Sequence[str]) -> list[str]:
    """Take clips out of sight. Originals and recipes stay; ``bring_back`` undoes it."""
    clips = [library.clip(n) for n in names]
    with library.catalogue.atomic():
        for clip in clips:
            library.catalogue.set_removed(clip.name, True)
    return [c.name for c in clips]


def bring_back(library: Library, names: Sequence[str]) -> list[str]:
    with library.catalogue.atomic():
        for name in names:
            if library.catalogue.clip_named(name, removed=True) is None:
                gone = ", ".join(c.name for c in library.catalogue.clips(removed=True)) or "none"
                raise InputError(f"no removed clip is named {name!r}; removed are: {gone}")
            library.catalogue.set_removed(name, False)
    return list(names)
