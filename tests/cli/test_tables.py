"""Tables fit 80 columns, keep what tells names apart, and line up whatever script the names are in."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile

from padbank.cli.tables import columns_of, shorten, table, wrapped
from padbank.units import format_change, format_db

ROOT = Path(__file__).resolve().parents[2]


def test_columns_are_those_of_a_terminal() -> None:
    # Unicode Standard Annex 11: Wide and Fullwidth take two columns; combining marks (Mn) take none
    for text, columns in (("bell", 4), ("日本語の声", 10), ("🎺", 2), ("e\u0301", 1), ("é", 1), ("☎\ufe0f", 1), ("Ａ", 2), ("−16.0", 5)):
        assert columns_of(text) == columns, text


def test_a_table_lines_up_and_fits(monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    rows = [("a-clip-with-quite-a-long-name-1", "−16.0", "tag " * 8), ("a-clip-with-quite-a-long-name-2", "1", ""), ("日本語の声", "−3", "b")]
    lines = table(rows, ("clip", "LUFS", "tags"), "lrl", flexible=(0, 2)).splitlines()
    assert max(map(columns_of, lines)) <= 40
    assert lines[2].split()[0] != lines[3].split()[0]  # the last letters are kept
    edges = {columns_of(line[: line.rindex(figure) + len(figure)]) for line, figure in zip(lines[2:], ("16.0", "1", "3"), strict=True)}
    assert len(edges) == 1  # figures end in one column
    monkeypatch.setenv("COLUMNS", "60")
    assert rows[0][0] in table(rows, ("clip", "LUFS", "tags"), "lrl", flexible=(0, 2))  # the last one gives way first
    assert table([], ("a", "b"), "lr") == "a  b\n-  -"
    wide = table(rows, ("clip", "LUFS", "tags"), "lrl")  # nothing may give way: nothing is cut
    assert rows[0][0] in wide


def test_shortened_names_never_pass_their_room() -> None:
    for name in ("frozen-music-take-12", "日本語の声がとても長い名前", "🎺🎺🎺🎺🎺🎺🎺🎺"):
        for room in range(4, 20):
            short = shorten(name, room)
            assert columns_of(short) <= room and (short == name or "…" in short)


def test_text_breaks_between_words(monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    lines = wrapped("  meter    our meter against three-named libraries and programs", " " * 11).splitlines()
    assert "−2.0 LU" in wrapped("level offset of the clip −2.0 LU") and "12 s" in wrapped("this is twenty-nine letters 12 s long")
    assert len(lines) > 1 and max(map(len, lines)) <= 30 and all(line.startswith(" " * 11) for line in lines[1:])


def test_what_commands_print_into_a_file_is_80_columns_wide(tmp_path: Path) -> None:
    time_s = np.arange(44100 * 4) / 44100
    for name in ("a long name of a take that goes on and on number one", "a long name of a take that goes on and on number two", "日本語の声"):
        level = 0.1 + len(name) / 200
        soundfile.write(tmp_path / f"{name}.wav", level * np.sin(2 * np.pi * (300 + 7 * len(name)) * time_s + level), 44100)
    library = tmp_path / "library"

    def shown(*words: object) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "padbank", "--library", str(library), *map(str, words)], cwd=ROOT, capture_output=True,
            text=True, encoding="utf-8", check=False,
        )  # fmt: skip
        assert done.returncode in (0, 3), done.stderr
        return done.stdout

    shown("add", tmp_path, "--licence", "LicenseRef-a-permission-in-writing", "--tag", "harbour", "--tag", "very-long-evening")
    shown("show", "new", "night", "--rig", "crate-eight")
    show = library / "shows" / "night.toml"
    show.write_text(show.read_text(encoding="utf-8").replace("    # { tag = \"laugh\", count = 2", "    { tag = \"harbour\", count = 3"), encoding="utf-8")
    clip = shown("find", "one", "--json").split('"name": "')[1].split('"')[0]
    for words in (
        ("find",), ("info", clip), ("measure", tmp_path), ("plan", "night", "--compare"), ("level", "night"), ("why", "night", clip),
        ("layout", "night"), ("bench", "--help"), ("rig", "list"), ("show", "list"),
    ):  # fmt: skip
        text = shown(*words)
        assert text
        prose = ("left out:", "tags", "came from", "The next best", clip)  # sentences are whole in a file, and paths
        wide = [x for x in text.splitlines() if columns_of(x) > 80 and not x.strip().startswith(prose)]
        assert not wide, words


def test_no_level_is_minus_zero() -> None:
    for value, digits, text in ((-0.04, 1, "0.0"), (-0.06, 1, "−0.1"), (0.04, 1, "0.0"), (-0.004, 2, "0.00"), (-16.0, 1, "−16.0")):
        assert format_db(value, "", digits) == text
    assert (format_change(-2, "LU"), format_change(0.5, "dB", 2)) == ("−2.0 LU", "+0.50 dB")
