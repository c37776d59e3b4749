"""``padbank verify``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import (
    DONE,
    FINDINGS,
    json_option,
    print_findings,
    print_json,
    progress_bar,
    say,
)
from padbank.units import format_bytes, format_db
from padbank.workflow.verify import Verified, verify


@click.command("verify")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option("--files", "show_files", is_flag=True, help="List every file with its level and true peak.")
@json_option
def command(folder: Path, show_files: bool, as_json: bool) -> int:
    """Read a set back and prove it: hashes, formats, sizes, numbering, limits, level and true peak.

    DIR is a set's own folder, or an export folder or card with sets in it.
    Levels are measured by a second, independent meter. Exit 0 only when all
    is as planned. Needs no library.
    """
    with progress_bar("verifying", quiet=as_json) as progress:
        found = verify(folder, progress=progress)
    if as_json:
        print_json(found.as_json())
    else:
        print_verified(found, show_files=show_files)
    return DONE if found.all_as_planned else FINDINGS


def print_verified(found: Verified, *, show_files: bool = False, notes: bool = True) -> None:
    for report in found.reports:
        for row in report.files if show_files else ():
            click.echo(
                f"{row.path}  {format_db(row.level_lufs, 'LUFS', 2)}, {format_db(row.true_peak_dbtp, 'dBTP', 2)}"
                + (f", {row.short_lu:.2f} LU short" if row.short_lu else "")
            )
        print_findings([f for f in report.findings if notes or f.severity != "note"], err=False)
        for total in report.totals:
            say(
                f"{total.device}: {total.files} files, {format_bytes(total.memory_bytes)} of "
                f"{format_bytes(total.memory_limit_bytes)} memory"
            )
        say(f"{report.folder}: {len(report.files)} sounds, {'all as planned' if report.ok else 'NOT as planned'}.")
