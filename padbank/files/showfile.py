"""Reading, making and editing a show: one evening as a TOML file that a drummer can write.

A show names its rig, its segments (songs, talk, "any time") and what each wants::

    name = "harbour-night"
    date = 2026-12-05
    rig = "my-rig"

    [[segments]]
    name = "opening"
    wants = [
        { clip = "foghorn", hits = 4, must = true },
        { tag = "laugh", count = 2, hits = 3 },
    ]

Edits (``set_pin``, ``clear_pin``, ``set_target``, ``set_weight``) take the
text and return the text: comments, order and line endings stay as they were.

Functions: ``load_show``, ``show_from_toml``, ``show_so_far``, ``new_show_toml``,
``set_pin``, ``clear_pin``, ``set_target``, ``set_weight``.
"""

from __future__ import annotations

from collections.abc import Callable, MutableSequence
from dataclasses import fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import tomlkit
import tomlkit.items

from padbank.domain import (
    LevelRule,
    Pin,
    Rights,
    Segment,
    Show,
    Want,
    Weights,
    check_name,
)
from padbank.errors import InputError
from padbank.files.tomlread import FAULTY_NAME, Table, open_document, read_text

TOP_KEYS = (
    "name", "title", "date", "rig", "like", "rights", "always_bank", "apart", "together",
)  # fmt: skip


def load_show(path: Path | str) -> Show:
    """Read a show file.

    Raises
    ------
    ConfigError : lists every fault of the file with its line.
    """
    return show_from_toml(read_text(path, "show"), path)


def show_from_toml(text: str, path: Path | str | None = None) -> Show:
    """Make a show from the text of its file; ``path`` is for the errors only."""
    top = open_document(text, path, TOP_KEYS)
    show = _show_of(top)
    top.faults.stop_if_any()
    assert show is not None
    return show


def show_so_far(path: Path | str) -> Show | None:
    """What can be understood of a show file that has faults, so that its names can be checked all the same.

    Returns
    -------
    None where too little is understood. Names that were at fault, and what hangs on them, are left out.

    Raises
    ------
    ConfigError : the file cannot be read, or is no TOML
    """
    show = _show_of(open_document(read_text(path, "show"), path, TOP_KEYS))
    if show is None:
        return None
    return replace(
        show,
        segments=tuple(
            replace(s, wants=tuple(w for w in s.wants if w.clip != FAULTY_NAME)) for s in show.segments if s.name != FAULTY_NAME
        ),
        pins=tuple(p for p in show.pins if p.clip != FAULTY_NAME and p.pad_id),
        apart=tuple(g for g in show.apart if FAULTY_NAME not in g),
        together=tuple(g for g in show.together if FAULTY_NAME not in g),
    )


def _show_of(top: Table) -> Show | None:
    plain = Weights()
    name = top.name("name", example="harbour-night")
    title = top.text("title", name)
    day = top.day("date")
    rig = top.name("rig", example="my-rig")
    like = top.optional_name("like")
    rights = top.choice("rights", Rights, "cleared")
    always_bank = top.whole("always_bank", None, 1, 1000)
    apart, together = top.name_lists("apart"), top.name_lists("together")
    segments = _segments(top)
    pins = _pins(top)
    level = top.table("level")
    settings: dict[str, Any] = {
        "target_lufs": level.number("target_lufs", -16.0, -60, 0),
        "ceiling_dbtp": level.number("ceiling_dbtp", -1.0, -20, 0),
        "hit_offset_lu": level.number("hit_offset_lu", 0.0, -20, 20),
        "level_rule": level.choice("rule", LevelRule, "limit"),
        "limit_max_db": level.number("limit_max_db", 3.0, 0, 24),
    }
    level.finish()
    weight_table = top.table("weights")
    weights = Weights(
        **{
            f.name: weight_table.number(f.name, getattr(plain, f.name), 0, 1e6)
            for f in fields(Weights)
        }
    )
    weight_table.finish()
    top.finish()
    return top.build(
        Show,
        name=name,
        title=title,
        date=day,
        rig=rig,
        like=like,
        rights=rights,
        always_bank=always_bank,
        apart=apart,
        together=together,
        segments=tuple(segments),
        pins=tuple(pins),
        weights=weights,
        **settings,
    )


