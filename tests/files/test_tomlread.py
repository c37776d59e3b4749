"""Lines of every key, checked against a plain reading of the text; faults all at once."""

from __future__ import annotations

import tomllib

import pytest

from padbank.errors import ConfigError
from padbank.files.tomllines import line_numbers
from padbank.files.tomlread import open_document, parse_size, read_text, suggest_name

TRICKY = """\
# a comment with [brackets] and "quotes
title = "a # b [c]"  # not a comment inside
long = '''
[not.a.table]
x = 1
'''
also = \"\"\"say \\"\"\" here\"\"\"
"quoted key".inner = 5
list = [
  1, # one, ]
  [2,
   3],
  { a = "}", b = { c = 1 } },
]

[a.b]
c = 2026-12-05
[[d]]
e = true
[[d]]
e = 1e3
[[d.f]]
g = 'it''s'
[d.h]
i = -inf
"""


def test_lines_of_every_key_are_those_of_the_text():
    text = TRICKY.replace("'it''s'", "'its'")
    tomllib.loads(text)
    lines = line_numbers(text)
    # Counted by hand in the text above.
    assert lines[("title",)] == 2
    assert lines[("long",)] == 3
    assert lines[("also",)] == 7
    assert lines[("quoted key", "inner")] == 8
    assert lines[("list", 0)] == 10
    assert lines[("list", 1, 1)] == 12
    assert lines[("list", 2, "b", "c")] == 13
    assert lines[("a", "b")] == 16
    assert lines[("a", "b", "c")] == 17
    assert lines[("d", 0)] == 18
    assert lines[("d", 1, "e")] == 21
    assert lines[("d", 1, "f", 0, "g")] == 23
    assert lines[("d", 1, "h", "i")] == 25


def test_every_leaf_has_a_line():
    text = TRICKY.replace("'it''s'", "'its'")

    def leaves(value, path):
        if isinstance(value, dict):
            for key, inner in value.items():
                yield from leaves(inner, (*path, key))
        elif isinstance(value, list):
            for index, inner in enumerate(value):
                yield from leaves(inner, (*path, index))
        yield path

    lines = line_numbers(text)
    missing = [p for p in leaves(tomllib.loads(text), ()) if p and p not in lines]
    assert missing == []


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("name = “harbour”", "straight"),
        ("bank_switch_s = 0,5", "write a point"),
        ("must = True", "small letters"),
        ("date = 5.12.2026", "2026-12-05"),
        ("name = harbour", "double quotes"),
        ("wants = [ { clip = 'a', must = ture } ]", "true and false go without"),
        ("name: harbour", "not a colon"),
        ("banks = 04", "begin with 0"),
        ("wants = [ { clip = 'a' }", "brackets"),
    ],
)
def test_text_that_is_not_toml_names_the_line_and_a_cure(line, hint):
    with pytest.raises(ConfigError) as caught:
        open_document(f"# first\n{line}\n", "night.toml", ())
    assert "night.toml, line " in str(caught.value)
    assert caught.value.line in (2, 3)
    assert hint in str(caught.value)


@pytest.mark.parametrize(
    ("value", "n_bytes"),
    [
        ("64 MB", 64_000_000),
        ("1.5 GiB", 1_610_612_736),  # 1.5 x 1024^3
        ("512kB", 512_000),
        (1234, 1234),
        ("12", 12),
        ("2 TB", None),
        ("-1 MB", None),
        (True, None),
        (1.5, None),
    ],
)
def test_sizes(value, n_bytes):
    assert parse_size(value) == n_bytes


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ("name = 'x'".encode("utf-16"), "UTF-16"),
        (b"a = 1\n# caf\xe9\n", "line 2"),
    ],
)
def test_other_encodings_are_named(tmp_path, raw, words):
    path = tmp_path / "x.toml"
    path.write_bytes(raw)
    with pytest.raises(ConfigError, match="UTF-8") as caught:
        read_text(path, "rig")
    assert words in str(caught.value)


def test_what_is_no_file_is_said(tmp_path):
    with pytest.raises(ConfigError, match="no such show file"):
        read_text(tmp_path / "gone.toml", "show")
    with pytest.raises(ConfigError, match="not a file"):
        read_text(tmp_path, "show")


def test_a_name_is_offered():
    assert suggest_name("Harbour Night!") == "harbour-night"
    assert suggest_name("???") == "harbour-night"
