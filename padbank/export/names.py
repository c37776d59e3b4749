"""Names of bank folders and files, from the rig's patterns, as the card can hold them.

Answers: what is this file called, does the card take it, and are two names in
one folder the same but for case.

Conventions: text from clips, segments and surfaces is brought into the safe
set ``A–Z a–z 0–9 . _ -`` (POSIX.1 portable file names, no leading hyphen);
the rig's own literal text is kept as written. A name that is too long loses
the end of its longest text, never a number and never its ending; names that
became alike by that get four letters of a hash instead, so that the result
depends on nothing but the names themselves. What still does not fit is a
Finding of severity ``error``.

Functions: ``safe_text``, ``card_name``, ``folder_names``, ``check_names``.
"""

from __future__ import annotations

import base64
import hashlib
import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from padbank.cardnames import (
    MAX_FOLDER_ENTRIES,
    MAX_NAME_UNITS,
    MAX_PATH_UNITS,
    PATTERN_FIELDS,
    fat_entries,
    name_fault,
    pattern_fault,
    pattern_fields,
    same_name_key,
    utf16_units,
)
from padbank.domain import Finding, NameRules

_LETTERS = {
    "ß": "ss", "ẞ": "SS", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O",
    "đ": "d", "Đ": "D", "ð": "d", "Ð": "D", "þ": "th", "Þ": "Th", "ł": "l", "Ł": "L",
    "ħ": "h", "Ħ": "H", "ı": "i", "ŋ": "n", "Ŋ": "N", "ŧ": "t", "Ŧ": "T", "&": "and", "+": "plus",
}  # fmt: skip
"""Letters that Unicode does not take apart into a base letter and a mark."""

_DRIVE = "E:\\"
"""What stands before a set's folder on a card in a Windows machine."""


def safe_text(text: str) -> str:
    """Bring text into ``A–Z a–z 0–9 . _ -``: marks dropped, the rest as one ``_``.

    Empty text gives empty text; text without any usable letter gives ``_``.

    >>> safe_text("Çöl rüzgârı / son")
    'Col_ruzgari_son'
    """
    plain = "".join(_LETTERS.get(c, c) for c in unicodedata.normalize("NFC", text))
    plain = "".join(
        c
        for c in unicodedata.normalize("NFKD", plain)
        if unicodedata.category(c) not in ("Mn", "Cf")
    )
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", plain)
    if not plain.strip("_.-"):
        return "_" if plain.strip("-.") else ""
    return plain.lstrip("_.-").rstrip("_")


@dataclass(frozen=True, slots=True, kw_only=True)
class NameParts:
    """Values for a pattern's fields; each pattern takes what it names."""

    bank: int = 0
    pad: int = 0
    segment: str = ""
    clip: str = ""
    surface: str = ""
    device: str = ""


def _fill(pattern: str, parts: NameParts, texts: Mapping[str, str]) -> str:
    name = ""
    for literal, field, spec in pattern_fields(pattern):
        name += literal
        if field is not None:
            number = PATTERN_FIELDS[field] is int
            name += format(getattr(parts, field), spec) if number else texts[field]
    return name


def _cut(text: str, units: int) -> str:
    return text[: max(units, 0)].rstrip("._-")


def card_name(pattern: str, parts: NameParts, rules: NameRules, *, with_hash: bool = False) -> str:
    """One name by ``pattern``, shortened to the rig's length.

    Parameters
    ----------
    pattern : one of the rig's patterns, such as ``{pad:02d}_{clip}.wav``
    parts : values for its fields
    rules : gives ``max_name_chars`` (ending included) and ``upper_case``
    with_hash : end the text with four letters of its hash, for names that are
        alike once they are shortened

    Returns
    -------
    The name. It may still be too long, when the pattern's own text is: ask
    ``check_names``.

    Raises ValueError when the pattern is malformed (``cardnames.pattern_fault`` says how).

    >>> card_name("{pad:02d}_{clip}.wav", NameParts(pad=7, clip="foghorn"), NameRules())
    '07_foghorn.wav'
    >>> card_name("{pad:02d}_{clip}.wav", NameParts(pad=7, clip="foghorn-far-away"),
    ...           NameRules(max_name_chars=12, upper_case=True))
    '07_FOGHO.WAV'
    """
    used = {f for _, f, _ in pattern_fields(pattern) if f and PATTERN_FIELDS[f] is str}
    texts = {field: safe_text(getattr(parts, field)) for field in sorted(used)}
    limit = min(rules.max_name_chars, MAX_NAME_UNITS)
    whole = _fill(pattern, parts, texts)
    if utf16_units(whole) > limit or with_hash:
        texts = _shorten(pattern, parts, texts, limit, with_hash)
        whole = _fill(pattern, parts, texts)
    return whole.upper() if rules.upper_case else whole


def _shorten(
    pattern: str, parts: NameParts, texts: dict[str, str], limit: int, with_hash: bool
) -> dict[str, str]:
    """Cut the longest text first, until the name fits or nothing is left to cut."""
    texts = dict(texts)
    tail = ""
    if with_hash and texts:
        key = "\n".join(getattr(parts, field) for field in sorted(texts))
        digest = hashlib.sha256(key.encode("utf-8", "surrogatepass")).digest()
        tail = "-" + base64.b32encode(digest).decode("ascii").lower()[:4]
    tailed = "clip" if "clip" in texts else next(iter(sorted(texts)), "")
    while True:
        trial = {f: t + (tail if f == tailed else "") for f, t in texts.items()}
        over = utf16_units(_fill(pattern, parts, trial)) - limit
        longest = max(sorted(texts), key=lambda f: len(texts[f]), default="")
        if over <= 0 or not longest or len(texts[longest]) <= 1:
            return trial
        others = [len(t) for f, t in texts.items() if f != longest]
        keep = max(
            len(texts[longest]) - over, min(max(others, default=1), len(texts[longest]) - 1), 1
        )
        texts[longest] = _cut(texts[longest], keep) or texts[longest][:1]


