"""Others change the library while one works on it: what the workflow does, without a browser."""

from __future__ import annotations

import contextlib
import errno
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from padbank.errors import InputError
from padbank.store.library import Library
from padbank.workflow import clips as clips_work
from padbank.workflow import revisions
from padbank.workflow.arrange import apply_step, earlier_layout, keep_step, read_board
from padbank.workflow.export import export, prepare_export
from padbank.workflow.plan import keep_layout, plan
from padbank.workflow.revisions import ChangedMeanwhile, change_text, text_revision
from padbank.workflow.shows import new_show

SHOW = "jetty-night"


def _edits(folder: Path, name: str, key: str, n: int) -> list[str]:
    """One program's edits; what went wrong."""
    faults = []
    with Library(folder) as library:
        for i in range(n):
            try:
                clips_work.edit(library, name, {key: 0.001 * (i + 1)})
            except Exception as error:
                faults.append(f"{type(error).__name__}: {error}")
    return faults


def test_many_writers_wait_for_each_other_and_none_overwrites_another(library_folder):
    """Two programs on one clip and one on another: a transaction that read first was refused at once, or wrote
    back a recipe of which another had changed a field meanwhile."""
    work = [("horn", "fade_in_s"), ("horn", "fade_out_s"), ("bell", "fade_out_s")]
    with ThreadPoolExecutor(3) as pool:  # each with a connection of its own, as programs have
        faults = list(pool.map(lambda one: _edits(library_folder, *one, 40), work))
    assert faults == [[], [], []]
    with Library(library_folder) as library:
        recipe = library.clip("horn").recipe
        assert (recipe.fade_in_s, recipe.fade_out_s) == pytest.approx((0.04, 0.04))
        assert len(library.catalogue.recipe_history("horn")) == 81  # as proposed, and every edit


def test_an_editor_that_saves_while_an_edit_is_written_is_not_overwritten(library_folder, monkeypatch):
    path = library_folder / "shows" / f"{SHOW}.toml"
    text = path.read_text(encoding="utf-8")
    saved = text.replace("hits = 4", "hits = 5")
    real = os.fsync

    def fsync(handle):
        real(handle)
        path.write_text(saved, encoding="utf-8")

    monkeypatch.setattr(revisions.os, "fsync", fsync)
    with Library(library_folder) as library, pytest.raises(ChangedMeanwhile, match="repeat your edit"):
        change_text(library, path, text_revision(text), lambda t: t.replace("hits = 6", "hits = 7"))
    assert path.read_text(encoding="utf-8") == saved
    assert [p.name for p in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize(("fault", "written"), [(errno.ENOSPC, False), (errno.EINVAL, True)], ids=["full", "cannot sync"])
def test_an_edit_on_a_disk_that_does_not_sync(library_folder, monkeypatch, fault, written):
    path = library_folder / "shows" / f"{SHOW}.toml"
    text = path.read_text(encoding="utf-8")

    def fsync(handle):
        raise OSError(fault, os.strerror(fault))

    with Library(library_folder) as library, contextlib.ExitStack() as expected:
        monkeypatch.setattr(revisions.os, "fsync", fsync)
        if not written:
            expected.enter_context(pytest.raises(OSError, match=os.strerror(fault)))
        change_text(library, path, None, lambda t: t.replace("hits = 6", "hits = 7"))
    assert (path.read_text(encoding="utf-8") != text) is written
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_two_begin_a_show_of_one_name(library_folder, monkeypatch):
    # Both looked before either wrote.
    monkeypatch.setattr(Path, "exists", lambda self: self.name != f"{SHOW}.toml" and os.path.exists(self))
    with Library(library_folder) as library, pytest.raises(InputError, match="is there already"):
        new_show(library, SHOW, rig="plank")
    assert "Jetty night" in (library_folder / "shows" / f"{SHOW}.toml").read_text(encoding="utf-8")


def test_a_plan_says_what_others_made_while_it_ran(library_folder):
    path = library_folder / "shows" / f"{SHOW}.toml"
    with Library(library_folder) as library, Library(library_folder) as other:
        first = plan(library, SHOW)
        assert first.meanwhile == ""
        done = []

        def beside(*figures) -> None:
            if done:
                return
            done.append(True)
            board = read_board(other, SHOW)
            horn = next(p for p in board.layout.places if p.clip == "horn")
            step = {"do": "clear", "bank": horn.bank, "pad": horn.pad_id}
            keep_step(other, board, 1, apply_step(board, step))
            path.write_text(path.read_text(encoding="utf-8").replace("hits = 6", "hits = 7"), encoding="utf-8")

        again = plan(library, SHOW, progress=beside)
        assert again.layout.number == 3
        assert again.meanwhile.startswith("layout 2 was made elsewhere while this was planned: it is kept, and layout 3 is the newest")
        assert "jetty-night.toml was changed" in again.meanwhile and "plan again" in again.meanwhile
        assert "horn" not in {p.clip for p in library.catalogue.layout(SHOW, 2)[0].places}
        assert plan(library, SHOW, fresh=True).meanwhile == ""


def test_only_the_set_that_was_seen_is_exported(library_folder, tmp_path):
    card = tmp_path / "card"
    with Library(library_folder) as library:
        plan(library, SHOW)
        seen = prepare_export(library, SHOW).revision
        assert prepare_export(library, SHOW).revision == seen
        clips_work.edit(library, "horn", {"level_offset_lu": -3.0})
        with pytest.raises(ChangedMeanwhile, match="look at what would be written"):
            export(library, SHOW, card, seen=seen)
        assert not card.exists()
        assert export(library, SHOW, card, seen=prepare_export(library, SHOW).revision).layout == 1


def test_a_layout_of_another_rig_is_not_put_back(library_folder):
    """It would come back empty."""
    with Library(library_folder) as library:
        first = plan(library, SHOW).layout
        keep_layout(library, type(first)(**{**{f: getattr(first, f) for f in first.__slots__}, "rig": "crate-eight"}), None)
        board = read_board(library, SHOW)
        with pytest.raises(InputError, match="was made for rig crate-eight"):
            earlier_layout(library, board, 2)
        with pytest.raises(InputError, match="has no layout 9"):
            earlier_layout(library, board, 9)
        assert earlier_layout(library, board, 1).places == first.places
