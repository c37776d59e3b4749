"""Learning from what was played: a take written by hand as the Standard MIDI File 1.0 says.

Header ``MThd``, length 6, format 0, one track, 480 ticks a quarter; default
tempo 120 BPM (500,000 µs a quarter; from memory). A program change n switches
to bank n + 1 (common practice, no source).
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from padbank.cli.main import cli
from padbank.errors import InputError
from padbank.store.library import Library
from padbank.workflow.add import add
from padbank.workflow.by_hand import change_by_hand, clear, place, swap
from padbank.workflow.checklist import check_layout
from padbank.workflow.log import log_take, rehearse_show
from padbank.workflow.plan import BY_HAND, judge, plan
from padbank.workflow.shows import open_show

RIG = """
name = "plank"
title = "An invented plank"
banks = 2
[[devices]]
name = "box"
memory = "20 MB"
voices = 8
sample_rates_hz = [44100]
[[surfaces]]
name = "plank"
channel = 10
grid = { rows = 1, columns = 3, pitch_x_mm = 110, w_mm = 100, h_mm = 60, first_note = 36 }
"""

SHOW = """
name = "two-songs"
rig = "plank"
rights = "any"
pins = [
    { clip = "knock", pad = "plank/1" },
    { clip = "ring", pad = "plank/2" },
]
[[segments]]
name = "one"
bank = 1
wants = [ { clip = "knock", hits = 50, learn = true, must = true }, { clip = "ring", hits = 2, must = true } ]
[[segments]]
name = "two"
bank = 2
wants = [ { tag = "bell", hits = 9, learn = true, must = true } ]
"""


def take(*notes: tuple[int, int | None]) -> bytes:
    """One note a quarter on channel 10; (program, None) is a program change."""
    track = b""
    for number, velocity in notes:
        if velocity is None:
            track += b"\x83\x60" + bytes([0xC9, number])  # 0x83 0x60: 3·128 + 96 = 480 ticks
        else:
            track += b"\x83\x60" + bytes([0x99, number, velocity]) + b"\x81\x70" + bytes([0x89, number, 0])
    track += b"\x00\xff\x2f\x00"
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, 480) + b"MTrk" + struct.pack(">I", len(track)) + track


@pytest.fixture
def library(tmp_path: Path):  # type: ignore[no-untyped-def]
    for name, frequency_hz in (("knock", 200), ("ring", 900)):
        k = np.arange(8000)
        soundfile.write(tmp_path / f"{name}.wav", 0.5 * np.sin(2 * np.pi * frequency_hz * k / 44100 + 1) * np.exp(-k / 1500), 44100)
    with Library(tmp_path / "library") as library:
        add(library, [tmp_path / "knock.wav"])
        add(library, [tmp_path / "ring.wav"], tags=["bell"])
        (library.rigs / "plank.toml").write_text(RIG, encoding="utf-8")
        (library.shows / "two-songs.toml").write_text(SHOW, encoding="utf-8")
        plan(library, "two-songs")
        yield library


def test_hits_of_a_take_become_the_next_plan_s_hits(library: Library, tmp_path: Path) -> None:
    first = tmp_path / "night.mid"
    # bank 1: knock ×3 (note 36), ring ×1 (37); bank 2: ring ×2
    first.write_bytes(take((36, 90), (36, 90), (36, 90), (37, 80), (1, None), (37, 80), (37, 80)))
    played = log_take(library, "two-songs", first)
    assert played.hits == {("one", "knock"): 3, ("one", "ring"): 1, ("two", "ring"): 2}
    one, two = open_show(library, "two-songs").show.segments
    assert (one.wants[0].hits, one.wants[1].hits) == (3, 2)  # learned; typed, since it does not learn
    assert two.wants[0].hits == 2
    assert library.catalogue.uses() == {"knock": 3, "ring": 3}

    log_take(library, "two-songs", first)  # the same take again counts once
    assert library.catalogue.uses() == {"knock": 3, "ring": 3}

    second = tmp_path / "next night.mid"
    second.write_bytes(take((36, 90)))
    log_take(library, "two-songs", second)
    assert open_show(library, "two-songs").show.segments[0].wants[0].hits == (3 + 1) / 2


def test_until_a_take_is_logged_the_typed_hits_hold(library: Library) -> None:
    assert open_show(library, "two-songs").show.segments[0].wants[0].hits == 50


def test_rehearsing_a_take_names_hits_on_empty_pads(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "wrong.mid"
    path.write_bytes(take((38, 90)))  # plank/3 holds nothing
    played = rehearse_show(library, "two-songs", path)
    assert [f.code for f in played.findings] == ["take-empty", "empty-pad"]
    assert all(any(f.text in line for line in played.lines) for f in played.findings)
    assert not any("nothing found" in line for line in played.lines)
    assert played.hits == {}


def test_rehearsing_a_take_of_other_notes_does_not_say_that_all_is_well(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "other.mid"
    path.write_bytes(take(*((note, 90) for note in range(95, 100)), (99, 90)))
    played = rehearse_show(library, "two-songs", path)
    assert [(f.code, f.number) for f in played.findings] == [("unknown-note", 6), ("take-empty", None)]
    assert "95, 96, 97, 98, 99" in played.findings[0].text
    assert not any("nothing found" in line for line in played.lines)
    assert sum("none of its hits falls on a clip" in line for line in played.lines) == 1


def test_a_file_that_is_no_take_says_so(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "no.mid"
    path.write_bytes(b"words")
    with pytest.raises(InputError, match=r"no\.mid"):
        log_take(library, "two-songs", path)
    with pytest.raises(InputError, match="cannot be read"):
        log_take(library, "two-songs", tmp_path / "missing.mid")


def test_a_take_that_hit_no_clip_teaches_nothing_and_keeps_what_was_learned(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "night.mid"
    path.write_bytes(take((36, 90)))
    log_take(library, "two-songs", path)
    path.write_bytes(take((38, 90)))  # plank/3 holds nothing
    with pytest.raises(InputError, match="nothing was kept"):
        log_take(library, "two-songs", path)
    for bank in (0, 3):
        with pytest.raises(InputError, match="has 1 to 2"):
            log_take(library, "two-songs", path, first_bank=bank)
    assert library.catalogue.uses() == {"knock": 1}


def test_a_take_of_an_earlier_layout_teaches_what_was_played_there(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "night.mid"
    path.write_bytes(take((36, 90), (36, 90), (36, 90)))  # knock lay on plank/1 that night
    change_by_hand(library, "two-songs", swap(1, "plank/1", 1, "plank/2"))
    assert rehearse_show(library, "two-songs", path).hits == {("one", "ring"): 3}
    assert log_take(library, "two-songs", path, number=1).hits == {("one", "knock"): 3}
    assert library.catalogue.uses() == {"knock": 3}
    with pytest.raises(InputError, match="has no layout 9"):
        log_take(library, "two-songs", path, number=9)


def test_a_layout_by_hand_is_judged_with_the_costs_and_reasons_of_its_step(library: Library) -> None:
    after = change_by_hand(library, "two-songs", clear(1, "plank/1"))
    judged = judge(library, "two-songs")
    assert judged.evaluation.objective == pytest.approx(after.change.evaluation.objective)
    assert [(x.want, x.must, x.reason) for x in judged.evaluation.left_out] == [("knock", True, BY_HAND)]
    show, layout = judged.opened.show, judged.layout
    musts = check_layout(show, layout, judged.evaluation.left_out, judged.evaluation.findings)[0]
    assert not musts.ok and musts.figures == "3 musts, 0 wishes left out, not there: knock"


def test_a_step_by_hand_that_changes_nothing_keeps_the_planned_layout(library: Library) -> None:
    wide = RIG.replace('name = "plank"\nchannel', 'name = "zz"\nchannel') + '\n[[surfaces]]\nname = "aa"\nchannel = 9\ngrid = { rows = 1, columns = 1, pitch_x_mm = 110, w_mm = 100, h_mm = 60, first_note = 50 }\n'
    (library.rigs / "plank.toml").write_text(wide, encoding="utf-8")  # the rig names its surfaces in another order than the alphabet
    show = library.shows / "two-songs.toml"
    show.write_text(show.read_text(encoding="utf-8").replace('pad = "plank/1"', 'pad = "zz/1"').replace('pad = "plank/2"', 'pad = "aa/1"'), encoding="utf-8")
    planned = plan(library, "two-songs").layout
    knock = next(p for p in planned.places if p.clip == "knock")
    changed = change_by_hand(library, "two-songs", place("knock", knock.bank, knock.pad_id))
    assert changed.layout.number == planned.number
    assert library.catalogue.layout("two-songs")[1]["by"] == "plan"  # type: ignore[index]


def test_what_the_commands_say_of_takes_and_of_layouts_that_are_alike(library: Library, tmp_path: Path) -> None:
    plan(library, "two-songs")
    night = tmp_path / "night.mid"
    night.write_bytes(take((36, 100), (37, 100)))

    def said(*words: str) -> str:
        return CliRunner().invoke(cli, ["--library", str(library.folder), *words]).output

    told = said("log", "two-songs", str(night))
    assert "No want" not in told and "2 hits" in told and "1.0" not in told  # counts of hits, not measurements
    show = library.shows / "two-songs.toml"
    show.write_text(show.read_text(encoding="utf-8").replace("learn = true, ", ""), encoding="utf-8")
    assert "No want of two-songs has learn = true" in said("log", "two-songs", str(night))
    same = said("layout", "two-songs", "--diff", "1")
    assert same.startswith("No difference from layout 1 of two-songs") and "why" not in same


def test_a_renamed_clip_stays_in_its_shows_layouts_and_takes(library: Library, tmp_path: Path) -> None:
    plan(library, "two-songs")
    night = tmp_path / "night.mid"
    night.write_bytes(take((36, 100), (36, 100)))
    log_take(library, "two-songs", night)
    show = library.shows / "two-songs.toml"
    show.write_bytes(show.read_bytes().replace(b"\n", b"\r\n"))
    (library.shows / "other.toml").write_bytes(show.read_bytes().replace(b'"two-songs"', b'"other"').replace(b"knock", b"ring"))
    (library.shows / "broken.toml").write_text('name = "broken"\nwants = "knock"', encoding="utf-8")
    done = CliRunner().invoke(cli, ["--library", str(library.folder), "edit", "knock", "--name", "door"])
    assert done.exit_code == 0, done.output
    assert "knock is door in the shows that name it too: two-songs." in done.output
    assert "show broken still says knock: " in done.output and "other" not in done.output
    assert b'clip = "door"' in show.read_bytes() and b"\r\n" in show.read_bytes()
    judged = judge(library, "two-songs")
    assert judged.layout.number == 1 and "door" in {p.clip for p in judged.layout.places} and judged.evaluation.feasible
    assert library.catalogue.uses() == {"door": 2}


def test_a_removed_clip_is_told_with_the_shows_that_name_it(library: Library) -> None:
    done = CliRunner().invoke(cli, ["--library", str(library.folder), "remove", "knock", "ring"])
    told = [line for line in done.output.splitlines() if "is missing there" in line]
    assert [line.partition(":")[0] for line in told] == ["knock is named by two-songs", "ring is named by two-songs"]


def test_a_plan_that_agrees_with_the_hands_is_kept_with_its_proof(library: Library) -> None:
    show = library.shows / "two-songs.toml"
    show.write_text(show.read_text(encoding="utf-8").replace("pins = [", "pins = []\nignored = [").partition("ignored")[0] + "[[segments]]" + show.read_text(encoding="utf-8").partition("[[segments]]")[2], encoding="utf-8")
    planned = plan(library, "two-songs", fresh=True).layout
    knock, ring = (next(p for p in planned.places if p.clip == name and p.bank == 1) for name in ("knock", "ring"))
    change_by_hand(library, "two-songs", swap(1, knock.pad_id, 1, ring.pad_id))
    back = change_by_hand(library, "two-songs", swap(1, knock.pad_id, 1, ring.pad_id))
    again = plan(library, "two-songs", fresh=True)
    assert again.layout.number == back.layout.number + 1
    assert library.catalogue.layout("two-songs")[1]["status"] == "proved"  # type: ignore[index]
