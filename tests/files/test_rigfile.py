"""Rig files: what they can say, and what is said about a wrong one."""

from __future__ import annotations

import pytest

from padbank.domain import Home, Rig
from padbank.errors import ConfigError
from padbank.files.rigfile import load_rig, rig_from_toml, shipped_rigs

GOOD = """\
name = "my-rig"
title = "Eight pads and two pedals"
banks = 4
bank_switch_s = 0.4

[[devices]]
name = "module"
memory = "64 MB"
voices = 16
sample_rates_hz = [44100, 22050]
max_clip = "8 MB"

[names]
file = "{pad:03d}_{clip}.wav"
card = "2 GB"

[[surfaces]]
name = "deck"
channel = 10
grid = { rows = 2, columns = 4, w_mm = 80, h_mm = 70, pitch_x_mm = 90, pitch_y_mm = 85, first_note = 36 }

[[surfaces]]
name = "feet"
limb = "foot"
max_clip_s = 20

[[surfaces.pads]]
number = 9
x_mm = 100
y_mm = 600
w_mm = 90
h_mm = 60
note = 60

[[surfaces.pads]]
number = 10
x_mm = 220
y_mm = 600
w_mm = 90
h_mm = 60

[[controls]]
label = "Next song"
pad = "feet/9"
banks = [1, 2]

[[controls]]
label = "Free one"
"""


def test_a_rig_says_what_its_file_says():
    rig = rig_from_toml(GOOD)
    assert isinstance(rig, Rig)
    assert (rig.name, rig.banks, len(rig.pads)) == ("my-rig", 4, 10)
    # Pad 7 of the grid: row 2, column 3. Middle 40 + 2 x 90, 35 + 85; note 36 + 6.
    seven = rig.pad("deck/7")
    assert (seven.x_mm, seven.y_mm, seven.note, seven.channel) == (220, 120, 42, 10)
    assert seven.device == "module" and seven.limb == "hand"
    nine = rig.pad("feet/9")
    assert (nine.limb, nine.max_clip_s, nine.note) == ("foot", 20, 60)
    assert rig.device("module").memory_bytes == 64_000_000
    assert rig.device("module").max_clip_bytes == 8_000_000
    assert rig.device("module").sample_rates_hz == (44100, 22050)
    assert rig.names.card_bytes == 2_000_000_000
    assert rig.controls[0].banks == (1, 2)
    assert rig.controls[1].pad_id is None


def test_homes_are_worked_out_when_not_given():
    rig = rig_from_toml(GOOD)
    # Hand pads reach from x = 0 to 3 x 90 + 80 = 350 and y = 0 to 85 + 70 = 155.
    assert rig.homes == (
        Home(limb="hand", x_mm=87.5, y_mm=77.5),
        Home(limb="hand", x_mm=262.5, y_mm=77.5),
        Home(limb="foot", x_mm=160.0, y_mm=600.0),
    )
    given = rig_from_toml(GOOD + '\n[[homes]]\nlimb = "hand"\nx_mm = 1\ny_mm = 2\n')
    assert given.homes == (Home(limb="hand", x_mm=1, y_mm=2),)


@pytest.mark.parametrize(
    ("corner", "first", "second"),
    [
        ("top-left", (10, 10), (30, 10)),
        ("bottom-left", (10, 30), (30, 30)),
        ("top-right", (30, 10), (10, 10)),
        ("bottom-right", (30, 30), (10, 30)),
    ],
)
def test_a_grid_can_count_from_any_corner(corner, first, second):
    rig = rig_from_toml(
        'name="r"\nbanks=1\n[[devices]]\nname="m"\nmemory=1000000\nvoices=4\n'
        '[[surfaces]]\nname="s"\n'
        f'grid={{rows=2, columns=2, w_mm=20, h_mm=20, first_at="{corner}"}}\n'
    )
    assert [(p.x_mm, p.y_mm) for p in rig.pads[:2]] == [first, second]


def test_byte_order_mark_and_windows_line_endings_change_nothing(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_rig(path) == rig_from_toml(GOOD)


def test_every_fault_at_once_with_its_line(tmp_path):
    text = (
        GOOD.replace("banks = 4\n", "banks = 0\n")
        .replace("voices = 16", 'voices = "many"')
        .replace('memory = "64 MB"', "memory = true")
        .replace("bank_switch_s", "bank_swich_s")
        .replace('pad = "feet/9"', 'pad = "feet/99"')
        .replace("number = 10\nx_mm = 220", "number = 9")
    )
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_rig(path)
    said = str(caught.value)
    assert said.startswith(f"{path}: ")
    where = {fault.field: fault.line for fault in caught.value.faults}
    lines = text.split("\n")
    for field, fragment in {
        "banks": "banks = 0",
        "devices[1].voices": "voices =",
        "devices[1].memory": "memory =",
        "bank_swich_s": "bank_swich_s",
        "controls[1].pad": 'pad = "feet/99"',
    }.items():
        assert fragment in lines[where[field] - 1]
        assert f"line {where[field]}, {field}" in said
    assert "did you mean 'bank_switch_s'?" in said
    assert "'x_mm' is missing" in said
    assert "two pads feet/9" in said
    assert where["surfaces[2].pads[2].number"] == len(lines) - lines[::-1].index("number = 9")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "my-rig"', 'name = "My Rig"', "such as 'my-rig'"),
        ('name = "my-rig"\n', "", "'name' is missing"),
        ('limb = "foot"', 'limb = "feet"', "did you mean 'foot'?"),
        ("[[surfaces]]\nname = \"feet\"", "[[surface]]\nname = \"feet\"", "did you mean 'surfaces'?"),
        ("banks = [1, 2]", "banks = [1, 7]", "from 1 to 4"),
        ('label = "Free one"', 'label = "Free one"\npad = "feet/9"', "both take pad feet/9"),
        ("first_note = 36", "first_note = 125", "past note 127"),
        ("voices = 16", "voices = 16\ntitle = 'x'", "belongs at the top"),
        ("w_mm = 80", 'w_mm = "80 mm"', "is not a number"),
        ("max_clip_s = 20", 'device = "other"', "no device 'other'"),
    ],
)  # fmt: skip
def test_one_fault_names_its_place_and_cure(old, new, words):
    assert old in GOOD
    with pytest.raises(ConfigError) as caught:
        rig_from_toml(GOOD.replace(old, new, 1), "rig.toml")
    assert words in str(caught.value)
    assert "rig.toml" in str(caught.value)
    assert "line" in str(caught.value)


def test_several_devices_need_a_name_on_each_surface():
    text = GOOD.replace("[names]", '[[devices]]\nname = "two"\nmemory = 9000000\nvoices = 2\n\n[names]')
    with pytest.raises(ConfigError, match="'device' is missing"):
        rig_from_toml(text)


def test_shipped_rigs_are_named_like_their_files():
    paths = shipped_rigs()
    assert len(paths) >= 2
    assert [load_rig(path).name for path in paths] == [path.stem for path in paths]
