"""``padbank render``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import json_option, open_library, print_json, say
from padbank.units import format_change, format_db
from padbank.workflow.listen import render_clip


@click.command("render")
@click.argument("clip")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The WAV to write.")
@click.option("--show", help="At this show's level, in the format that its rig plays.")
@json_option
@click.pass_context
def command(ctx: click.Context, clip: str, output: Path, show: str | None, as_json: bool) -> int:
    """Hear what a pad would play: trimmed, faded, levelled, limited, as a WAV."""
    facts = render_clip(open_library(ctx), clip, output, show=show)
    if as_json:
        print_json({"output": output, "rendering": facts})
        return 0
    measured = facts.measurement
    click.echo(str(output))
    say(
        f"{format_db(measured.loudness_lufs(facts.role), 'LUFS')} ({facts.role}), true peak "
        f"{format_db(measured.true_peak_dbtp, 'dBTP')}, gain {format_change(facts.gain_db, 'dB')}, limited {facts.limited_db:.1f} dB."
    )
    if facts.reason:
        say(facts.reason)
    return 0
