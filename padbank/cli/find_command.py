"""``padbank find``."""

from __future__ import annotations

import click

from padbank.cli.common import counted, json_option, open_library, print_json, say
from padbank.cli.tables import table
from padbank.units import format_db, format_seconds
from padbank.workflow.clips import ClipRow, find, near_words


@click.command("find")
@click.argument("words", nargs=-1, metavar="[WORDS]")
@click.option("--tag", "tags", multiple=True, help="Only clips with this tag; may be repeated.")
@json_option
@click.pass_context
def command(ctx: click.Context, words: tuple[str, ...], tags: tuple[str, ...], as_json: bool) -> int:
    """Search the clips: every word must occur in the name, a tag, the licence, or the file and folder it came from."""
    library = open_library(ctx)
    rows = find(library, words, tags)
    if as_json:
        print_json(rows)
        return 0
    lines = [
        (
            r.name, format_seconds(r.duration_s), r.role, "stereo" if r.channels == 2 else "mono",
            *_levels(r), " ".join(r.tags), r.licence or "not stated",
        )
        for r in rows
    ]  # fmt: skip
    if lines:
        click.echo(table(lines, ("clip", "length", "role", "", "LUFS", "dBTP", "tags", "licence"), "lrllrrll", flexible=(0, 6, 7)))
    hint = ""
    if not rows and not find(library):
        hint = f" There is nothing in {library.folder.absolute()} yet: padbank add FOLDER takes clips in."
    elif not rows:
        near = near_words(library, (*words, *tags))
        meant = f" Did you mean {' or '.join(near)}?" if near else ""
        hint = f"{meant} padbank find alone lists them all, padbank add FOLDER takes more in."
    say(f"{counted(len(rows), 'clip')}.{hint}")
    return 0


def _levels(row: ClipRow) -> tuple[str, str]:
    """Loudness and true peak; a long clip is measured when it is first planned."""
    if row.true_peak_dbtp is None:
        return "later", "later"
    return format_db(row.loudness_lufs, ""), format_db(row.true_peak_dbtp, "")