def folder_names(pattern: str, parts: Sequence[NameParts], rules: NameRules) -> list[str]:
    """Names for everything in one folder, in the order given.

    Names that are alike once shortened are made again with a hash of their
    text; names that are alike because their texts are (the same clip twice
    without a number) stay alike for ``check_names`` to report.
    """
    names = [card_name(pattern, p, rules) for p in parts]
    groups: dict[str, list[int]] = defaultdict(list)
    for index, name in enumerate(names):
        groups[same_name_key(name)].append(index)
    for indices in groups.values():
        if len({parts[i] for i in indices}) > 1:
            for i in indices:
                names[i] = card_name(pattern, parts[i], rules, with_hash=True)
    return names


def check_names(
    paths: Iterable[str], rules: NameRules, *, folder: str = "", extra: Iterable[str] = ()
) -> list[Finding]:
    """Everything about these names that a card or the rig cannot hold, at once.

    Parameters
    ----------
    paths : files of one set, relative to its folder, ``/`` between parts
    rules : the rig's naming rules and limits
    folder : name of the set's own folder on the card
    extra : other files in the set's folder (``set.json``, the pad sheet); they
        count as entries and may not collide, and need not follow the rig's length

    Returns
    -------
    Findings, all of severity ``error``: ``name-pattern``, ``name-impossible``,
    ``name-too-long``, ``name-twice``, ``folder-files``, ``folder-entries``,
    ``path-too-long``.
    """
    findings: list[Finding] = []

    def add(
        code: str, text: str, where: str, number: float | None = None, limit: float | None = None
    ) -> None:
        findings.append(
            Finding(code=code, severity="error", text=text, where=where, number=number, limit=limit)
        )

    for what, pattern in (("bank_folder", rules.bank_folder), ("file", rules.file)):
        fault = pattern_fault(pattern)
        if fault and not (what == "bank_folder" and pattern == ""):
            add("name-pattern", f"the rig's names.{what} {fault}", f"names.{what}")

    files, extras = list(paths), set(extra)
    folders: dict[str, dict[str, str]] = defaultdict(dict)  # folder -> key -> name as first seen
    sounds: dict[str, int] = defaultdict(int)
    seen: set[str] = set()
    for path in [*files, *sorted(extras)]:
        parts = path.split("/")
        if same_name_key(path) in seen:
            add(
                "name-twice",
                f"{path}: two files of the set have this name (upper and lower case count as the same); "
                "let the rig's file pattern hold {pad}, and {bank} where banks share a folder",
                path,
            )
            continue
        seen.add(same_name_key(path))
        for depth, name in enumerate(parts):
            parent = "/".join(parts[:depth])
            known = folders[parent].get(same_name_key(name))
            if known is None:
                folders[parent][same_name_key(name)] = name
                _check_one(name, "/".join(parts[: depth + 1]), rules, path in extras, add)
            elif known != name:
                add(
                    "name-twice",
                    f"{name} and {known} in {parent or 'the set'} are one name on a card "
                    "(upper and lower case count as the same); name them apart",
                    path,
                )
        units = utf16_units(_DRIVE + (folder + "\\" if folder else "") + path)
        if units > MAX_PATH_UNITS:
            add(
                "path-too-long",
                f"{path}: the whole path is {units} characters and Windows takes {MAX_PATH_UNITS}; "
                "shorten the show's or the clip's name",
                path,
                units,
                MAX_PATH_UNITS,
            )
    for path in files:
        sounds[path.rpartition("/")[0]] += 1
    for parent in sorted(set(folders) | set(sounds)):
        where = parent or folder or "the set"
        if sounds[parent] > rules.max_files_per_folder:
            add(
                "folder-files",
                f"{where} would hold {sounds[parent]} files and the rig takes {rules.max_files_per_folder}; "
                "spread the clips over more banks",
                where,
                sounds[parent],
                rules.max_files_per_folder,
            )
        entries = sum(fat_entries(name) for name in folders[parent].values())
        if entries > MAX_FOLDER_ENTRIES:
            add(
                "folder-entries",
                f"{where} would take {entries} directory entries and a FAT folder holds "
                f"{MAX_FOLDER_ENTRIES}; use shorter names",
                where,
                entries,
                MAX_FOLDER_ENTRIES,
            )
    return findings


def _check_one(
    name: str, where: str, rules: NameRules, is_extra: bool, add: Callable[..., None]
) -> None:
    fault = name_fault(name)
    if fault:
        add(
            "name-impossible",
            f"{where}: no card can hold this name, {fault}; change the clip's or segment's name "
            "or the rig's pattern",
            where,
        )
    elif not is_extra and utf16_units(name) > rules.max_name_chars:
        add(
            "name-too-long",
            f"{where}: the name is {utf16_units(name)} characters, the rig takes {rules.max_name_chars}, "
            "and nothing more can be cut; shorten the rig's pattern",
            where,
            utf16_units(name),
            rules.max_name_chars,
        )
