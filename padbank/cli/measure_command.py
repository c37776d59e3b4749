"""``padbank measure``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import DONE, FINDINGS, json_option, print_json, progress_bar, say
from padbank.cli.tables import table
from padbank.units import format_db, format_seconds
from padbank.workflow.measure import measure_files

UNITS = (
    "I: integrated loudness, max M: the loudest 400 ms, max S: the loudest 3 s, all in LUFS; LRA: loudness range in LU "
    "(EBU Tech 3341 and 3342); dBTP: true peak."
)


@click.command("measure")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PATH…")
@click.option("--as-played", is_flag=True, help="Count a mono file on both sides, as a pad plays it (+3.01 LU).")
@json_option
def command(paths: tuple[Path, ...], as_played: bool, as_json: bool) -> int:
    """Measure files without adding them: ITU-R BS.1770 loudness, true peak, where the sound starts and ends.

    A value that does not exist is shown as none (null in JSON): integrated
    loudness, for one, needs at least 400 ms of sound.
    """
    with progress_bar("measuring", quiet=as_json or len(paths) == 1) as progress:
        results = measure_files(paths, as_played=as_played, progress=progress)
    if as_json:
        print_json(results)
    else:
        rows = [
            (
                Path(r.path).name, format_seconds(r.duration_s), format_db(r.integrated_lufs, ""),
                format_db(r.momentary_max_lufs, ""), format_db(r.short_term_max_lufs, ""),
                format_db(r.loudness_range_lu, ""), format_db(r.true_peak_dbtp, ""),
                format_seconds(r.onset_s), format_seconds(r.end_s),
            )
            for r in results
            if r.reason is None
        ]  # fmt: skip
        headers = ("file", "length", "I", "max M", "max S", "LRA", "dBTP", "starts", "ends")
        if rows:
            click.echo(table(rows, headers, "lrrrrrrrr", flexible=(0,)))
            say(UNITS)
    bad = [r for r in results if r.reason is not None]
    for result in results:
        for text in result.warnings:
            say(f"warning: {result.path}: {text}")
    for result in bad:
        say(f"refused: {result.path}: {result.reason}")
    return FINDINGS if bad else DONE
