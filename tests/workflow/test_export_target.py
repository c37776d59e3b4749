"""Where a set may go: folders that can only be a slip are refused before any work is done."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from padbank.errors import CardError
from padbank.files import writable
from padbank.files.swap import next_step
from padbank.store.library import Library
from padbank.workflow.export import check_target, export
from padbank.workflow.export_look import look


def test_folders_that_can_only_be_a_slip_are_refused(tmp_path: Path) -> None:
    card = tmp_path / "card"
    (card / "friday").mkdir(parents=True)
    (card / "friday" / "set.json").write_text("{}", encoding="utf-8")
    with Library(tmp_path / "library") as library:
        check_target(library, card)
        check_target(library, tmp_path / "new")  # its parent is there: it is made
        for folder, words in (
            (tmp_path / "library", "in the library"),
            (tmp_path / "library" / "sets", "in the library"),
            (tmp_path / "no-card" / "sets", "is the card in"),
            (card / "friday", "is a set itself"),
        ):
            with pytest.raises(CardError, match=words):
                check_target(library, folder)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["card", "library"]


def test_a_locked_card_is_told_at_the_look_before_anything_is_rendered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card = tmp_path / "card"
    card.mkdir()
    asked: list[Path] = []
    monkeypatch.setattr(writable, "volume_is_locked", lambda folder: asked.append(folder) or True)
    with Library(tmp_path / "library") as library:
        for act in (
            lambda: look(library, "friday", card), lambda: export(library, "friday", card), lambda: check_target(library, card / "new"),
        ):  # fmt: skip
            with pytest.raises(CardError, match="write-protected: slide its lock open"):
                act()
    assert set(asked) == {card}  # the folder that is to be made has none of its own yet
    assert list(card.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="statvfs is of POSIX")
def test_the_system_is_asked_whether_a_volume_is_locked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not writable.volume_is_locked(tmp_path) and writable.why_not_writable(tmp_path / "not" / "there") is None
    real = os.statvfs(tmp_path)
    flags = real.f_flag | os.ST_RDONLY
    monkeypatch.setattr(os, "statvfs", lambda _folder: SimpleNamespace(f_flag=flags))
    assert writable.why_not_writable(tmp_path) == writable.LOCKED
    monkeypatch.undo()
    monkeypatch.setattr(os, "access", lambda _folder, _mode: False)
    assert writable.why_not_writable(tmp_path) == writable.NOT_ALLOWED


def test_a_write_protected_card_on_windows_is_no_matter_of_permissions() -> None:
    fault = PermissionError(13, "The media is write protected")
    assert next_step(fault) != writable.LOCKED
    fault.winerror = 19  # type: ignore[attr-defined]  # ERROR_WRITE_PROTECT, Windows system error codes
    assert next_step(fault) == writable.LOCKED
