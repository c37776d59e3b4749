"""A set is the old one whole or the new one whole, whatever step goes wrong, and the next export finishes."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
import textwrap
from contextlib import suppress
from pathlib import Path

import pytest

from padbank.errors import CardError
from padbank.files.card import find_sets, read_set

MODES = ["kill", "fail", "dead", "held"]
FOREIGN = {
    "02_talk/notes.txt": b"ask for the long gull",
    "mine/take.wav": b"not a set's sound",
    ".DS_Store": b"system",
    "01_opening/._01_foghorn.wav": b"system too",
}


def put_foreign(folder: Path) -> None:
    for path, data in FOREIGN.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(data)


def start_over(scene, first: bool, old_plan, tmp_path: Path, name: str) -> None:
    """A fresh folder with the old set (unless ``first``) and files that are not padbank's."""
    scene.folder = tmp_path / name
    scene.frequencies, scene.sheet = {}, b"%PDF sheet one"
    template = tmp_path / "template"
    if not first and not template.exists():
        scene.write(old_plan)
        put_foreign(scene.set_folder)
        shutil.copytree(scene.folder, template)
    elif not first:
        shutil.copytree(template, scene.folder)
    scene.frequencies, scene.sheet = {"winch": 900.0}, b"%PDF sheet two"


def own(listing: dict[str, bytes]) -> dict[str, bytes]:
    return {p: d for p, d in listing.items() if p not in FOREIGN}


@pytest.mark.parametrize("first", [False, True], ids=["over an old set", "first export"])
def test_every_step_may_go_wrong(
    scene, old_plan, new_plan, tmp_path, broken, killed, first
) -> None:
    start_over(scene, first, old_plan, tmp_path, "measure")
    old = {} if first else own(scene.listing())
    counting = broken()
    scene.write(new_plan, counting)
    new = own(scene.listing())
    assert old != new and counting.count > 20
    assert first or {"rename", "unlink", "remove folder"} <= set(counting.names)

    swap_from = counting.names.index("rename") if "rename" in counting.names else 0

    seen_states = set()
    for mode in MODES if not first else ["kill", "dead"]:
        for at in range(counting.count):
            if mode == "held" and counting.names[at] not in ("rename", "unlink", "remove folder"):
                continue  # the same as being held from the next of these on
            if mode == "dead" and at < swap_from and at % 3:
                continue  # before the swap a dead card and a single fault differ in the cleaning up only
            start_over(scene, first, old_plan, tmp_path, f"{mode}-{at}")
            outcome = "done"
            try:
                scene.write(new_plan, broken(mode, at))
            except CardError as fault:
                outcome = str(fault)
            except killed:
                outcome = "killed"
            what = (mode, at, counting.names[at], outcome)

            on_card = read_set(scene.set_folder)
            there = own(scene.listing()) if scene.set_folder.exists() else None
            if outcome == "done":
                assert there == new, what
            if there is None:
                # between the two, or nothing yet: never taken for a good set, and it says how to go on
                assert on_card.state == (
                    "none"
                    if first and not on_card.left and on_card.text.endswith("no set is here")
                    else "interrupted"
                ), what
                assert on_card.state == "none" or "export again" in on_card.text, what
            else:
                assert there in (old, new), what
                assert on_card.state == "whole", what
                if outcome not in ("done", "killed"):
                    assert there == old, what  # an export that reports an error has changed nothing
            if outcome not in ("done", "killed") and there is None and not first:
                assert "finishes it" in outcome, what
            if not first:
                everything = [p.read_bytes() for p in scene.folder.rglob("*") if p.is_file()]
                assert all(data in everything for data in FOREIGN.values()), what
            seen_states.add((there is None, on_card.state))

            # an interrupted set is listed too, so that verify can name it
            if on_card.state in ("whole", "interrupted"):
                assert scene.set_folder in find_sets(scene.folder), what
            scene.write(new_plan)
            after = scene.listing()
            assert own(after) == new, what
            assert first or {p: d for p, d in after.items() if p in FOREIGN} == FOREIGN, what
            assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"], what
            assert read_set(scene.set_folder).left == "", what
    assert (True, "interrupted") in seen_states and (False, "whole") in seen_states


def test_the_run_after_a_stop_may_stop_as_well(
    scene, old_plan, new_plan, tmp_path, broken, killed
) -> None:
    start_over(scene, False, old_plan, tmp_path, "measure")
    old = own(scene.listing())
    counting = broken()
    scene.write(new_plan, counting)
    new = own(scene.listing())
    renames = [i for i, what in enumerate(counting.names) if what == "rename"]
    for at in (renames[0], renames[1], renames[-1], counting.count - 3):
        for again in range(0, 24, 2):
            start_over(scene, False, old_plan, tmp_path, f"{at}-{again}")
            with pytest.raises(killed):
                scene.write(new_plan, broken("kill-after", at))
            with suppress(killed):
                scene.write(new_plan, broken("kill", again))
            if scene.set_folder.exists():
                assert own(scene.listing()) in (old, new)
                assert read_set(scene.set_folder).state == "whole"
            else:
                assert read_set(scene.set_folder).state == "interrupted"
            scene.write(new_plan)
            assert own(scene.listing()) == new
            assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"]


def test_a_torn_journal_leads_back(scene, old_plan, new_plan, broken, killed) -> None:
    scene.write(old_plan)
    old = scene.listing()
    ops = broken("kill", 10**9)
    original = ops.write_file

    def torn(path, source):
        original(path, source)
        if path.name.endswith(".padbank-swap.json"):
            path.write_bytes(path.read_bytes()[:100])
            ops.over = True

    ops.write_file = torn
    with pytest.raises(killed):
        scene.write(new_plan, ops)
    assert scene.listing() == old
    assert (
        read_set(scene.set_folder).state == "whole"
        and "old one and whole" in read_set(scene.set_folder).left
    )
    scene.write(new_plan)
    assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"]


