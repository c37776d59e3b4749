"""Fitting a name into a pad: up to three lines, as large as it goes, cut at word ends at worst.

Pure: widths come from the caller's font, in units of the letter height. Sizes
are the height of a capital letter in mm, because that is what a distance can
be read from.

Functions: ``fit``, ``fit_all``, ``readable_from_m``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

LINE_PITCH = 1.62
"""Distance of two base lines in capital heights: room for the tails of g and p."""

READING_RATIO = 200.0
"""A letter can be read from 200 times its height: 5 mm at 1 m, 10 mm at 2 m (the FAA's figure as
cited in Human Factors texts, CRC Press b22361)."""

TAILS = 0.45
"""Room for what rises above a capital and hangs below the line, in capital heights."""

GOAL_CAP_MM = 7.5
"""Read from 1.5 m, the floor at a standing player's feet."""

WORTH_A_BREAK = 1.15
"""A word is broken only for letters that are so much larger."""

LONG_WORD = 8
"""Words of so many letters may be broken over two lines."""

FLOOR_CAP_MM = 5.0
"""Read from 1 m. A whole name of this size is better than a part of it in larger letters."""


LEAST_LETTERS = 3
"""A name is never cut to fewer letters: they would name nothing. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """Lines of a name and the height of their capitals in mm; ``cut`` when words were left out."""

    lines: tuple[str, ...]
    cap_mm: float
    cut: bool = False


def readable_from_m(cap_mm: float) -> float:
    """From how far letters of this height can be read."""
    return cap_mm * READING_RATIO / 1000


def _largest(
    words: Sequence[str],
    w_mm: float,
    h_mm: float,
    width_of: Callable[[str], float],
    most_lines: int,
    top_mm: float,
) -> Fitted:
    best = Fitted(lines=(" ".join(words),), cap_mm=0.0)
    for count in range(1, min(most_lines, len(words)) + 1):
        tall_mm = h_mm / (1 + LINE_PITCH * (count - 1) + TAILS)
        for breaks in combinations(range(1, len(words)), count - 1):
            ends = (0, *breaks, len(words))
            lines = tuple(" ".join(words[a:b]) for a, b in pairwise(ends))
            widest = max(width_of(line) for line in lines)
            cap_mm = min(tall_mm, w_mm / widest if widest else tall_mm, top_mm)
            if cap_mm > best.cap_mm + 1e-9:
                best = Fitted(lines=lines, cap_mm=cap_mm)
    return best


def _breaks(word: str) -> list[int]:
    """Where a word may be broken: between doubled letters, before a consonant between vowels,
    between two consonants between vowels; nearest to its middle first."""
    vowel = [char in "aeiouy" for char in word]
    places = []
    for at in range(2, len(word) - 2):
        doubled = word[at - 1] == word[at] and not vowel[at]
        open_end = vowel[at - 1] and not vowel[at] and vowel[at + 1]
        closed_end = vowel[at - 2] and not vowel[at - 1] and not vowel[at] and vowel[at + 1]
        if doubled or open_end or closed_end:
            places.append(at)
    return sorted(places, key=lambda at: abs(2 * at - len(word)))


def _broken(words: tuple[str, ...]) -> list[tuple[str, ...]]:
    """The name with one long word broken in two by a hyphen."""
    return [
        (*words[:index], word[:at] + "-", word[at:], *words[index + 1 :])
        for index, word in enumerate(words)
        if len(word) >= LONG_WORD and word.isalpha()
        for at in _breaks(word)
    ]


def fit(
    words: Sequence[str],
    w_mm: float,
    h_mm: float,
    width_of: Callable[[str], float],
    *,
    most_lines: int = 3,
    goal_mm: float = GOAL_CAP_MM,
    floor_mm: float = FLOOR_CAP_MM,
    top_mm: float = 16.0,
    taken: Sequence[tuple[str, ...]] = (),
) -> Fitted:
    """Lines and size of one name in a box.

    Parameters
    ----------
    words : the name's words, in order; never empty
    w_mm, h_mm : the box
    width_of : width of a text in the font, in capital heights
    floor_mm : below this, words are left out from the end if the rest then reaches ``goal_mm``
    top_mm : largest size
    taken : names of the neighbours: a cut name never becomes the beginning of one of them

    Returns
    -------
    Fitted : the whole name at its largest when that reaches the floor, or when
        no cut name of enough letters reaches the goal; else the longest cut name that does.
    """
    words = tuple(words)
    whole = _largest(words, w_mm, h_mm, width_of, most_lines, top_mm)
    if whole.cap_mm < goal_mm:
        for parts in _broken(words):
            broken = _largest(parts, w_mm, h_mm, width_of, most_lines, top_mm)
            if broken.cap_mm > WORTH_A_BREAK * whole.cap_mm:
                whole = broken
    if whole.cap_mm >= floor_mm:
        return whole
    for keep in range(len(words) - 1, 0, -1):
        if sum(map(len, words[:keep])) < LEAST_LETTERS or any(other[:keep] == words[:keep] for other in taken if other != words):
            continue
        short = (*words[: keep - 1], words[keep - 1] + "…")
        cut = _largest(short, w_mm, h_mm, width_of, most_lines, top_mm)
        if cut.cap_mm >= goal_mm:
            return Fitted(lines=cut.lines, cap_mm=cut.cap_mm, cut=True)
    return whole


def fit_all(
    boxes: Sequence[tuple[tuple[str, ...], float, float, bool]],
    width_of: Callable[[str], float],
    *,
    top_mm: float = 16.0,
) -> list[Fitted]:
    """Fit the names ``(words, w_mm, h_mm, may be cut)`` of one bank, so that cut ones stay apart."""
    names = [words for words, _, _, _ in boxes]
    return [
        fit(
            words,
            w_mm,
            h_mm,
            width_of,
            floor_mm=FLOOR_CAP_MM if may_cut else 0.0,
            top_mm=top_mm,
            taken=names,
        )
        for words, w_mm, h_mm, may_cut in boxes
    ]
