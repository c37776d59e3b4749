"""Where a set may go: folders that can only be a slip are refused before any work is done."""

from __future__ import annotations

from pathlib import Path

import pytest

from padbank.errors import CardError
from padbank.store.library import Library
from padbank.workflow.export import check_target


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