def _segments(top: Table) -> list[Segment]:
    segments: list[Segment] = []
    for each in top.tables("segments", needed=True):
        name = each.name("name", example="opening")
        wants = []
        for want in each.tables("wants"):
            # A clip that cannot be a name would never be found: refuse it here.
            clip, tag = want.optional_name("clip", "foghorn"), want.tag("tag")
            made = want.build(
                Want,
                clip=clip,
                tag=tag,
                count=want.whole("count", 1, 1, 10_000),
                hits=want.number("hits", 1.0, 0, 100_000),
                must=want.yes("must"),
                value=want.number("value", 1.0, 0, 1e6),
                learn=want.yes("learn"),
            )
            want.finish()
            if made is not None:
                wants.append(made)
        segment = each.build(
            Segment,
            name=name,
            title=each.text("title", ""),
            wants=tuple(wants),
            bank=each.whole("bank", None, 1, 1000),
            any_time=each.yes("any_time"),
        )
        each.finish()
        if segment is not None and name in [other.name for other in segments]:
            each.fault(f"there are two segments {name!r}: give each its own name", "name")
        elif segment is not None:
            segments.append(segment)
    return segments


def _pins(top: Table) -> list[Pin]:
    pins: list[Pin] = []
    for each in top.tables("pins"):
        pin = Pin(
            clip=each.name("clip", example="foghorn"),
            pad_id=each.text("pad", example="deck/1"),
            bank=each.whole("bank", None, 1, 1000),
        )
        each.finish()
        if any((pin.clip, pin.bank) == (other.clip, other.bank) for other in pins):
            each.fault(f"{pin.clip!r} is pinned twice in the same place: keep one", "clip")
        pins.append(pin)
    return pins


# ---------------------------------------------------------------- a new show


