"""Rigs and shows: where their files lie, reading them, checking them, making new ones.

A RIG or SHOW on the command line is a name (``library/rigs/NAME.toml``,
``library/shows/NAME.toml``) or the path of a ``.toml`` file. Rigs that ship
with padbank are found by name as well.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from padbank.cardnames import name_fault
from padbank.domain import NAME_PATTERN, Clip, Finding, Rig, Segment, Show, Want, check_name
from padbank.errors import ConfigError, InputError
from padbank.files.rigfile import load_rig, shipped_rigs
from padbank.files.showfile import load_show, new_show_toml, show_so_far
from padbank.files.tomlread import joined
from padbank.layout.rigcheck import check_rig
from padbank.layout.showcheck import check_show
from padbank.store.library import Library, clip_name_for


def rig_files(library: Library) -> dict[str, Path]:
    """Every rig by its file's name; the library's own go before shipped ones."""
    found = {path.stem: path for path in shipped_rigs()}
    found.update({path.stem: path for path in sorted(library.rigs.glob("*.toml"))})
    return found


def find_rig_file(library: Library, rig: str) -> Path:
    """The file of a rig by name or path; InputError names the nearest ones."""
    return _find("rig", rig, rig_files(library), library.rigs)


def find_show_file(library: Library, show: str) -> Path:
    """The file of a show by name or path; InputError names the nearest ones."""
    return _find("show", show, {p.stem: p for p in sorted(library.shows.glob("*.toml"))}, library.shows)


def _find(kind: str, given: str, known: dict[str, Path], folder: Path) -> Path:
    if given.lower().endswith(".toml"):
        path = Path(given)
        if path.is_file():
            return path
        stem = path.name[: -len(".toml")]
        if given != path.name or not _near(stem, known):  # a bare file name may be one of the library's own
            raise InputError(f"{kind} file {given} is not there: check the name")
        given = stem
    if given in known:
        return known[given]
    near = _near(given, known)
    none = "there are none yet: padbank show new NAME --rig RIG begins one"
    hint = f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(known)}" if known else none
    raise InputError(f"there is no {kind} named {given!r} in {folder}: {hint}")


def _near(given: str, known: Iterable[str]) -> list[str]:
    return difflib.get_close_matches(given, known, n=2, cutoff=0.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenShow:
    """A show with its rig and the clips that it may use."""

    show: Show
    rig: Rig
    path: Path
    clips: dict[str, Clip]


def open_show(library: Library, name: str, *, all_clips: bool = True) -> OpenShow:
    """Read a show, its rig, and the library's clips (``all_clips`` False: none of them).

    Raises
    ------
    InputError, ConfigError
        when one of the files is missing or wrong
    """
    path = find_show_file(library, name)
    show = with_learned_hits(library, load_show(path))
    beside = path.with_name(f"{show.rig}.toml")
    rig_path = beside if beside.is_file() and beside != path else find_rig_file(library, show.rig)
    clips = {c.name: c for c in library.catalogue.clips()} if all_clips else {}
    return OpenShow(show=show, rig=load_rig(rig_path), path=path, clips=clips)


def with_learned_hits(library: Library, show: Show) -> Show:
    """The show with the hits of its ``learn`` wants as they were played, where a take of it (or of
    the show named by ``like``) was logged. A want by tag shares the hits of all clips with the tag."""
    if not any(w.learn for s in show.segments for w in s.wants):
        return show
    mean = library.catalogue.mean_hits([n for n in dict.fromkeys((show.name, show.like)) if n])
    if not mean:
        return show
    tags = {c.name: c.tags for c in library.catalogue.clips()}

    def learned(segment: Segment, want: Want) -> Want:
        if not want.learn:
            return want
        names = [want.clip] if want.clip else [n for n, has in tags.items() if want.tag in has]
        return replace(want, hits=sum(mean.get((segment.name, n), 0.0) for n in names if n) / want.count)

    return replace(
        show, segments=tuple(replace(s, wants=tuple(learned(s, w) for w in s.wants)) for s in show.segments)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RigRow:
    """One rig file; ``fault`` says why it cannot be read."""

    name: str
    title: str
    banks: int
    pads: int
    devices: int
    file: str
    fault: str | None = None
    own: bool = True
    """in the library, not one that ships with padbank"""


def list_rigs(library: Library) -> list[RigRow]:
    """Every rig that a show can name, those that cannot be read too."""
    rows = []
    for name, path in rig_files(library).items():
        try:
            rig = load_rig(path)
        except InputError as error:
            rows.append(RigRow(name=name, title="", banks=0, pads=0, devices=0, file=str(path), fault=str(error), own=path.parent == library.rigs))
            continue
        rows.append(
            RigRow(name=rig.name, title=rig.title, banks=rig.banks, pads=len(rig.pads), devices=len(rig.devices), file=str(path), own=path.parent == library.rigs)
        )
    return rows


def check_rig_file(library: Library, given: str) -> tuple[Rig, list[Finding]]:
    """A rig by name or path, and all that is doubtful in it; InputError when it cannot be read."""
    rig = load_rig(find_rig_file(library, given))
    return rig, check_rig(rig)


def check_show_file(library: Library, given: str) -> tuple[OpenShow, list[Finding]]:
    """A show by name or path, and all that is doubtful in it and its rig; InputError when one cannot be read.

    Of a show whose file has faults, the names that the library or the rig does not know are told with the faults.
    """
    try:
        opened = open_show(library, given)
    except ConfigError as error:
        path = find_show_file(library, given)
        if error.path is None or Path(error.path) != path:
            raise
        raise _with_unknown_names(library, path, error) from None
    return opened, [*check_rig(opened.rig), *check_show(opened.show, opened.rig, opened.clips)]


UNKNOWN_NAMES = ("clip-missing", "tag-empty", "group-clip-missing", "pin-pad-missing")


def _with_unknown_names(library: Library, path: Path, error: ConfigError) -> ConfigError:
    try:
        show = show_so_far(path)
        rig = load_rig(find_rig_file(library, show.rig)) if show else None
    except InputError:
        return error
    if show is None or rig is None:
        return error
    found = check_show(show, rig, {c.name: c for c in library.catalogue.clips()})
    unknown = [ConfigError(f.text, path=path) for f in found if f.code in UNKNOWN_NAMES]
    return joined((*(error.faults or (error,)), *unknown), path) if unknown else error


def new_show(library: Library, name: str, *, like: str | None = None, rig: str | None = None) -> Path:
    """Write a new show file to fill in, from scratch or like an older show.

    Parameters
    ----------
    name : a name of lower-case letters, digits and hyphens, or a title of any words to make one from

    Raises
    ------
    InputError
        when the name is taken or wrong, or no rig is known to start from
    """
    title = "" if NAME_PATTERN.match(name) else " ".join(name.split())
    if name.isprintable() and any(sign.isalnum() for sign in title) and not set("/\\") & set(title):
        name = clip_name_for(title, set())
    check_name("show", name)
    if fault := name_fault(f"{name}.toml"):
        raise InputError(f"a file cannot be named {name[:40]!r}: {fault}; choose another name")
    path = library.shows / f"{name}.toml"
    if path.exists():
        raise _taken(name, path)
    older = load_show(find_show_file(library, like)) if like else None
    if rig is None:
        own = sorted(library.rigs.glob("*.toml"))
        rig = older.rig if older else (load_rig(own[0]).name if len(own) == 1 else None)
    if rig is None:
        raise InputError(f"which rig is the show for? give --rig, one of: {', '.join(rig_files(library))}")
    rig_name = load_rig(find_rig_file(library, rig)).name
    try:
        with open(path, "x", encoding="utf-8", newline="\n") as file:
            file.write(new_show_toml(name, rig_name, older, title=title))
    except FileExistsError:
        raise _taken(name, path) from None
    load_show(path)
    return path


def _taken(name: str, path: Path) -> InputError:
    return InputError(f"show {name!r} is there already ({path}): choose another name, or edit that file")
