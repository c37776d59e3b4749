"""``padbank split``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.add_command import print_report
from padbank.cli.common import (
    DONE,
    FINDINGS,
    TIME,
    counted,
    json_option,
    one_of,
    open_library,
    print_json,
    progress_bar,
    say,
)
from padbank.cli.tables import table
from padbank.units import format_seconds
from padbank.workflow.split import add_cues, find_cues


@click.command("split")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--apply", "apply_it", is_flag=True, help="Take the clips into the library; without it only the table is shown.")
@click.option("--silence", "min_silence_s", type=TIME, default="0.5", show_default=True, help="Shortest silence to cut at.")
@click.option("--shortest", "min_cue_s", type=TIME, default="0.05", show_default=True, help="Pass over sounds shorter than this.")
@click.option("--tag", "tags", multiple=True, help="Give this tag to every clip; may be repeated.")
@click.option("--licence", "--license", help="SPDX identifier, such as CC0-1.0 or LicenseRef-my-permission.")
@click.option("--credit", help="Whom to credit, where the licence asks for it.")
@json_option
@click.pass_context
def command(
    ctx: click.Context, file: Path, apply_it: bool, min_silence_s: float, min_cue_s: float,
    tags: tuple[str, ...], licence: str | None, credit: str | None, as_json: bool,
) -> int:  # fmt: skip
    """One long recording of many cues becomes clips at its silences; first shown as a table."""
    one_of(file, "file")
    with progress_bar("listening", quiet=as_json) as progress:
        sections = find_cues(file, min_silence_s=min_silence_s, min_cue_s=min_cue_s, progress=progress)
    if not apply_it:
        if as_json:
            print_json(sections)
        else:
            rows = [(s.number, s.name, format_seconds(s.onset_s), format_seconds(s.sound_end_s), format_seconds(s.duration_s)) for s in sections]
            if rows:
                click.echo(table(rows, ("cue", "would be named", "starts", "ends", "length"), "rlrrr", flexible=(1,)))
            cure = "a shorter --silence cuts more often, a longer one less often"
            say(f"{counted(len(sections), 'cue')}. Nothing was changed: --apply takes them in; {cure}.")
        return DONE
    library = open_library(ctx)
    with progress_bar("adding", quiet=as_json) as progress:
        report = add_cues(library, file, sections, tags=tags, licence=licence, credit=credit, progress=progress)
    if as_json:
        print_json(report)
    else:
        print_report(report)
    return FINDINGS if report.refused else DONE