def test_new_files_that_vanish_lead_back_to_the_old_set(
    scene, old_plan, new_plan, broken, killed
) -> None:
    scene.write(old_plan)
    old = scene.listing()
    counting = broken()
    other = scene.folder
    scene.folder = other.parent / "count"
    scene.write(old_plan)
    scene.write(new_plan, counting)
    scene.folder = other
    first_rename = counting.names.index("rename")
    with pytest.raises(killed):
        scene.write(new_plan, broken("kill-after", first_rename + 1))
    new_folder = scene.folder / "harbour-night.padbank-new"
    (new_folder / "02_farewell" / "05_rope.wav").unlink()
    assert read_set(scene.set_folder).state == "interrupted"
    # a plan that is refused while it is rendered still leaves the set put back
    with pytest.raises(ZeroDivisionError):
        scene.write(new_plan, progress=lambda done, total, label: 1 // 0)
    assert scene.listing() == old


def test_where_neither_way_is_open_nothing_is_touched(
    scene, old_plan, new_plan, broken, killed
) -> None:
    scene.write(old_plan)
    counting = broken()
    scene.write(new_plan, counting)
    scene.write(old_plan)
    with pytest.raises(killed):
        scene.write(new_plan, broken("kill-after", counting.names.index("rename")))
    (scene.folder / "harbour-night.padbank-new" / "02_farewell" / "05_rope.wav").unlink()
    (scene.folder / "harbour-night.padbank-old" / "02_talk" / "02_gull.wav").unlink()
    before = scene.listing(scene.folder)
    with pytest.raises(CardError, match="keep the folder that you want"):
        scene.write(new_plan)
    assert scene.listing(scene.folder) == before
    # without its journal the old folder is still not passed over
    (scene.folder / "harbour-night.padbank-swap.json").unlink()
    with pytest.raises(CardError, match=r"rename harbour-night\.padbank-old to harbour-night"):
        scene.write(new_plan)
    assert read_set(scene.set_folder).state == "interrupted"


def test_bytes_that_come_back_wrong_are_noticed_before_the_swap(
    scene, old_plan, new_plan, broken
) -> None:
    scene.write(old_plan)
    old = scene.listing()
    ops = broken()
    original = ops.write_file

    def bad_card(path, source):
        original(path, source)
        if path.name == "05_rope.wav":
            data = bytearray(path.read_bytes())
            data[500] ^= 1
            path.write_bytes(data)

    ops.write_file = bad_card
    with pytest.raises(CardError, match="other bytes than were written"):
        scene.write(new_plan, ops)
    assert scene.listing() == old and [p.name for p in scene.folder.iterdir()] == ["harbour-night"]


def test_a_file_held_for_a_moment_is_tried_again(scene, old_plan, new_plan, broken) -> None:
    scene.write(old_plan)
    ops = broken()
    denied = []
    original = ops.step

    def busy(what, path, act):
        if what == "rename" and len(denied) < 2:
            denied.append(path)
            raise PermissionError(13, "in use", str(path))
        return original(what, path, act)

    ops.step = busy
    assert scene.write(new_plan, ops).card.layout == 2 and len(denied) == 2


PROGRAM = """
import sys, time
sys.path[:0] = {path!r}
from pathlib import Path
import padbank.files.card as card
from padbank.files.fileops import FileOps
import importlib.util
spec = importlib.util.spec_from_file_location("scene_maker", {conftest!r})
made = importlib.util.module_from_spec(spec); sys.modules["scene_maker"] = made
spec.loader.exec_module(made)

class Slow(FileOps):
    def step(self, what, path, act):
        print(what, flush=True)
        time.sleep(0.004)
        return act()

scene = made.Scene(folder=Path({folder!r}), frequencies={{"winch": 900.0}}, sheet=b"%PDF sheet two")
scene.write(made.NEW_PLAN, Slow())
print("done", flush=True)
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL; the steps above cover it")
@pytest.mark.parametrize("at", [3, 20, 31, 36, 40, 46])
def test_a_real_kill(scene, old_plan, new_plan, at) -> None:
    scene.write(old_plan)
    old = scene.listing()
    root = str(Path(__file__).parents[3])
    program = textwrap.dedent(PROGRAM).format(
        path=[root], conftest=str(Path(__file__).with_name("conftest.py")), folder=str(scene.folder)
    )
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for _ in range(at):
        if process.stdout.readline() in ("done\n", ""):
            break
    process.send_signal(signal.SIGKILL)
    process.stdout.close()
    process.wait(timeout=20)
    there = scene.listing() if scene.set_folder.exists() else None
    state = read_set(scene.set_folder).state
    scene.frequencies, scene.sheet = {"winch": 900.0}, b"%PDF sheet two"
    scene.write(new_plan)
    new = scene.listing()
    assert (there is None and state == "interrupted") or (there in (old, new) and state == "whole")
    assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"]


@pytest.mark.parametrize(
    ("code", "advice"),
    [
        (errno.EROFS, "slide its lock open, or choose another folder"),
        (errno.EACCES, "close it, or choose another folder"),
        (errno.ENOSPC, "free some room or use a larger card"),
        (errno.EIO, "check the card and export again"),
    ],
)
def test_a_refused_write_says_what_to_do(scene, old_plan, broken, code, advice) -> None:
    class Refusing(broken):
        def step(self, what, path, act):
            raise OSError(code, os.strerror(code), str(path))

    scene.folder.mkdir()
    with pytest.raises(CardError, match=advice):
        scene.write(old_plan, Refusing())
