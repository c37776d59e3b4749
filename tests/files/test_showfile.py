"""Show files: what they can say, a new one, and edits that keep a person's comments."""

from __future__ import annotations

from datetime import date

import pytest

from padbank.domain import Pin, Want, Weights
from padbank.errors import ConfigError, InputError
from padbank.files.showfile import (
    clear_pin,
    load_show,
    new_show_toml,
    set_pin,
    set_target,
    set_weight,
    show_from_toml,
)

GOOD = """\
# our evening
name = "harbour-night"
title = "Harbour night"
date = 2026-12-05
rig = "my-rig"          # the small one
like = "autumn-night"
rights = "cleared"
always_bank = 1
apart = [["foghorn", "ship-bell"]]
together = [["rope-a", "rope-b", "rope-c"]]

[level]
target_lufs = -18      # quiet room
rule = "even"

[weights]
moved = 2

[[segments]]
name = "opening"
title = "Opening"
bank = 2
wants = [
    { clip = "foghorn", hits = 4, must = true },   # the big one
    { tag = "laugh", count = 3, hits = 2.5, value = 2 },
]

[[segments]]
name = "any-time"
any_time = true

[[segments.wants]]
clip = "ship-bell"

[[pins]]
clip = "foghorn"   # under the right hand
pad = "deck/1"

[[pins]]
clip = "foghorn"
pad = "deck/2"
bank = 3
"""


def test_a_show_says_what_its_file_says(tmp_path):
    path = tmp_path / "show.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    show = load_show(path)
    assert show == show_from_toml(GOOD)
    assert show.date == date(2026, 12, 5)
    assert (show.rig, show.like, show.always_bank) == ("my-rig", "autumn-night", 1)
    assert show.apart == (("foghorn", "ship-bell"),)
    assert show.together == (("rope-a", "rope-b", "rope-c"),)
    assert (show.target_lufs, show.level_rule, show.ceiling_dbtp) == (-18, "even", -1)
    assert show.weights == Weights(moved=2)
    assert show.segments[0].wants == (
        Want(clip="foghorn", hits=4, must=True),
        Want(tag="laugh", count=3, hits=2.5, value=2),
    )
    assert show.segments[0].bank == 2
    assert show.segments[1].any_time and show.segments[1].wants == (Want(clip="ship-bell"),)
    assert show.pins == (
        Pin(clip="foghorn", pad_id="deck/1"),
        Pin(clip="foghorn", pad_id="deck/2", bank=3),
    )


def test_a_date_may_stand_in_quotes():
    assert show_from_toml(GOOD.replace("2026-12-05", '"2026-12-05"')).date == date(2026, 12, 5)
    with pytest.raises(ConfigError, match=r"line 4, date: '5\. Dec' is not a date"):
        show_from_toml(GOOD.replace("2026-12-05", '"5. Dec"'))


def test_a_tag_may_be_any_single_word():
    for tag in ("Größe", "v2.1", "80er"):
        show = show_from_toml(GOOD.replace('tag = "laugh"', f'tag = "{tag}"'))
        assert show.segments[0].wants[1].tag == tag.lower()
    assert show_from_toml(new_show_toml("b", "r", show)).segments == show.segments


def test_every_fault_at_once_with_its_line():
    text = (
        GOOD.replace("hits = 4", "hits = -4")
        .replace("value = 2", "vlaue = 2")
        .replace('rule = "even"', 'rule = "evn"')
        .replace('{ tag = "laugh", count', '{ tag = "laugh", clip = "x", count')
        .replace('[["foghorn", "ship-bell"]]', '["foghorn", "ship-bell"]')
    )
    with pytest.raises(ConfigError) as caught:
        show_from_toml(text, "show.toml")
    said = str(caught.value)
    assert "line 24, segments[1].wants[1].hits: -4 is out of range" in said
    assert "line 25, segments[1].wants[2].vlaue: there is no setting 'vlaue' here: did you mean 'value'?" in said
    assert "line 25, segments[1].wants[2]: a want names either a clip or a tag" in said
    assert "line 14, level.rule: 'evn' is not one of 'short', 'limit', 'even' (did you mean 'even'?)" in said
    assert "line 9, apart[1]: each entry is itself a list" in said
    lines = [fault.line for fault in caught.value.faults]
    assert lines == sorted(lines) and len(lines) == 6


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("target_lufs = -18", "target_lufs = 16", "from -60 to 0"),
        ('name = "any-time"', 'name = "opening"', "two segments 'opening'"),
        ("bank = 3\n", "", "pinned twice"),
        ("must = true", 'must = "yes"', "is not true or false"),
        ('clip = "ship-bell"', 'clip = "Ship Bell"', "such as 'ship-bell'"),
        ('tag = "laugh"', 'tag = "two words"', "use one word"),
        ('clip = "ship-bell"', 'clip = "ship-bell"\ncount = 2', "count belongs to wants by tag"),
        ("[[segments]]\nname = \"any-time\"\nany_time = true", "[segments.x]", "line"),
    ],
)  # fmt: skip
def test_one_fault_names_its_place_and_cure(old, new, words):
    assert old in GOOD
    with pytest.raises(ConfigError) as caught:
        show_from_toml(GOOD.replace(old, new, 1), "show.toml")
    assert words in str(caught.value)
    assert "line" in str(caught.value)


