"""``padbank demo``."""

from __future__ import annotations

import time
from pathlib import Path

import click
from platformdirs import user_data_path

from padbank.cli.common import DONE, FINDINGS, progress_bar, say
from padbank.cli.layout_print import print_layout, print_left_out
from padbank.cli.verify_command import print_verified
from padbank.units import format_bytes, format_db
from padbank.workflow.demo import DemoRun, run_demo


@click.command("demo")
@click.option("--in", "base", type=click.Path(path_type=Path, file_okay=False), help="Where to put library/demo and exports/demo.")
def command(base: Path | None) -> int:
    """An invented show from end to end: synthesise clips, add, measure, plan, export, verify, pad sheet.

    It has a library and an export folder of its own (library/demo and
    exports/demo here, when there is a library folder here; else in your user
    data folder) and never touches yours.
    """
    if base is None:
        base = Path() if Path("library").is_dir() else user_data_path("padbank", appauthor=False)
    began = time.monotonic()
    with progress_bar("demo") as progress:
        run = run_demo(base, progress=progress)
    print_demo(run, time.monotonic() - began)
    return DONE if run.verified.all_as_planned else FINDINGS


def print_demo(run: DemoRun, seconds: float) -> None:
    """What was done, where it lies, what to try next, in plain words."""
    show, rig = run.planned.opened.show, run.planned.opened.rig
    click.echo(f"\n{show.title}, on {rig.title}\n")
    click.echo(f"Clips: {len(run.added.added)} added, {len(run.added.already)} the same as one already there, {len(run.added.refused)} refused.")
    for refusal in run.added.refused:
        click.echo(f"  refused: {Path(refusal.path).name}: {refusal.reason}")
    for warning in run.added.warnings:
        click.echo(f"  taken, with a warning: {Path(warning.path).name}: {warning.reason}")
    click.echo()
    print_layout(run.planned.layout, rig, run.planned.moved)
    print_left_out(run.planned.result.left_out)
    before = [r.loudness_lufs for r in run.levels.rows if r.loudness_lufs is not None]
    limited = [r for r in run.levels.rows if r.limiting_db >= 0.05]
    short = [r for r in run.levels.rows if r.short_lu >= 0.05]
    click.echo(
        f"\nLevels: clips came in from {format_db(min(before), 'LUFS')} to {format_db(max(before), 'LUFS')}; all but "
        f"{len(short)} now play at their target ({format_db(show.target_lufs, 'LUFS')}), {len(limited)} with a little limiting."
    )
    for row in short:
        click.echo(f"  {row.clip}: {row.reason}")
    result = run.exported.written
    click.echo(
        f"\nSet: {len(result.card.files)} numbered WAVs, {format_bytes(sum(f.n_bytes for f in result.card.files))}, in {run.exported.folder}"
    )
    print_verified(run.verified, notes=False)  # they are told above
    sheet = run.exported.folder / "pads.pdf"
    click.echo(f"Pad sheet: {sheet}")
    say(f"\nDone in {seconds:.1f} s. Everything here is invented and synthesised. To try next:")
    library = run.library
    for line in (
        f'python3 start.py --library "{library}" find laugh',
        f'python3 start.py --library "{library}" level lantern-quay --plot levels.png',
        f'python3 start.py --library "{library}" render foghorn -o foghorn.wav',
        f'python3 start.py --library "{library}" split "{library / "reel.flac"}"',
        f'python3 start.py --library "{library}" ready breakwater-ball --to "{run.exports}"',
        "python3 start.py add FOLDER-OF-YOUR-CLIPS --tag mine --licence CC0-1.0",
    ):
        say(f"  {line}")
    say("Loud cues in monitors can harm hearing: try every pad quietly first. Play only clips that you may play.")
