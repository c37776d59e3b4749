"""Writing a set: what is written, what stays, what is refused before the first byte."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import wave
from dataclasses import replace
from pathlib import Path

import pytest

from padbank.domain import Finding, NameRules
from padbank.errors import CardError
from padbank.files.card import files_to_render, find_sets, read_set
from padbank.files.fileops import FileOps
from padbank.files.lock import only_writer
from padbank.files.oncard import room_together
from padbank.files.setfile import from_bytes, to_bytes


def nothing_written(scene) -> bool:
    return not scene.folder.exists() or not any(scene.folder.iterdir())


def test_a_set_is_written_and_read_back(scene, old_plan) -> None:
    result = scene.write(old_plan, FileOps())
    assert sorted(scene.listing()) == [
        "01_opening/01_foghorn.wav", "01_opening/02_bell.wav", "01_opening/03_winch.wav",
        "02_talk/01_foghorn.wav", "02_talk/02_gull.wav", "pads.pdf", "set.json",
    ]  # fmt: skip
    assert len(result.written) == 6 and result.kept == () and result.bytes_written == 5 * 844 + 14
    assert scene.rendered == ["foghorn", "bell", "winch", "gull"]  # once for each version
    on_card = read_set(scene.set_folder)
    assert on_card.state == "whole" and on_card.card == result.card
    row = next(f for f in result.card.files if f.path == "02_talk/01_foghorn.wav")
    assert (row.bank, row.pad, row.pad_number, row.clip, row.frames, row.n_bytes) == (
        2,
        "front/1",
        1,
        "foghorn",
        400,
        844,
    )
    for file in result.card.files:
        with wave.open(str(scene.set_folder / file.path)) as sound:
            assert (sound.getnframes(), sound.getframerate(), sound.getsampwidth()) == (
                400,
                8000,
                2,
            )
    assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"]


def test_the_list_is_plain_and_the_same_every_time(scene, old_plan, tmp_path) -> None:
    scene.write(old_plan)
    data = (scene.set_folder / "set.json").read_bytes()
    body = json.loads(data)
    assert data.endswith(b"}\n") and b"\r" not in data
    assert (
        list(body) == sorted(body)
        and body["schema"] == 1
        and body["controls"] == [{"bank": 1, "label": "next slide", "pad": "front/6"}]
    )
    first = scene.listing()
    scene.folder = tmp_path / "again"
    scene.write(old_plan)
    assert scene.listing() == first
    assert to_bytes(from_bytes(data, "set.json")) == data


def test_two_processes_write_the_same_bytes(scene, old_plan) -> None:
    """Whatever the order of sets and dictionaries in a process (its hash seed)."""
    scene.write(old_plan)
    here = scene.listing()
    conftest = str(Path(__file__).with_name("conftest.py"))
    for seed in ("1", "77"):
        target = scene.folder.parent / seed
        program = (
            "import importlib.util, sys; from pathlib import Path\n"
            f"spec = importlib.util.spec_from_file_location('made', {conftest!r})\n"
            "made = importlib.util.module_from_spec(spec); sys.modules['made'] = made\n"
            "spec.loader.exec_module(made)\n"
            f"made.Scene(folder=Path({str(target)!r})).write(made.OLD_PLAN)\n"
        )
        env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[3]), "PYTHONHASHSEED": seed}
        subprocess.run([sys.executable, "-c", program], check=True, env=env)
        assert scene.listing(target / "harbour-night") == here


def test_the_same_set_again_writes_nothing(scene, old_plan, broken) -> None:
    scene.write(old_plan)
    before = {p: p.stat().st_mtime_ns for p in scene.folder.rglob("*")}
    ops = broken()
    result = scene.write(old_plan, ops)
    assert ops.names == [] and result.written == () and len(result.kept) == 6
    assert {p: p.stat().st_mtime_ns for p in scene.folder.rglob("*")} == before


def test_unchanged_files_are_not_written_again(scene, old_plan, new_plan) -> None:
    scene.write(old_plan)
    inodes = {p: (scene.set_folder / p).stat().st_ino for p in scene.listing()}
    scene.frequencies = {"winch": 900.0}
    result = scene.write(new_plan)
    assert result.written == ("01_opening/03_winch.wav", "02_farewell/05_rope.wav")
    assert result.kept == ("01_opening/01_foghorn.wav", "pads.pdf")
    assert result.moved == ("01_opening/04_bell.wav", "02_farewell/01_foghorn.wav")
    assert result.removed == ("02_talk/02_gull.wav",)
    assert result.bytes_written == 2 * 844
    for new, old in [
        ("01_opening/01_foghorn.wav",) * 2,
        ("01_opening/04_bell.wav", "01_opening/02_bell.wav"),
    ]:
        assert (scene.set_folder / new).stat().st_ino == inodes[old]  # the same file, renamed
    assert not (scene.set_folder / "02_talk").exists()


def test_source_keys_spare_the_rendering(scene, old_plan, new_plan) -> None:
    def keyed(plan):
        return replace(
            plan, files=tuple(replace(f, source_key=f"key of {f.clip}") for f in plan.files)
        )

    scene.write(keyed(old_plan))
    scene.rendered.clear()
    wanted = files_to_render(keyed(new_plan), scene.folder)
    result = scene.write(keyed(new_plan))
    assert scene.rendered == ["rope"] == [f.clip for f in wanted]
    assert result.written == ("02_farewell/05_rope.wav",)
    # a file that was damaged meanwhile is rendered again, whatever its key says
    path = scene.set_folder / "01_opening/03_winch.wav"
    good = path.read_bytes()
    path.write_bytes(good[:-1] + bytes([good[-1] ^ 1]))
    scene.rendered.clear()
    result = scene.write(keyed(new_plan))
    assert scene.rendered == ["winch"] and result.written == ("01_opening/03_winch.wav",)
    assert path.read_bytes() == good


def test_more_copies_of_a_known_sound(scene, plan_of, make_planned) -> None:
    def plan(number, *banks):
        return plan_of(number, [make_planned(b, 1, "foghorn", "x", source_key="k") for b in banks])

    scene.write(plan(1, 1))
    scene.rendered.clear()
    result = scene.write(plan(2, 1, 2, 3))
    assert scene.rendered == [] and result.written == ("02_x/01_foghorn.wav", "03_x/01_foghorn.wav")
    assert len(set(scene.listing().values())) == 3  # three copies alike, the list, the sheet
    assert scene.write(plan(3, 3)).removed == ("01_x/01_foghorn.wav", "02_x/01_foghorn.wav")


def test_swapped_names_end_up_right(scene, plan_of, make_planned) -> None:
    scene.write(plan_of(1, [make_planned(1, 1, "bell", "x"), make_planned(1, 2, "winch", "x")]))
    first = scene.listing()
    scene.frequencies = {
        "bell": 300.0 + sum(map(ord, "winch")) % 500,
        "winch": 300.0 + sum(map(ord, "bell")) % 500,
    }
    result = scene.write(
        plan_of(2, [make_planned(1, 1, "bell", "x"), make_planned(1, 2, "winch", "x")])
    )
    assert result.written == () and len(result.moved) == 2 and result.removed == ()
    assert scene.listing()["01_x/01_bell.wav"] == first["01_x/02_winch.wav"]
    assert scene.listing()["01_x/02_winch.wav"] == first["01_x/01_bell.wav"]


# ---------------------------------------------------------------- what is not padbank's


def test_files_that_are_not_padbanks_stay(scene, old_plan, new_plan) -> None:
    (scene.folder / "System Volume Information").mkdir(parents=True)
    (scene.folder / "holiday.jpg").write_bytes(b"a picture")
    scene.write(old_plan)
    (scene.set_folder / "02_talk" / "09_mine.wav").write_bytes(b"mine")
    (scene.set_folder / "Notes").mkdir()
    (scene.set_folder / "Notes" / "talk.txt").write_bytes(b"slowly")
    (scene.set_folder / "01_opening" / ".DS_Store").write_bytes(b"system")
    result = scene.write(new_plan)
    there = scene.listing()
    assert (
        there["02_talk/09_mine.wav"] == b"mine"
        and there["Notes/talk.txt"] == b"slowly"
        and there["01_opening/.DS_Store"] == b"system"
    )
    assert [(f.code, f.severity, f.where) for f in result.findings] == [
        ("not-ours", "warning", "02_talk/09_mine.wav"), ("not-ours", "note", "Notes"),
    ]  # fmt: skip
    assert sorted(p.name for p in scene.folder.iterdir()) == [
        "System Volume Information",
        "harbour-night",
        "holiday.jpg",
    ]


def test_a_bank_may_come_back_where_its_folder_was_kept_for_others(
    scene, old_plan, new_plan
) -> None:
    scene.write(old_plan)
    (scene.set_folder / "02_talk" / ".DS_Store").write_bytes(b"system")
    (scene.set_folder / "02_farewell").mkdir()  # empty, someone's
    scene.write(new_plan)
    assert [p.name for p in (scene.set_folder / "02_talk").iterdir()] == [".DS_Store"]
    result = scene.write(old_plan)
    assert scene.listing()["02_talk/.DS_Store"] == b"system" and result.findings == ()
    assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"]


@pytest.mark.skipif(os.name == "nt", reason="one name on Windows")
def test_names_that_differ_by_case_or_kind_are_not_mixed_up(
    scene, old_plan, new_plan, tmp_path
) -> None:
    """Where the system keeps both spellings, the stranger's stays; a folder or link in a file's place is no file."""
    scene.write(old_plan)
    opening = scene.set_folder / "01_opening"
    (opening / "02_BELL.WAV").write_bytes(b"a stranger's bell")
    if (opening / "02_bell.wav").read_bytes() == b"a stranger's bell":
        pytest.skip("one name on this disk")
    (scene.set_folder / "02_talk" / "02_gull.wav").unlink()
    (scene.set_folder / "02_talk" / "02_gull.wav").mkdir()
    (opening / "link.wav").symlink_to(tmp_path / "nowhere")
    scene.write(new_plan)
    assert (opening / "02_BELL.WAV").read_bytes() == b"a stranger's bell"
    assert (scene.set_folder / "02_talk" / "02_gull.wav").is_dir()
    assert (opening / "link.wav").is_symlink()
    assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"]
    with pytest.raises(CardError, match=r"02_BELL\.WAV is not padbank's and stands where"):
        scene.write(old_plan)


def test_what_appears_while_the_old_set_goes_is_left_and_reported(
    scene, old_plan, new_plan, broken
) -> None:
    scene.write(old_plan)
    ops = broken()
    original = ops.step

    def step(what, path, act):
        if what == "unlink" and ".padbank-old" in str(path):
            (scene.folder / "harbour-night.padbank-old" / "new.txt").write_bytes(b"just now")
        return original(what, path, act)

    ops.step = step
    result = scene.write(new_plan, ops)
    assert [f.code for f in result.findings] == ["old-left"]
    assert (scene.folder / "harbour-night.padbank-old" / "new.txt").read_bytes() == b"just now"
    assert read_set(scene.set_folder).state == "whole"
    assert scene.write(old_plan).findings == ()  # the next export takes another name beside
    assert (scene.folder / "harbour-night.padbank-old" / "new.txt").read_bytes() == b"just now"


@pytest.mark.parametrize(
    "stranger", ["02_farewell", "02_FAREWELL/05_Rope.WAV", "02_farewell/05_rope.wav/x.txt"]
)
def test_a_strangers_file_in_the_way_refuses(scene, old_plan, new_plan, stranger) -> None:
    scene.write(old_plan)
    (scene.set_folder / stranger).parent.mkdir(exist_ok=True, parents=True)
    (scene.set_folder / stranger).write_bytes(b"not padbank's")
    before = scene.listing()
    with pytest.raises(CardError, match="is not padbank's"):
        scene.write(new_plan)
    assert scene.listing() == before


def test_a_folder_that_is_no_set_refuses(scene, old_plan) -> None:
    scene.set_folder.mkdir(parents=True)
    (scene.set_folder / "01_old.wav").write_bytes(b"someone's")
    with pytest.raises(CardError, match=r"no set\.json"):
        scene.write(old_plan)
    assert scene.listing() == {"01_old.wav": b"someone's"}
    (scene.set_folder / "01_old.wav").unlink()
    (scene.set_folder / ".DS_Store").write_bytes(b"system")
    assert scene.write(old_plan).findings == ()
    assert scene.listing()[".DS_Store"] == b"system"


def test_a_list_that_was_changed_removes_nothing(scene, old_plan, new_plan) -> None:
    scene.write(old_plan)
    path = scene.set_folder / "set.json"
    path.write_bytes(path.read_bytes().replace(b"02_talk/02_gull.wav", b"../../precious.wav"))
    assert read_set(scene.set_folder).state == "damaged"
    before = scene.listing()
    with pytest.raises(CardError, match="was changed after padbank wrote it"):
        scene.write(new_plan)
    assert scene.listing() == before


@pytest.mark.parametrize(
    "path", ["../x.wav", "/x.wav", "a/../../x.wav", "a\\x.wav", "C:x.wav", "", "a//x.wav"]
)
def test_a_list_cannot_point_outside_its_folder(scene, old_plan, path) -> None:
    card = scene.write(old_plan).card
    bad = replace(card, files=(replace(card.files[0], path=path), *card.files[1:]))
    with pytest.raises(CardError, match="no set can hold"):
        from_bytes(to_bytes(bad), "set.json")


@pytest.mark.skipif(os.name == "nt", reason="making links needs a right on Windows")
def test_a_link_in_the_sets_place_refuses(scene, old_plan, tmp_path) -> None:
    (tmp_path / "elsewhere").mkdir()
    scene.folder.mkdir()
    scene.set_folder.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CardError, match="not a folder of its own"):
        scene.write(old_plan)
    assert not any((tmp_path / "elsewhere").iterdir())


# ---------------------------------------------------------------- refused before the first byte


def test_no_room_refuses_before_the_first_byte(scene, old_plan, broken) -> None:
    class Full(broken):
        def free_bytes(self, folder: Path) -> int:
            return 8 * 32_768

        def cluster_bytes(self, folder: Path) -> int:
            return 32_768

    ops = Full()
    # six files and the list in clusters of 32 KiB (7), journal and marker (2), three folders: 12
    with pytest.raises(
        CardError, match=r"take 393\.2 kB beside the old set and 262\.1 kB are free"
    ):
        scene.write(old_plan, ops)
    assert ops.names == ["make folder"] and nothing_written(scene)


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("01_x/01_a?.wav", "no card can hold"),
        ("01_x/con.wav", "device name"),
        ("01_x/01_a.wav.", "full stop"),
        ("01_OPENING/09_a.wav", "one folder on a card"),
        ("01_opening/01_FOGHORN.wav", "one name on a card"),
        ("set.json", "one name on a card"),
        ("Pads.PDF", "one name on a card"),
        ("01_opening", "both a file and a folder"),
        ("../01_a.wav", "no card can hold"),
    ],
)
def test_bad_names_refuse_whoever_planned_them(scene, old_plan, path, says) -> None:
    bad = replace(
        old_plan,
        files=(*old_plan.files, replace(old_plan.files[0], path=path, bank=3, clip="bell")),
    )
    with pytest.raises(CardError, match=says):
        scene.write(bad)
    assert nothing_written(scene) and scene.rendered == []


def test_findings_refuse_unless_they_are_accepted_by_name(scene, old_plan) -> None:
    found = Finding(
        code="voices", severity="error", text="bank 1 can ask for 9 voices; 8 are there"
    )
    plan = replace(
        old_plan, findings=(found, Finding(code="tight", severity="warning", text="close"))
    )
    with pytest.raises(
        CardError, match="harbour-night is not written: bank 1 can ask for 9 voices"
    ):
        scene.write(plan)
    assert nothing_written(scene)
    assert scene.write(plan, accepted=["voices"]).card.accepted == ("voices",)
    impossible = replace(
        plan, findings=(Finding(code="name-twice", severity="error", text="two alike"),)
    )
    with pytest.raises(CardError, match="two alike"):
        scene.write(impossible, accepted=["name-twice"])


def test_limits_are_checked_again_on_the_real_sizes(scene, old_plan) -> None:
    device = replace(old_plan.rig.devices[0], memory_bytes=4 * 800 - 1)
    small = replace(old_plan, rig=replace(old_plan.rig, devices=(device,)))
    with pytest.raises(
        CardError, match=r"take 3\.2 kB of memory"
    ):  # four sounds of 800 bytes, foghorn once
        scene.write(small)
    assert nothing_written(scene)
    tight = replace(old_plan, rig=replace(old_plan.rig, names=NameRules(card_bytes=300_000)))
    with pytest.raises(CardError, match="on the card and it holds"):
        scene.write(tight)
    assert nothing_written(scene)


def test_a_rendering_in_another_form_refuses(scene, old_plan, make_tone) -> None:
    original = scene.render
    for data, says in [
        (make_tone(440, rate_hz=44_100), "44100 Hz"),
        (b"RIFFxxxxWAVE", "no WAV"),
        (make_tone(440)[:-7], "cut short"),
    ]:
        scene.render = lambda file, data=data: replace(original(file), data=data)
        with pytest.raises(CardError, match=says):
            scene.write(old_plan)
        assert nothing_written(scene)


def test_the_folder_may_not_be_a_file(scene, old_plan) -> None:
    scene.folder.write_bytes(b"")
    with pytest.raises(CardError, match="is a file: give a folder"):
        scene.write(old_plan)


def test_cancelling_leaves_the_old_set(scene, old_plan, new_plan) -> None:
    scene.write(old_plan)
    before = scene.listing()

    def stop(done: int, total: int, label: str) -> None:
        if label.startswith("write 02"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        scene.write(new_plan, progress=stop)
    assert scene.listing() == before and [p.name for p in scene.folder.iterdir()] == [
        "harbour-night"
    ]


def test_one_writer_at_a_time(scene, old_plan) -> None:
    scene.folder.mkdir()
    with only_writer(scene.folder):
        program = f"from pathlib import Path; from padbank.files.lock import only_writer\nwith only_writer(Path({str(scene.folder)!r})): pass"
        env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])}
        other = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, env=env
        )
        assert other.returncode == 1 and "another padbank is writing there" in other.stderr
    scene.write(old_plan)


# ---------------------------------------------------------------- which set is here


def test_states_of_a_folder(scene, old_plan) -> None:
    assert read_set(scene.set_folder).state == "none"
    scene.write(old_plan)
    gone = scene.set_folder / "02_talk" / "02_gull.wav"
    data = gone.read_bytes()
    gone.write_bytes(data[:-1])
    assert (
        read_set(scene.set_folder).state == "incomplete"
        and "02_gull.wav" in read_set(scene.set_folder).text
    )
    gone.unlink()
    assert read_set(scene.set_folder).state == "incomplete"
    gone.write_bytes(data)
    assert read_set(scene.set_folder).state == "whole"
    listed = scene.set_folder / "set.json"
    whole = listed.read_bytes()
    for cut in (0, 1, len(whole) // 2, len(whole) - 2):
        listed.write_bytes(whole[:cut])
        assert read_set(scene.set_folder).state == "damaged"
    listed.unlink()
    assert read_set(scene.set_folder).state == "foreign"


def test_sets_are_found_below_a_folder(scene, old_plan) -> None:
    assert find_sets(scene.folder) == []
    scene.write(old_plan)
    scene.write(replace(old_plan, show="ferry-day", folder="ferry-day"))
    assert [p.name for p in find_sets(scene.folder)] == ["ferry-day", "harbour-night"]
    assert find_sets(scene.set_folder) == [scene.set_folder]


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("rate", None, "is not a field"),
        ("files", {}, "files is not a list"),
        ("layout", "3", "layout is '3', not int"),
        ("layout", True, "not int"),
        ("title", None, "title is None, not str"),
        ("limits", {"banks": 1}, r"limits\.\w+ is missing"),
        ("schema", 2, "newer padbank"),
        ("schema", None, "not a list of a set"),
    ],
)
def test_a_list_of_another_form_is_named(scene, old_plan, field, value, says) -> None:
    import hashlib

    body = json.loads(to_bytes(scene.write(old_plan).card))
    body.pop("sha256")
    body[field] = value

    def dump(thing) -> bytes:
        return (json.dumps(thing, sort_keys=True, indent=1, ensure_ascii=False) + "\n").encode()

    body["sha256"] = hashlib.sha256(dump(body)).hexdigest()
    with pytest.raises(CardError, match=says):
        from_bytes(dump(body), "set.json")


def test_an_old_copy_cannot_pass_by_its_name(scene, old_plan, new_plan) -> None:
    """A file replaced by one of the same size is not taken for the old one."""
    scene.write(old_plan)
    path = scene.set_folder / "01_opening" / "01_foghorn.wav"
    good = path.read_bytes()
    path.write_bytes(bytes(len(good)))
    result = scene.write(new_plan)
    assert path.read_bytes() == good
    # the sound copy of the other bank takes one place, the other is written
    assert "01_opening/01_foghorn.wav" in result.written + result.moved
    with wave.open(io.BytesIO(path.read_bytes())) as sound:
        assert sound.getnframes() == 400


def test_sets_in_one_folder_are_added_up(scene, old_plan) -> None:
    scene.write(old_plan)
    # by hand: 5 files and the sheet take a cluster of 32,768 bytes each, as do opening/, talk/ and the set's folder
    assert room_together(scene.folder) == {"main": 9 * 32_768}
    scene.write(replace(old_plan, show="second-night", folder="second-night"))
    assert room_together(scene.folder) == {"main": 18 * 32_768}
    assert room_together(scene.set_folder) == {"main": 9 * 32_768}