def test_a_new_show_can_be_read_and_is_explained():
    text = new_show_toml("spring-night", "my-rig", title='The "spring" night', day=date(2027, 3, 1))
    show = show_from_toml(text)
    assert (show.name, show.rig, show.title) == ("spring-night", "my-rig", 'The "spring" night')
    assert show.date == date(2027, 3, 1)
    assert show.weights == Weights()
    for word in ("hits is how often", "must = true means", "always_bank", "apart", "together"):
        assert word in text


def test_a_new_show_like_an_old_one_takes_its_wants_over():
    old = show_from_toml(GOOD)
    new = show_from_toml(new_show_toml("spring-night", "other-rig", old))
    assert (new.name, new.rig, new.like, new.date) == (
        "spring-night", "other-rig", "harbour-night", None,
    )  # fmt: skip
    for same in ("segments", "pins", "apart", "together", "weights", "target_lufs", "level_rule", "rights", "always_bank"):
        assert getattr(new, same) == getattr(old, same)


def test_a_new_show_needs_a_name():
    with pytest.raises(InputError, match="lower-case"):
        new_show_toml("Spring Night", "my-rig")


# ---------------------------------------------------------------- edits


def without(text, *removed):
    return [line for line in text.split("\n") if line.strip() and line not in removed]


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_a_pin_is_moved_and_nothing_else_changes(ends):
    text = GOOD.replace("\n", ends)
    edited = set_pin(text, "foghorn", "feet/9")
    assert edited == text.replace(f'pad = "deck/1"{ends}', f'pad = "feet/9"{ends}')


def test_a_pin_is_added_and_taken_away_again():
    edited = set_pin(GOOD, "ship-bell", "deck/4", 2)
    assert show_from_toml(edited).pins[-1] == Pin(clip="ship-bell", pad_id="deck/4", bank=2)
    assert edited.startswith(GOOD.rstrip())
    assert without(clear_pin(edited, "ship-bell")) == without(GOOD)
    one_left = show_from_toml(clear_pin(GOOD, "foghorn", 3))
    assert one_left.pins == (Pin(clip="foghorn", pad_id="deck/1"),)
    assert show_from_toml(clear_pin(GOOD, "foghorn")).pins == ()
    with pytest.raises(InputError, match="not pinned in bank 4"):
        clear_pin(GOOD, "foghorn", 4)


def test_pins_written_as_a_list_stay_a_list():
    head, _, _ = GOOD.partition("[[pins]]")
    text = head.replace("[level]", 'pins = [ { clip = "foghorn", pad = "deck/1" } ]\n\n[level]')
    edited = set_pin(text, "ship-bell", "deck/2", 1)
    assert [pin.clip for pin in show_from_toml(edited).pins] == ["foghorn", "ship-bell"]
    assert "[[pins]]" not in edited
    assert show_from_toml(clear_pin(edited, "foghorn")).pins == (
        Pin(clip="ship-bell", pad_id="deck/2", bank=1),
    )


def test_a_first_pin_on_a_new_show():
    text = new_show_toml("spring-night", "my-rig")
    edited = set_pin(text, "foghorn", "deck/1")
    assert show_from_toml(edited).pins == (Pin(clip="foghorn", pad_id="deck/1"),)
    for line in text.strip().split("\n"):
        assert line in edited


def test_target_and_weights_change_in_place():
    edited = set_target(GOOD, -20.5)
    assert "target_lufs = -20.5      # quiet room" in edited
    assert show_from_toml(set_weight(GOOD, "moved", 0.25)).weights == Weights(moved=0.25)
    assert show_from_toml(set_weight(GOOD, "reach", 3.0)).weights == Weights(moved=2, reach=3)
    bare = new_show_toml("spring-night", "my-rig")
    assert show_from_toml(set_weight(bare, "reach", 3.0)).weights == Weights(reach=3)
    with pytest.raises(InputError, match="no weight 'rech'"):
        set_weight(GOOD, "rech", 1)


def test_an_edit_is_refused_when_the_result_would_be_no_show():
    with pytest.raises(ConfigError, match="from -60 to 0"):
        set_target(GOOD, 3)
    with pytest.raises(ConfigError):
        set_target("name = 1", -16)
