"""The demo show, end to end: every promise of the command line on one invented evening.

The bytes are compared between two processes; what is on the card is judged by
the independent second meter (pyloudnorm's BS.1770-matching filters).
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import wave
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SHOW = "lantern-quay"


def padbank(base: Path, *args: object, code: int | None = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "padbank", "--library", str(base / "library" / "demo"), *map(str, args)],
        capture_output=True, text=True, encoding="utf-8", cwd=ROOT, check=False, env=os.environ | {"PADBANK_TRACE": "1"},
    )  # fmt: skip
    assert code is None or done.returncode == code, done.stderr
    return done


def tree(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("demo")
    done = padbank(base, "demo", "--in", base)
    assert "1 the same as one already there, 2 refused" in done.stdout  # ship-bell in two formats; silence and a broken file
    lines = done.stdout.splitlines()
    assert sum(line.startswith("  refused: ") for line in lines) == 2  # a file that was taken with a warning is none of them
    assert sum("quiz-clock: 4.9 LU short" in line for line in lines) == 1  # told once
    assert "all as planned" in done.stderr and "Pad sheet" in done.stdout and "To try next" in done.stderr
    return base


def test_the_set_is_what_set_json_says(demo: Path) -> None:
    folder = demo / "exports" / "demo" / SHOW
    card = json.loads((folder / "set.json").read_text(encoding="utf-8"))
    files = card["files"] if "files" in card else card["body"]["files"]
    assert len(files) >= 30
    for row in files:
        path = folder / row["path"]
        assert hashlib.sha256(path.read_bytes()).hexdigest() == row["sha256"]
        with wave.open(str(path)) as file:
            assert (file.getframerate(), file.getnchannels(), file.getnframes()) == (
                row["sample_rate_hz"], row["channels"], row["frames"],
            )  # fmt: skip
    assert (folder / "pads.pdf").read_bytes().startswith(b"%PDF")


def test_the_same_show_gives_the_same_bytes_in_another_process(demo: Path, tmp_path: Path) -> None:
    padbank(tmp_path, "demo", "--in", tmp_path)
    first, second = tree(demo / "exports" / "demo" / SHOW), tree(tmp_path / "exports" / "demo" / SHOW)
    assert first == second


def test_the_readme_shows_what_the_demo_gives(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = dict(re.findall(r"^```\n\$ padbank (\w+) .*\n([^`]+)```", readme, re.MULTILINE))
    monkeypatch.setenv("COLUMNS", "120")
    plan = padbank(demo, "plan", SHOW, code=None)
    ready = padbank(demo, "ready", SHOW, "--to", tmp_path, code=None)
    for name, done in (("plan", plan), ("ready", ready)):
        said = [line.rstrip() for line in (done.stdout + done.stderr).splitlines()]
        lines = [line for line in shown[name].splitlines() if line.strip() != "…"]
        assert len(lines) > 5 and [line for line in lines if line not in said] == []


def test_planning_again_changes_nothing_and_exporting_again_writes_nothing(demo: Path) -> None:
    before = json.loads(padbank(demo, "layout", SHOW, "--json").stdout)["layout"]
    planned = json.loads(padbank(demo, "plan", SHOW, "--json", code=None).stdout)
    assert planned["layout"] == before["number"] and planned["places"] == before["places"]
    assert planned["status"] == "proved" and planned["gap"] <= 1e-6
    assert abs(sum(t["cost"] for t in planned["terms"]) - planned["objective"]) < 1e-3
    again = json.loads(padbank(demo, "export", SHOW, "--to", demo / "exports" / "demo", "--json").stdout)
    assert again["written"] == [] and again["bytes_written"] == 0


def test_verify_finds_one_flipped_bit(demo: Path, tmp_path: Path) -> None:
    card = tmp_path / "card"
    shutil.copytree(demo / "exports" / "demo" / SHOW, card / SHOW)
    assert json.loads(padbank(demo, "verify", card, "--json").stdout)["ok"] is True
    victim = next((card / SHOW).rglob("*.wav"))
    data = bytearray(victim.read_bytes())
    data[len(data) // 2] ^= 1
    victim.write_bytes(data)
    report = padbank(demo, "verify", card, code=3)
    assert victim.name in report.stdout


def test_levels_come_out_as_the_level_command_foretold(demo: Path) -> None:
    foretold = {r["clip"]: r for r in json.loads(padbank(demo, "level", SHOW, "--json").stdout)["levels"]["rows"]}
    sets = json.loads(padbank(demo, "verify", demo / "exports" / "demo", "--json").stdout)["sets"]
    for row in next(s for s in sets if s["show"] == SHOW)["files"]:
        assert row["level_lufs"] == pytest.approx(foretold[row["clip"]]["after_lufs"], abs=0.1)
        assert row["true_peak_dbtp"] <= row["ceiling_dbtp"] + 0.05


def test_two_sets_that_one_card_cannot_hold_are_said(demo: Path, tmp_path: Path) -> None:
    rigs = demo / "library" / "demo" / "rigs"
    text = next(p for p in ROOT.glob("padbank/rigs/crate-eight.toml")).read_text(encoding="utf-8")
    own = rigs / "crate-eight.toml"
    before = own.read_text(encoding="utf-8") if own.exists() else None
    own.write_text(re.sub(r'(?m)^card = "[^"]*"', 'card = "15 MB"', text), encoding="utf-8")
    try:
        assert "together" not in padbank(demo, "export", SHOW, "--to", tmp_path).stderr  # about 10 MB
        shutil.copytree(tmp_path / SHOW, tmp_path / "another-night")
        assert "together and one card" in padbank(demo, "export", SHOW, "--to", tmp_path).stderr
    finally:
        own.unlink() if before is None else own.write_text(before, encoding="utf-8")


def test_ready_ends_with_a_checklist(demo: Path, tmp_path: Path) -> None:
    done = padbank(demo, "ready", SHOW, "--to", tmp_path / "card")
    assert done.stdout.count("  ok  ") == 6 and "NO " not in done.stdout
    assert "[ ]" in done.stdout and "quiet" in done.stdout
    report = json.loads(padbank(demo, "ready", SHOW, "--to", tmp_path / "card", "--json").stdout)
    assert report["ok"] is True and report["export"]["written"] == []


def test_by_hand_each_step_is_weighed_and_can_be_undone_by_planning(demo: Path, tmp_path: Path) -> None:
    home = tmp_path / "library" / "demo"
    shutil.copytree(demo / "library" / "demo", home)
    layout = json.loads(padbank(tmp_path, "layout", SHOW, "--json").stdout)
    placed = [p for p in layout["layout"]["places"] if p["bank"] == 2]
    a, b = placed[0], placed[-1]
    swapped = json.loads(
        padbank(tmp_path, "swap", SHOW, "--bank", 2, "--pad", a["pad_id"], "--other-pad", b["pad_id"], "--json", code=None).stdout
    )
    assert swapped["objective"] == pytest.approx(layout["objective"] + swapped["cost_change"], abs=1e-6)
    broken = [f for f in swapped["new_findings"] if f["severity"] == "error"]
    assert broken or swapped["objective"] >= swapped["bound"] - 1e-6  # nothing that keeps the limits beats what was proved
    changes = json.loads(padbank(tmp_path, "layout", SHOW, "--diff", layout["layout"]["number"], "--json").stdout)["changes"]
    assert {c["clip"] for c in changes} == {a["clip"], b["clip"]}
    back = json.loads(
        padbank(tmp_path, "swap", SHOW, "--bank", 2, "--pad", a["pad_id"], "--other-pad", b["pad_id"], "--json", code=None).stdout
    )
    assert back["objective"] == pytest.approx(layout["objective"], abs=1e-6)
    cleared = json.loads(padbank(tmp_path, "clear", SHOW, "--bank", 2, "--pad", a["pad_id"], "--json", code=None).stdout)
    assert cleared["cost_change"] > 0
    put = json.loads(
        padbank(tmp_path, "place", SHOW, a["clip"], "--bank", 2, "--pad", a["pad_id"], "--json", code=None).stdout
    )
    assert put["objective"] == pytest.approx(layout["objective"], abs=1e-6)
    assert "bank" in padbank(tmp_path, "why", SHOW, a["clip"]).stdout
    assert "left out" in padbank(tmp_path, "why", SHOW, "borrowed-shanty").stdout
    compared = json.loads(padbank(tmp_path, "plan", SHOW, "--compare", "--json", code=None).stdout)
    assert all(w["objective"] >= compared["objective"] for w in compared["plain_ways"])


def test_ready_takes_what_was_arranged_by_hand_unless_told_to_plan(demo: Path, tmp_path: Path) -> None:
    shutil.copytree(demo / "library" / "demo", tmp_path / "library" / "demo")
    padbank(tmp_path, "swap", SHOW, "--bank", 2, "--pad", "crate/5", "--other-pad", "crate/7")
    mine = json.loads(padbank(tmp_path, "layout", SHOW, "--json").stdout)["layout"]
    done = padbank(tmp_path, "ready", SHOW, "--to", tmp_path / "card")
    assert "arranged by hand" in done.stdout and "--plan-anew" in done.stdout + done.stderr
    of = {(f["bank"], f["pad"]): f["clip"] for f in json.loads((tmp_path / "card" / SHOW / "set.json").read_text("utf-8"))["files"]}
    assert of == {(p["bank"], p["pad_id"]): p["clip"] for p in mine["places"]}
    anew = json.loads(padbank(tmp_path, "ready", SHOW, "--to", tmp_path / "card", "--plan-anew", "--json").stdout)
    assert anew["by_hand"] is False and anew["plan"]["status"] == "proved" and anew["layout"] > mine["number"]


def test_a_clip_without_rights_never_reaches_the_card(demo: Path) -> None:
    names = [p.name for p in (demo / "exports" / "demo" / SHOW).rglob("*.wav")]
    assert not any("borrowed-shanty" in name for name in names)


def test_a_broken_limit_is_refused_before_the_first_byte(demo: Path, tmp_path: Path) -> None:
    home = tmp_path / "library" / "demo"
    shutil.copytree(demo / "library" / "demo", home)
    rig = home / "rigs" / "crate-eight.toml"
    rig.write_text(rig.read_text(encoding="utf-8").replace('memory = "10 MB"', 'memory = "1 MB"'), encoding="utf-8")
    done = padbank(tmp_path, "export", SHOW, "--to", tmp_path / "card", code=1)
    assert "not written" in done.stderr and "1.0 MB" in done.stderr
    assert not list((tmp_path / "card").rglob("*.wav")) if (tmp_path / "card").exists() else True


def test_sheet_as_pdf_and_png(demo: Path, tmp_path: Path) -> None:
    padbank(demo, "sheet", SHOW, "-o", tmp_path / "pads.pdf")
    padbank(demo, "sheet", SHOW, "-o", tmp_path / "pads.png", "--bank", 2, "--night")
    assert (tmp_path / "pads.pdf").read_bytes().startswith(b"%PDF")
    from PIL import Image

    with Image.open(tmp_path / "pads.png") as image:
        assert image.width > 1000


def test_health_of_the_demo_library(demo: Path) -> None:
    found = json.loads(padbank(demo, "check", "--json", code=None).stdout)["findings"]
    assert not [f for f in found if f["severity"] == "error"]
    assert {f["where"] for f in found if f["code"] == "rights-unknown"} == {"borrowed-shanty"}
