"""Names in boxes: never over the edge, as large as possible, and still told apart when cut."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padbank.namefit import LINE_PITCH, TAILS, fit, fit_all, readable_from_m


def width_of(text):
    """A font in which every letter is 0.7 capital heights wide."""
    return 0.7 * len(text)


def test_reading_distance_is_the_published_ratio():
    """5 mm at 1 m and 10 mm at 2 m: FAA figure as cited in CRC Press b22361, chapter 52."""
    assert readable_from_m(5) == pytest.approx(1.0)
    assert readable_from_m(10) == pytest.approx(2.0)


def test_a_short_name_takes_one_line():
    # 5 letters are 3.5 capitals wide: 35 / 3.5 = 10 mm; one line of 1.45 x 10 fits in 20.
    found = fit(("crash",), 35, 20, width_of)
    assert found.lines == ("crash",) and found.cap_mm == pytest.approx(10)


def test_two_words_in_a_tall_box_take_two_lines():
    found = fit(("barrel", "thump"), 42, 60, width_of)
    assert found.lines == ("barrel", "thump")
    assert found.cap_mm == pytest.approx(42 / 4.2)


def test_words_are_left_out_only_below_the_floor():
    # All four words at 2.9 mm; "say…" (2.8 capitals wide) reaches 20 / 2.8 = 7.1, "7.5" needs more.
    words = ("say", "mind", "the", "step")
    assert not fit(words, 30, 30, width_of).cut
    cut = fit(words, 22, 12, width_of)
    assert cut.cut and cut.lines == ("say…",) and cut.cap_mm >= 7.5
    assert (
        fit(words, 12, 6, width_of).lines == ("say mind", "the step")
        and not fit(words, 12, 6, width_of).cut
    )


def test_a_name_is_never_cut_to_a_stub():
    # whole in two lines at 22 / 4.9 = 4.5 mm, under the floor; "vm…" would be large, and says nothing
    found = fit(("vm", "savedto"), 22, 20, width_of)
    assert found.lines == ("vm", "savedto") and not found.cut


def test_cut_names_do_not_become_alike():
    boxes = [
        (("low", "water", "intro"), 22.0, 12.0, True),
        (("low", "water", "out"), 22.0, 12.0, True),
        (("stop", "all", "sound", "now"), 22.0, 12.0, False),
    ]
    found = fit_all(boxes, width_of)
    assert not any(name.cut for name in found)


def test_a_long_word_is_broken_where_a_syllable_ends():
    found = fit(("tambourine",), 40, 60, width_of)
    assert found.lines == ("tambou-", "rine") and not found.cut
    assert found.cap_mm == pytest.approx(40 / 4.9)
    assert fit(("tambourine",), 80, 60, width_of).lines == ("tambourine",)
    assert fit(("applause", "few"), 30, 60, width_of).lines == ("ap-", "plause", "few")
    assert fit(("strengths",), 30, 60, width_of).lines == ("strengths",)  # one syllable


WORDS = st.lists(st.text("abcdefgxyz", min_size=1, max_size=11), min_size=1, max_size=5)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(words=WORDS, w_mm=st.floats(5, 200), h_mm=st.floats(5, 120))
def test_a_name_stays_inside_its_box_and_nothing_whole_is_larger(words, w_mm, h_mm):
    found = fit(words, w_mm, h_mm, width_of)
    assert found.cap_mm > 0 and 1 <= len(found.lines) <= 3
    for line in found.lines:
        assert width_of(line) * found.cap_mm <= w_mm * (1 + 1e-9)
    assert found.cap_mm * (1 + TAILS + LINE_PITCH * (len(found.lines) - 1)) <= h_mm * (1 + 1e-9)
    if found.cut:
        return
    # By brute force: every way to put a break or a space between the words.
    for gaps in product(" \n", repeat=len(words) - 1):
        text = words[0] + "".join(gap + word for gap, word in zip(gaps, words[1:], strict=True))
        lines = text.split("\n")
        if len(lines) > 3:
            continue
        cap_mm = min(
            w_mm / max(map(width_of, lines)),
            h_mm / (1 + TAILS + LINE_PITCH * (len(lines) - 1)),
            16.0,
        )
        assert found.cap_mm >= cap_mm * (1 - 1e-9)
