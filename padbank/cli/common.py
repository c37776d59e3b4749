"""What the commands share: opening the library, printing, progress, findings."""

from __future__ import annotations

import json
import os
import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click

from padbank.cli.tables import wrapped
from padbank.domain import Finding
from padbank.errors import InputError
from padbank.progress import Progress
from padbank.store.library import ENVIRONMENT_NAME, LIBRARY_PARTS, Library, choose_folder
from padbank.workflow.plain import plain

DONE, FAILED, WRONG_USAGE, FINDINGS = 0, 1, 2, 3

FEW = 3
"""More findings of one kind than this are said in one line."""

TOGETHER = {
    "rights-unknown": "clips have no licence stated {who}: be sure you may play them; "
    "padbank add THEIR-FOLDER --licence … states it for all of a folder",
    "original-unknown": "copies in the library belong to no clip {who}: a stop while adding left them; add their files again or ignore them",
    "not-measured": "clips are measured when they are next planned or exported {who}",
}

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


def json_option(function: Decorated) -> Decorated:
    return click.option("--json", "as_json", is_flag=True, help="Print JSON to stdout.")(function)


MAY_BEGIN = ("add", "split", "serve", "rig", "show new")
"""Commands that may begin a library; for the others a folder that is named and not there is a slip."""


def open_library(ctx: click.Context) -> Library:
    """The library that the command line, the environment or the folder names, closed with the command."""
    given = ctx.find_root().obj or os.environ.get(ENVIRONMENT_NAME)
    folder = choose_folder(ctx.find_root().obj)
    command = ctx.command_path.partition(" ")[2]
    if given and not command.startswith(MAY_BEGIN) and not any((folder / p).exists() for p in LIBRARY_PARTS):
        raise InputError(
            f"there is no library in {folder}: check --library (or {ENVIRONMENT_NAME}), or begin one: "
            f"padbank --library {folder} add YOUR-CLIPS"
        )
    library = Library(folder)
    ctx.call_on_close(library.close)
    return library


def print_json(value: Any) -> None:
    click.echo(json.dumps(plain(value), indent=2))


def say(text: str = "") -> None:
    """A message to the person: stderr, so that results alone go to stdout."""
    echo_prose(text, err=True)


def echo_prose(text: str, *, err: bool = False) -> None:
    """A sentence, broken between words where a terminal shows it and whole where it goes into a file."""
    stream = sys.stderr if err else sys.stdout
    click.echo(wrapped(text, "  ") if stream.isatty() and "\n" not in text else text, err=err)


def _shorten(label: Any) -> str:
    return str(label or "")[:32]


@contextmanager
def progress_bar(label: str, *, quiet: bool = False) -> Iterator[Progress]:
    """A click progress bar on stderr as a ``Progress`` listener; none where stderr is no terminal."""
    stream = sys.stderr
    hidden = quiet or not stream.isatty()
    shown: Any = click.progressbar(length=1, label=label, file=stream, item_show_func=_shorten, hidden=hidden)
    with shown as bar:
        at = 0

        def listen(done: int, total: int, label: str) -> None:
            nonlocal at
            bar.length = max(total, 1)
            bar.update(done - at, label)
            at = done

        yield listen


def print_findings(findings: Sequence[Finding], *, err: bool = True) -> None:
    """One line each, the gravest first; the same in several places, and many of some kinds, in one line, so that they hide nothing else."""
    findings = _merged(findings)
    order = {"error": 0, "warning": 1, "note": 2}
    count = Counter(f.code for f in findings if f.code in TOGETHER)
    seen: list[str] = []
    for finding in sorted(findings, key=lambda f: order[f.severity]):
        if count[finding.code] <= FEW:
            where = f" [{finding.where}]" if finding.where and finding.where not in finding.text else ""
            echo_prose(f"{finding.severity}: {finding.text}{where}", err=err)
        elif finding.code not in seen:
            seen.append(finding.code)
            names = ", ".join([Path(f.where).name[:24] for f in findings if f.code == finding.code][:FEW])
            who = f"({names} and {count[finding.code] - FEW} more)"
            echo_prose(f"{finding.severity}: {count[finding.code]} {TOGETHER[finding.code].format(who=who)}", err=err)


def _merged(findings: Sequence[Finding]) -> list[Finding]:
    """Findings of the same words once, with where else they hold."""
    places: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        places.setdefault((finding.severity, finding.text), []).append(finding)
    return [
        replace(same[0], where=f"{same[0].where} and {len(same) - 1} more") if len({f.where for f in same}) > 1 else same[0]
        for same in places.values()
    ]


def counted(n: int, word: str) -> str:
    """``1 clip``, ``2 clips``."""
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def exit_code(findings: Sequence[Finding]) -> int:
    return FINDINGS if any(f.severity in ("error", "warning") for f in findings) else DONE


class TimeType(click.ParamType):
    """Seconds, or minutes and hours with colons: ``12.5``, ``1:02.25``, ``1:00:03``."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        if re.fullmatch(r"\d+(\.\d+)?(ms|s)", str(value)):
            number = float(str(value).rstrip("ms"))
            return number / 1000 if str(value).endswith("ms") else number
        if not re.fullmatch(r"(\d+:){0,2}\d+(\.\d+)?", str(value)):
            self.fail(f"{value!r} is no time: write seconds (12.5), 350ms or 1:02.25", param, ctx)
        seconds = 0.0
        for part in str(value).split(":"):
            seconds = seconds * 60 + float(part)
        return seconds


TIME = TimeType()


def one_of(path: Path, what: str) -> Path:
    if not path.exists():
        raise InputError(f"{what} {path} is not there: check the name")
    return path
