"""The rooms and which way imports point; the style checks; the promises of the packaging."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "padbank"

FOUNDATION = {"domain", "units", "errors", "progress", "cardnames", "cardlimits", "sheetdata", "namefit"}
PURE = {"dsp", "layout", "rehearsal", "export", "midi"}
ALLOWED = {
    **dict.fromkeys(FOUNDATION, FOUNDATION),
    **dict.fromkeys(PURE, PURE | FOUNDATION),
    "files": {"files"} | FOUNDATION,
    "store": {"store"} | FOUNDATION,
    "demo": {"demo", "files"} | FOUNDATION,
    "workflow": {"workflow", "store", "files", "demo"} | PURE | FOUNDATION,
    "bench": {"bench", "workflow", "store", "files", "demo"} | PURE | FOUNDATION,
    "cli": {"cli", "workflow", "store", "bench", "web"} | FOUNDATION,
    "web": {"web", "workflow", "store"} | FOUNDATION,
}
AUDIO_LIBRARIES = {"soundfile", "av", "pydub"}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if p.name not in ("__init__.py", "__main__.py"))


def imports_of(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names.add(node.module)
    return names


def room_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    assert room in ALLOWED, f"{room} is a new room: say in this test what it may import"
    rooms = {room_of(name) for name in imports_of(path) if name.split(".")[0] == "padbank"} - {""}
    assert rooms <= ALLOWED[room] | {room}, f"{path} imports {rooms - ALLOWED[room]}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_files_touches_audio_libraries(path: Path) -> None:
    room = path.relative_to(PACKAGE).parts[0]
    if room in ("files", "bench"):
        return
    found = {name.split(".")[0] for name in imports_of(path)} & AUDIO_LIBRARIES
    assert not found, f"{path} imports {found}: reading and writing of audio belongs in files/"


def test_every_import_is_declared() -> None:
    """A clean install with run-time dependencies only must be able to run every command."""
    import re

    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    names = {re.split(r"[<>=; \[]", d)[0].lower() for d in declared["dependencies"]}
    spelled = {"sqlite-utils": "sqlite_utils", "pillow": "PIL", "audioop-lts": "audioop", "python-multipart": "multipart"}
    importable = {spelled.get(n, n) for n in names} | set(sys.stdlib_module_names) | {"padbank"}
    extras = {"pyebur128", "playwright", "ortools"}
    for path in modules():
        outside = {n.split(".")[0] for n in imports_of(path)} - importable
        if path.relative_to(PACKAGE).parts[0] == "bench":
            outside -= extras
        assert not outside, f"{path.relative_to(ROOT)} imports {outside}: declare it in pyproject.toml"


SLOW_TO_LOAD = {"numpy", "scipy", "highspy", "av", "soundfile", "soxr", "sqlite_utils", "tabulate", "reportlab", "multiprocessing"}


@pytest.mark.parametrize(
    ("commands", "needed"), [(("find", "info", "tag", "edit"), set()), (("place", "layout", "why"), {"numpy"})]
)
def test_common_commands_load_nothing_slow_that_they_do_not_need(commands: tuple[str, ...], needed: set[str]) -> None:
    for command in commands:
        code = f"import sys, padbank.cli.{command}_command; print(*sys.modules)"
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
        assert set(done.stdout.split()) & SLOW_TO_LOAD <= needed, command


@pytest.mark.parametrize("command", [["ruff", "check", "--no-cache", "."], ["mypy", "--no-error-summary", "padbank"]], ids=["ruff", "mypy"])
def test_style_and_types(command: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_start_py_parses_on_old_pythons() -> None:
    """start.py must reach its own sentence about the version: no syntax newer than Python 3.4."""
    source = (ROOT / "start.py").read_text(encoding="utf-8")
    ast.parse(source, feature_version=(3, 4))
    assert not any(isinstance(node, (ast.JoinedStr, ast.AnnAssign)) for node in ast.walk(ast.parse(source)))
