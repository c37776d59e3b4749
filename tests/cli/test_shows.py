"""Shows on the command line: every doubt in one go, and nothing planned for a show that wants nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from padbank.cli.common import print_findings
from padbank.cli.main import cli
from padbank.domain import Finding
from padbank.errors import ConfigError, InputError
from padbank.files.showfile import load_show
from padbank.store.library import Library
from padbank.workflow.add import add
from padbank.workflow.plan import plan
from padbank.workflow.shows import check_show_file, new_show

RATE_HZ = 44100


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    soundfile.write(tmp_path / "trumpet.wav", 0.2 * np.sin(2 * np.pi * 440 * time_s), RATE_HZ)
    with Library(tmp_path / "library") as opened:
        add(opened, [tmp_path / "trumpet.wav"])
        yield opened


FAULTY = """name = "night"
rig = "crate-eight"
rights = "clear"
apart = [["trumpet", "Bad Name"]]
[[segments]]
name = "opening"
wants = [
    { clip = "foghorn", hits = -4, must = true },
    { clip = "trumppet", hits = "x" },
    { clip = "Not A Name" },
    { clip = "trumpet" },
    { tag = "laugh" },
]
[[pins]]
clip = "trumpet"
pad = "lid/99"
"""


def test_a_faulty_show_names_its_unknown_clips_and_pads_with_its_faults(library: Library) -> None:
    (library.shows / "night.toml").write_text(FAULTY, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        check_show_file(library, "night")
    lines = str(caught.value).splitlines()
    for text in (
        "line 3, rights: 'clear'", "line 8, ", "line 9, ", "line 10, ", "'foghorn', which is not in the library",
        "'trumppet', which is not in the library: did you mean 'trumpet'?", "the tag 'laugh'",
        "pinned on lid/99, which rig crate-eight does not have",
    ):  # fmt: skip
        assert sum(text in line for line in lines) == 1, text
    assert "'x', which" not in str(caught.value)  # what stood for a faulty name is no clip
    assert len(caught.value.faults) == len(lines) - 1
    (library.shows / "night.toml").write_text(FAULTY.replace('rig = "crate-eight"', 'rig = "nowhere"'), encoding="utf-8")
    with pytest.raises(ConfigError, match="line 3, rights"):  # without its rig the faults are told alone
        check_show_file(library, "night")


def test_a_show_that_wants_nothing_is_not_planned(library: Library) -> None:
    path = new_show(library, "empty", rig="crate-eight")
    with pytest.raises(InputError, match="wants nothing yet: write the clips or tags") as caught:
        plan(library, "empty")
    assert str(path) in str(caught.value)
    assert library.catalogue.layout_numbers("empty") == []
    ready = CliRunner().invoke(cli, ["--library", str(library.folder), "ready", "empty", "--to", str(library.folder.parent / "card")])
    assert "wants nothing yet" in str(ready.exception)


def test_the_checklist_names_what_plays_far_below_the_target(library: Library, tmp_path: Path) -> None:
    spiky = np.zeros(RATE_HZ * 2)
    spiky[::4410] = 0.9  # ten clicks a second: a peak far above the loudness, which no gain can lift
    soundfile.write(tmp_path / "spiky.wav", spiky, RATE_HZ)
    add(library, [tmp_path / "spiky.wav"])
    path = new_show(library, "night", rig="crate-eight")
    text = path.read_text(encoding="utf-8").replace('rights = "cleared"', 'rights = "any"')
    wants = '    { clip = "trumpet", hits = 4, must = true },\n    { clip = "spiky", hits = 2, must = true },\n'
    path.write_text(text.replace('    # { clip = "foghorn", hits = 4, must = true },\n', wants), encoding="utf-8")
    words = ["--library", str(library.folder), "ready", "night", "--to", str(tmp_path / "card")]
    done = CliRunner().invoke(cli, words)
    low = next(line for line in done.stdout.splitlines() if "as loud as planned" in line)
    by_lu = float(low.split("spiky by ")[1].split(" LU")[0])
    assert by_lu > 6 and "1 below the target" in low
    assert f"[ ] Hear whether what stays far below the target still carries: spiky by {by_lu:.1f} LU." in done.stdout


def test_a_finding_of_the_same_words_is_told_once(capsys) -> None:
    def note(where: str, text: str = "pause: 10.9 LU short") -> Finding:
        return Finding(code="level-short", severity="note", text=text, where=where)

    print_findings([note("01/01.wav"), note("02/01.wav"), note("03/01.wav", "click: 4 LU short"), note("03/02.wav")])
    assert capsys.readouterr().err.splitlines() == [
        "note: pause: 10.9 LU short [01/01.wav and 2 more]", "note: click: 4 LU short [03/01.wav]",
    ]  # fmt: skip


def test_info_tells_edits_in_force_from_those_taken_back(library: Library) -> None:
    def said(*words: str) -> str:
        return CliRunner().invoke(cli, ["--library", str(library.folder), *words]).output

    assert "edits  0, as proposed" in said("info", "trumpet")
    shown = said("edit", "trumpet", "--offset", "-2")
    assert "edits  1, last: level offset −2.0 LU" in shown and "offset −2.0 LU, channels" in shown
    undone = said("edit", "trumpet", "--undo")
    assert "edits  0, as proposed; 1 taken back, the first of them: level offset" in undone


def test_a_show_may_be_begun_by_its_title(library: Library) -> None:
    path = new_show(library, "Freitag – Nacht im Größten Zelt!", rig="crate-eight")
    assert path.name == "freitag-nacht-im-grossten-zelt.toml"
    assert load_show(path).title == "Freitag – Nacht im Größten Zelt!" and load_show(path).name == path.stem
    assert load_show(new_show(library, "plain-name", rig="crate-eight")).title == "plain-name"
    for wrong in ("../x", "a\\b", "", "   ", "!!!"):
        with pytest.raises(InputError):
            new_show(library, wrong, rig="crate-eight")
    with pytest.raises(InputError, match="is there already"):
        new_show(library, "Plain name", rig="crate-eight")
