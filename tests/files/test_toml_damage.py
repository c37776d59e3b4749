"""Whatever happens to a rig or show file, the answer is a sentence, never a crash."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padbank.domain import Rig, Show
from padbank.errors import InputError
from padbank.files.rigfile import rig_from_toml
from padbank.files.showfile import new_show_toml, set_pin, show_from_toml

RIG = """\
name = "r"
banks = 2
[[devices]]
name = "m"
memory = "1 MB"
voices = 4
[[surfaces]]
name = "deck"
grid = { rows = 1, columns = 3, w_mm = 80, h_mm = 80 }
[[controls]]
label = "Go"
pad = "deck/1"
banks = [1]
"""
SHOW = new_show_toml("night", "r") + '\n[[pins]]\nclip = "a"\npad = "deck/1"\n'
PIECES = st.sampled_from(
    ['"', "'", "[", "]", "{", "}", "=", ",", "\n", "#", ".", "-1", "1e999", "nan", "true", "[]",
     "{}", "[[pins]]", '"""', "\\", "\ufeff", "\r", "\x00", "é", "2026-13-01", "[" * 400]
)  # fmt: skip


@st.composite
def damaged(draw, text):
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        cut = draw(st.integers(0, 12))
        text = text[:at] + draw(PIECES | st.just("")) + text[at + cut :]
    return text


@settings(max_examples=250, deadline=None, derandomize=True)
@given(text=damaged(RIG))
def test_a_damaged_rig(text):
    try:
        assert isinstance(rig_from_toml(text, "rig.toml"), Rig)
    except InputError as error:
        assert "rig.toml" in str(error)


@settings(max_examples=250, deadline=None, derandomize=True)
@given(text=damaged(SHOW))
def test_a_damaged_show(text):
    try:
        assert isinstance(show_from_toml(text, "show.toml"), Show)
    except InputError as error:
        assert "show.toml" in str(error)
        return
    assert any(p.clip == "b" for p in show_from_toml(set_pin(text, "b", "deck/2")).pins)


@pytest.mark.parametrize(
    "value", ["1", "true", '"x"', "[]", "[1]", "{}", "[{}]", "2026-01-01", "nan", "-inf", "[[]]"]
)
@pytest.mark.parametrize("key", ["name", "banks", "devices", "surfaces", "controls", "homes",
                                 "names", "segments", "pins", "apart", "level", "weights", "date",
                                 "rights", "always_bank"])  # fmt: skip
def test_any_kind_of_value_in_any_place(key, value):
    for read in (rig_from_toml, show_from_toml):
        with pytest.raises(InputError, match="is missing"):
            read(f"{key} = {value}\n")
