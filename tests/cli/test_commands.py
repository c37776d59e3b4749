"""The command line: help, documentation, exit codes, JSON, and one sentence for every wrong use."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from padbank.cli.common import print_findings
from padbank.cli.main import COMMANDS, cli
from padbank.cli.tables import shorten
from padbank.domain import Finding
from padbank.errors import InputError

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 48000


def run(*args: object, library: Path | None = None) -> Result:
    words = [*(("--library", str(library)) if library else ()), *map(str, args)]
    done = CliRunner().invoke(cli, words, standalone_mode=False)
    if done.exception:
        raise done.exception
    return done


def process(*args: object, **options: object) -> subprocess.CompletedProcess[str]:
    """A real process: exit code and both streams as a script sees them."""
    return subprocess.run(
        [sys.executable, "-m", "padbank", *map(str, args)], capture_output=True, text=True, encoding="utf-8", cwd=ROOT,
        check=False, **options,
    )  # type: ignore[call-overload, no-any-return]  # fmt: skip


@pytest.fixture
def clips(tmp_path: Path) -> Path:
    folder = tmp_path / "clips"
    folder.mkdir()
    time_s = np.arange(RATE_HZ) / RATE_HZ
    for n, frequency_hz in enumerate((220, 440, 660)):
        soundfile.write(folder / f"tone {n}.wav", 0.2 * np.sin(2 * np.pi * frequency_hz * time_s), RATE_HZ)
    (folder / "broken.wav").write_bytes(b"RIFF....")
    return folder


def every_command() -> list[tuple[str, click.Command]]:
    found = []
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        found.append((name, command))
        if isinstance(command, click.Group):
            found += [(f"{name} {sub}", command.commands[sub]) for sub in command.commands]
    return found


@pytest.mark.parametrize(("name", "command"), every_command(), ids=[n for n, _ in every_command()])
def test_every_command_has_help_and_is_in_the_readme(name: str, command: click.Command) -> None:
    assert command.help and len(command.help.split()) >= 4
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.opts[0].startswith("-") and parameter.help, parameter.opts
    assert f"padbank {name}" in (ROOT / "README.md").read_text(encoding="utf-8"), f"the README does not mention padbank {name}"


def test_help_lists_every_command_at_once() -> None:
    shown = process("--help")
    assert shown.returncode == 0
    for name, text in COMMANDS.items():
        assert name in shown.stdout and text.split(":")[0] in shown.stdout


def test_add_exit_codes_and_json(clips: Path, tmp_path: Path) -> None:
    library = tmp_path / "lib"
    done = process("--library", library, "add", clips, "--json", "--tag", "tone", "--licence", "CC0-1.0")
    assert done.returncode == 3, done.stderr
    report = json.loads(done.stdout)
    assert set(report) == {"added", "already", "refused", "warnings", "passed_over"}
    assert [a["clip"] for a in report["added"]] == ["tone-0", "tone-1", "tone-2"]
    assert set(report["refused"][0]) == {"path", "reason"}
    (clips / "notes.txt").write_text("words")
    (clips / "zz.wav").write_bytes((clips / "tone 2.wav").read_bytes())
    again = process("--library", library, "add", clips)
    assert again.stdout.splitlines() == ["tone-2  already: zz.wav holds the same sound as tone 2.wav"]  # what is as it was is counted
    assert "no sound or video by its name: notes.txt" in again.stderr and "4 already there" in again.stderr
    assert process("--library", library, "add", clips / "tone 0.wav").returncode == 0
    found = json.loads(run("find", "tone", "--tag", "tone", "--json", library=library).stdout)
    assert {f["name"] for f in found} == {"tone-0", "tone-1", "tone-2"}


def test_measure_json_has_the_promised_fields_and_null_for_what_does_not_exist(clips: Path, tmp_path: Path) -> None:
    short = tmp_path / "short.wav"
    soundfile.write(short, 0.5 * np.ones(480), RATE_HZ)
    done = process("measure", clips / "tone 1.wav", short, "--json")
    assert done.returncode == 0
    tone, click_ = json.loads(done.stdout)
    fields = (
        "path frames sample_rate_hz channels duration_s integrated_lufs momentary_max_lufs short_term_max_lufs "
        "loudness_range_lu true_peak_dbtp sample_peak_dbfs onset_s end_s"
    )
    assert set(fields.split()) <= set(tone)
    assert (tone["frames"], tone["sample_rate_hz"], tone["channels"], tone["duration_s"]) == (48000, 48000, 1, 1.0)
    assert click_["integrated_lufs"] is None  # BS.1770-5 Annex 1: no gating block below 400 ms
    # BS.1770-5 eq. 2: the same sound in one more channel of equal weight adds 10·log10(2)
    both = json.loads(process("measure", clips / "tone 1.wav", "--as-played", "--json").stdout)[0]
    assert both["integrated_lufs"] - tone["integrated_lufs"] == pytest.approx(3.0103, abs=0.001)


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["add", "nowhere.wav"], 1, ["nowhere.wav", "not there"]),
        (["info", "nothing"], 1, ["no clip named 'nothing'"]),
        (["ad"], 2, ["did you mean add"]),
        (["add"], 2, ["PATH"]),
        (["measure", "x.wav", "--from"], 2, ["no such option", "padbank measure --help"]),
        (["edit", "x"], 2, ["nothing to change"]),
        (["plan", "nope"], 1, ["no show named 'nope'"]),
        (["rig", "check", "nope.toml"], 1, ["nope.toml", "not there"]),
        (["verify", "nowhere"], 1, ["nowhere", "not there"]),
        (["add", "x.wav", "--from", "soon"], 2, ["is no time"]),
        (["edit", "x", "--offset", "loud"], 2, ["'loud' is no number"]),
        (["plan", "x", "--seconds", "-1"], 2, ["--seconds", "-1"]),
        (["level", "x", "--plot", "levels.gif"], 1, ["levels.gif", ".png"]),
        (["show", "check", "friday"], 1, ["padbank show new"]),
    ],
)
def test_wrong_use_gets_one_sentence_and_its_code(args: list[str], code: int, words: list[str], tmp_path: Path) -> None:
    (tmp_path / "lib" / "shows").mkdir(parents=True)
    done = process("--library", tmp_path / "lib", *args)
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr and not done.stdout
    assert done.stderr.startswith("padbank: ") and done.stderr.count("\n") == 1, done.stderr
    for word in words:
        assert word in done.stderr


def test_a_library_that_is_not_there_is_a_slip_and_is_not_begun(tmp_path: Path) -> None:
    for args in (["find"], ["info", "x"], ["plan", "friday"], ["show", "list"], ["check"]):
        done = process("--library", tmp_path / "lbi", *args)
        assert done.returncode == 1 and "there is no library" in done.stderr, done.stderr
    assert not (tmp_path / "lbi").exists()
    assert process("--library", tmp_path / "new", "show", "new", "friday", "--rig", "crate-eight").returncode == 0
    listed = json.loads(process("--library", tmp_path / "new", "show", "list", "--json").stdout)
    assert [(r["name"], r["rig"], r["last"]) for r in listed] == [("friday", "crate-eight", False)]


def test_adding_again_states_a_licence_where_none_was_and_never_changes_one(clips: Path, tmp_path: Path) -> None:
    library = tmp_path / "lib"
    run("add", clips / "tone 0.wav", "--licence", "MIT", library=library)
    run("add", clips, library=library)
    report = json.loads(run("add", clips, "--licence", "CC-BY-4.0", "--credit", "Ada", "--json", library=library).stdout)
    assert [(a["clip"], a["licence_noted"]) for a in report["already"]] == [
        ("tone-0", False), ("tone-1", True), ("tone-2", True),
    ]  # fmt: skip
    assert {f["name"]: f["licence"] for f in json.loads(run("find", "--json", library=library).stdout)} == {
        "tone-0": "MIT", "tone-1": "CC-BY-4.0", "tone-2": "CC-BY-4.0",
    }  # fmt: skip


def test_many_clips_without_a_licence_are_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    many = [Finding(code="rights-unknown", severity="warning", where=f"c{n}", text=f"c{n} has none") for n in range(9)]
    broken = Finding(code="voices", severity="error", where="bank 1", text="too many voices")
    print_findings([*many, broken])
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "error: too many voices [bank 1]"
    assert len(lines) == 2 and lines[1].startswith("warning: 9 clips have no licence stated (c0, c1, c2 and 6 more)")


def test_toml_errors_name_the_file_and_line(tmp_path: Path) -> None:
    rig = tmp_path / "my.toml"
    rig.write_text('name = "my"\nbanks = four\n', encoding="utf-8")
    done = process("--library", tmp_path / "lib", "rig", "check", rig)
    assert done.returncode == 1 and "my.toml" in done.stderr and "line 2" in done.stderr


def test_a_rig_or_show_of_the_library_goes_by_its_file_name_too(tmp_path: Path) -> None:
    library = tmp_path / "lib"
    (library / "rigs").mkdir(parents=True)
    shipped = (ROOT / "padbank" / "rigs" / "crate-eight.toml").read_text(encoding="utf-8")
    (library / "rigs" / "mine.toml").write_text(shipped.replace('"crate-eight"', '"mine"'), encoding="utf-8")
    assert "No faults found" in run("rig", "check", "mine.toml", library=library).output
    with pytest.raises(InputError, match="did you mean mine"):
        run("rig", "check", "mien.toml", library=library)
    with pytest.raises(InputError, match="is not there"):
        run("rig", "check", "elsewhere/mine.toml", library=library)


def test_edit_undo_tag_render_remove(clips: Path, tmp_path: Path) -> None:
    library = tmp_path / "lib"
    run("add", clips, library=library)
    edited = json.loads(run("edit", "tone-0", "--start", "100ms", "--role", "hit", "--offset", "-2", "--json", library=library).stdout)
    assert edited["clip"]["recipe"]["start_s"] == 0.1 and edited["clip"]["recipe"]["role"] == "hit"
    assert edited["as_played"]["true_peak_dbtp"] == pytest.approx(-13.98, abs=0.1)  # of a sine of 0.2
    undone = json.loads(run("edit", "tone-0", "--undo", "--json", library=library).stdout)
    assert undone["clip"]["recipe"]["start_s"] < 0.1
    tagged = json.loads(run("tag", "tone-0", "tone-1", "+a", "+b", "-zz", "--json", library=library).stdout)
    assert tagged == [{"clip": "tone-0", "tags": ["a", "b"]}, {"clip": "tone-1", "tags": ["a", "b"]}]
    output = tmp_path / "out.wav"
    rendered = json.loads(run("render", "tone-0", "-o", output, "--json", library=library).stdout)
    import wave

    with wave.open(str(output)) as file:
        assert (file.getnchannels(), file.getframerate(), file.getsampwidth()) == (1, 44100, 3)
        assert file.getnframes() == rendered["rendering"]["frames"]
    assert rendered["rendering"]["measurement"]["integrated_lufs"] == pytest.approx(-16, abs=0.1)
    run("remove", "tone-0", library=library)
    assert "tone-0" not in run("find", library=library).stdout
    assert "Did you mean tone" in run("find", "tnoe", library=library).stderr
    assert "Did you mean" not in run("find", "xylophone", library=library).stderr
    run("remove", "--undo", "tone-0", library=library)
    assert "tone-0" in run("find", library=library).stdout


def test_names_with_accents_spaces_and_dashes(tmp_path: Path) -> None:
    path = tmp_path / "Große Glocke – été 鐘 -x.wav"
    soundfile.write(path, 0.3 * np.sin(np.arange(20000) / 20), 44100)
    done = process("--library", tmp_path / "bücherei", "add", path, "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["added"][0]["clip"] == "grosse-glocke-ete-zhong-x"


def test_split_shows_first_and_applies_when_told(tmp_path: Path) -> None:
    gap = np.zeros(RATE_HZ)
    parts = [gap]
    starts = []
    for n in range(3):
        starts.append(sum(map(len, parts)) / RATE_HZ)
        k = np.arange(RATE_HZ // 2)
        parts += [0.5 * np.sin(2 * np.pi * (300 + 200 * n) * k / RATE_HZ) * np.exp(-k / 6000), gap]
    path = tmp_path / "reel.flac"
    soundfile.write(path, np.concatenate(parts), RATE_HZ)
    library = tmp_path / "lib"
    (library / "shows").mkdir(parents=True)
    preview = json.loads(run("split", path, "--json", library=library).stdout)
    assert len(preview) == 3
    for found, true_start in zip(preview, starts, strict=True):
        assert 0 <= true_start - found["onset_s"] <= 0.001
        assert true_start + 0.3 < found["sound_end_s"] <= true_start + 0.6 < found["end_s"]  # without the silence that is cut out with it
    assert json.loads(run("find", "--json", library=library).stdout) == []
    report = json.loads(run("split", path, "--apply", "--tag", "reel", "--json", library=library).stdout)
    assert [a["clip"] for a in report["added"]] == ["reel-01", "reel-02", "reel-03"]
    for found in preview:
        clip = json.loads(run("info", found["name"], "--json", library=library).stdout)
        assert clip["duration_s"] == pytest.approx(found["sound_end_s"] - found["onset_s"], abs=0.002)  # what was shown is what it plays


def test_the_readme_s_rig_and_show_can_be_read() -> None:
    import re

    from padbank.files.rigfile import rig_from_toml
    from padbank.files.showfile import show_from_toml
    from padbank.layout.rigcheck import check_rig

    blocks = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    rig = rig_from_toml(next(b for b in blocks if "[[devices]]" in b))
    assert [f for f in check_rig(rig) if f.severity == "error"] == []
    wants = next(b for b in blocks if "wants" in b)
    show = show_from_toml(f'name = "friday"\nrig = "{rig.name}"\n{wants}')
    assert len(show.segments[0].wants) == 2


def test_a_long_name_keeps_the_end_that_tells_takes_apart() -> None:
    assert shorten("short", 5) == "short"
    one, two = (shorten(f"frozen-music-take-{n}", 12) for n in (1, 2))
    assert len(one) == len(two) == 12 and one != two and one.startswith("frozen") and one.endswith("-1")
