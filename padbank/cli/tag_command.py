"""``padbank tag``."""

from __future__ import annotations

import click

from padbank.cli.common import json_option, open_library, print_json
from padbank.workflow.clips import change_tags


@click.command("tag", context_settings={"ignore_unknown_options": True})
@click.argument("words", nargs=-1, required=True, type=click.UNPROCESSED, metavar="CLIP… +TAG -TAG")
@json_option
@click.pass_context
def command(ctx: click.Context, words: tuple[str, ...], as_json: bool) -> int:
    """Add tags with + and take them off with -: padbank tag foghorn bell +harbour -loud"""
    names = [w for w in words if not w.startswith(("+", "-"))]
    changes = [w for w in words if w.startswith(("+", "-"))]
    if not names:
        raise click.UsageError("name at least one clip before the tags.")
    clips = change_tags(open_library(ctx), names, changes)
    if as_json:
        print_json([{"clip": c.name, "tags": c.tags} for c in clips])
    else:
        for clip in clips:
            click.echo(f"{clip.name}: {' '.join(clip.tags) or 'no tags'}")
    return 0
