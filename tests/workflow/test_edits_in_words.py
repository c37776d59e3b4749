"""Edits as a person reads them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.store.library import Library
from padbank.workflow.add import add
from padbank.workflow.clips import edit, edit_in_words, info


@pytest.mark.parametrize(
    ("why", "words"),
    [
        ("start_s=0.4488", "start 448.8 ms"),
        ("end_s=None, fade_in_s=0.0125", "end the file's own, fade in 12.5 ms"),
        ("level_offset_lu=-1.5, role=hit", "level offset −1.5 LU, levelled as hit"),
        ("mute_group=None, play_mode=loop", "mute group none, plays loop"),
        ("as proposed", "as proposed"),
        ("colour=red", "colour=red"),
    ],
)
def test_fields_are_named_as_a_person_calls_them(why: str, words: str) -> None:
    assert edit_in_words(why) == words


def test_every_field_of_an_edit_has_a_word(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    soundfile.write(tmp_path / "in" / "horn.wav", 0.3 * np.sin(np.arange(44100) / 20), 44100)
    with Library(tmp_path / "library") as library:
        add(library, [tmp_path / "in"], workers=1)
        changes = {
            "start_s": 0.1, "end_s": 0.9, "fade_in_s": 0.01, "fade_out_s": 0.02, "loop_start_s": 0.2, "loop_end_s": 0.8,
            "role": "phrase", "level_offset_lu": 1.0, "channels": "left", "play_mode": "loop", "mute_group": "horns",
        }  # fmt: skip
        edit(library, "horn", changes)
        said = info(library, "horn").history[-1]["why"]
    assert "=" not in said and len(said.split(", ")) == len(changes)