def new_show_toml(
    name: str,
    rig: str,
    like: Show | None = None,
    *,
    title: str = "",
    day: date | None = None,
) -> str:
    """Text of a new show file, with a word beside each thing that can be set.

    Parameters
    ----------
    like : an earlier show. Its segments, wants, pins, level and weights are
        taken over, and its name is set as the show whose places the hands know.

    Raises
    ------
    InputError : a name that cannot be one.
    """
    check_name("show", name)
    check_name("rig", rig)
    title = title or (like.title if like and like.title != like.name else name)
    lines = [
        f"# {title}: what you want under your pads that evening.",
        f"# padbank show check {name} tells you whether it can be understood.",
        "",
        f"name = {_quoted(name)}",
        f"title = {_quoted(title)}",
        f"date = {day.isoformat()}" if day else "# date = 2026-12-05",
        f"rig = {_quoted(rig)}",
        f"like = {_quoted(like.name)}        # stay where the hands know it from that show"
        if like
        else '# like = "last-show"        # stay where the hands know it from that show',
        f'rights = "{like.rights if like else "cleared"}"      '
        '# "cleared": only clips with a licence; "any": you answer for the rest',
        f"always_bank = {like.always_bank}"
        if like and like.always_bank
        else "# always_bank = 1         # the bank that is always there, whatever the segment",
        _groups("apart", like.apart if like else (), "never in the same bank"),
        _groups("together", like.together if like else (), "always in the same bank"),
        "",
        "[level]",
        f"target_lufs = {_number(like.target_lufs if like else -16.0)}       # how loud every clip should be",
        f"ceiling_dbtp = {_number(like.ceiling_dbtp if like else -1.0)}       # no peak above this",
        f"hit_offset_lu = {_number(like.hit_offset_lu if like else 0.0)}       # hits louder (+) or softer (-) than phrases",
        f'rule = "{like.level_rule if like else "limit"}"            '
        '# too peaky for the target: "limit" it, leave it "short", or "even" out the show',
        f"limit_max_db = {_number(like.limit_max_db if like else 3.0)}        # the limiter takes off at most this",
        "",
        "# One [[segments]] for each song, talk or interval. A want names a clip or a tag;",
        "# hits is how often you expect to hit it; must = true means it has to be there;",
        "# learn = true takes the hits from what was played (padbank log) once there is any.",
    ]
    segments = like.segments if like else (Segment(name="opening", title="Opening"),)
    for segment in segments:
        lines += ["", "[[segments]]", f"name = {_quoted(segment.name)}"]
        if segment.title:
            lines.append(f"title = {_quoted(segment.title)}")
        if segment.bank is not None:
            lines.append(f"bank = {segment.bank}")
        if segment.any_time:
            lines.append("any_time = true           # may be wanted at any moment")
        if segment.wants:
            lines.append("wants = [")
            lines += [f"    {_want(want)}," for want in segment.wants]
            lines.append("]")
        else:
            lines += [
                "wants = [",
                '    # { clip = "foghorn", hits = 4, must = true },',
                '    # { tag = "laugh", count = 2, hits = 3, value = 2 },',
                "]",
            ]
    if not like:
        lines += [
            "",
            "# [[segments]]",
            '# name = "any-time"',
            "# any_time = true           # may be wanted at any moment",
            '# wants = [ { tag = "applause", count = 1, must = true } ]',
        ]
    if like and like.pins:
        lines += ["", "# A pin holds a clip on its pad, in one bank or wherever it is placed."]
        for pin in like.pins:
            lines += ["", "[[pins]]", f"clip = {_quoted(pin.clip)}", f"pad = {_quoted(pin.pad_id)}"]
            if pin.bank is not None:
                lines.append(f"bank = {pin.bank}")
    else:
        lines += ["", "# [[pins]]                  # hold a clip on its pad", '# clip = "foghorn"', '# pad = "deck/1"']  # fmt: skip
    plain = Weights()
    weights = like.weights if like else plain
    lines += ["", "# Prices in seconds of your time; leave them alone unless a plan surprises you."]
    changed = [f for f in fields(Weights) if getattr(weights, f.name) != getattr(plain, f.name)]
    lines.append("[weights]" if changed else "# [weights]")
    for f in fields(Weights):
        hash_mark = "" if f in changed else "# "
        lines.append(f"{hash_mark}{f.name} = {_number(getattr(weights, f.name))}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return tomlkit.string(text).as_string()


def _number(value: float) -> str:
    return repr(float(value))


def _groups(key: str, groups: tuple[tuple[str, ...], ...], meaning: str) -> str:
    if not groups:
        return f'# {key} = [["one-clip", "another-clip"]]   # {meaning}'
    listed = ", ".join("[" + ", ".join(map(_quoted, group)) + "]" for group in groups)
    return f"{key} = [{listed}]   # {meaning}"


def _want(want: Want) -> str:
    parts = [f"clip = {_quoted(want.clip)}" if want.clip else f"tag = {_quoted(want.tag or '')}"]
    if want.count != 1:
        parts.append(f"count = {want.count}")
    parts.append(f"hits = {want.hits:g}")
    if want.must:
        parts.append("must = true")
    if want.learn:
        parts.append("learn = true")
    if want.value != 1:
        parts.append(f"value = {want.value:g}")
    return "{ " + ", ".join(parts) + " }"


# ---------------------------------------------------------------- edits that keep comments


def set_pin(text: str, clip: str, pad_id: str, bank: int | None = None) -> str:
    """Pin ``clip`` on ``pad_id`` in ``bank`` (None: in every bank); moves an existing pin."""
    check_name("clip", clip)

    def change(document: tomlkit.TOMLDocument) -> None:
        for pin in document.get("pins", []):
            if pin.get("clip") == clip and pin.get("bank") == bank:
                pin["pad"] = pad_id
                return
        new: Any = tomlkit.table()
        pins = document.get("pins")
        if isinstance(pins, tomlkit.items.Array):
            new = tomlkit.inline_table()
        new["clip"], new["pad"] = clip, pad_id
        if bank is not None:
            new["bank"] = bank
        if pins is None:
            pins = tomlkit.aot()
            pins.append(new)
            document.append("pins", pins)
        else:
            pins.append(new)

    return _edited(text, change)


def clear_pin(text: str, clip: str, bank: int | None = None) -> str:
    """Take away the clip's pin in ``bank``; with ``bank`` None, all its pins.

    Raises
    ------
    InputError : there is no such pin.
    """

    def change(document: tomlkit.TOMLDocument) -> None:
        pins: MutableSequence[Any] = document.get("pins", [])
        doomed = [
            index
            for index, pin in enumerate(pins)
            if pin.get("clip") == clip and (bank is None or pin.get("bank") == bank)
        ]
        if not doomed:
            where = "" if bank is None else f" in bank {bank}"
            raise InputError(f"{clip!r} is not pinned{where}: there is nothing to take away")
        if len(doomed) == len(pins):
            document.remove("pins")
            return
        for index in reversed(doomed):
            del pins[index]

    return _edited(text, change)


def set_target(text: str, target_lufs: float) -> str:
    """Change the show's target level."""
    return _set_in(text, "level", "target_lufs", target_lufs)


def set_weight(text: str, term: str, value: float) -> str:
    """Change the price of one cost term.

    Raises
    ------
    InputError : no such term.
    """
    terms = [f.name for f in fields(Weights)]
    if term not in terms:
        raise InputError(f"there is no weight {term!r}: the weights are {', '.join(terms)}")
    return _set_in(text, "weights", term, value)


def _set_in(text: str, table: str, key: str, value: float) -> str:
    def change(document: tomlkit.TOMLDocument) -> None:
        if table not in document:
            document.append(table, tomlkit.table())
        inner: Any = document[table]
        inner[key] = value

    return _edited(text, change)


def _edited(text: str, change: Callable[[tomlkit.TOMLDocument], None]) -> str:
    """Apply ``change`` and make sure that the result is still a good show."""
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    crlf = "\r\n" in text
    plain = text.removeprefix("\ufeff").replace("\r\n", "\n")
    show_from_toml(plain)
    if not plain.endswith("\n"):
        plain += "\n"  # else a table added at the end would begin on the last line
    document = tomlkit.parse(plain)
    change(document)
    result = tomlkit.dumps(document)
    show_from_toml(result)
    return mark + (result.replace("\n", "\r\n") if crlf else result)
