"""``padbank edit``."""

from __future__ import annotations

from typing import Any

import click

from padbank.cli.common import TIME, json_option, open_library, print_json, say
from padbank.cli.info_command import print_info
from padbank.workflow.clips import MEASURED_AT_ONCE_S, edit, info, played_level, undo
from padbank.workflow.naming import rename_in_shows


@click.command("edit")
@click.argument("clip")
@click.option("--start", "start_s", type=TIME, help="Where the clip starts in its original (0.25, 250ms, 1:02.5).")
@click.option("--end", "end_s", type=TIME, help="Where it ends.")
@click.option("--fade-in", "fade_in_s", type=TIME, help="Length of the fade at its start.")
@click.option("--fade-out", "fade_out_s", type=TIME, help="Length of the fade at its end.")
@click.option("--role", type=click.Choice(["hit", "phrase"]), help="How it is levelled: by its loudest 400 ms, or as a whole.")
@click.option("--offset", "level_offset_lu", type=float, metavar="LU", help="Louder (+) or quieter (-) than the show's target.")
@click.option("--channels", type=click.Choice(["as-is", "mono", "left", "right"]), help="What of a stereo clip is played.")
@click.option("--play", "play_mode", type=click.Choice(["one-shot", "gate", "loop"]), help="To its end, while held, or until hit again.")
@click.option("--mute-group", help="Clips of one group cut each other off; 'none' takes it out.")
@click.option("--loop-start", "loop_start_s", type=TIME, help="Where a loop goes back to, in its original.")
@click.option("--loop-end", "loop_end_s", type=TIME, help="Where a loop ends, in its original.")
@click.option("--propose-loop", is_flag=True, help="Look for loop points that match in level and slope.")
@click.option("--name", "new_name", help="Another name.")
@click.option("--licence", "--license", help="SPDX identifier, such as CC0-1.0 or LicenseRef-my-permission.")
@click.option("--credit", help="Whom to credit, where the licence asks for it.")
@click.option("--undo", "undo_last", is_flag=True, help="Go back to the recipe before.")
@json_option
@click.pass_context
def command(
    ctx: click.Context, clip: str, new_name: str | None, licence: str | None, credit: str | None,
    undo_last: bool, propose_loop: bool, as_json: bool, **changes: Any,
) -> int:  # fmt: skip
    """Change a clip: trim, fades, role, level, channels, play mode, mute group, loop, name, rights.

    The original is never altered; --undo goes back one edit at a time.
    """
    library = open_library(ctx)
    given = {k: v for k, v in changes.items() if v is not None}
    if given.get("mute_group") == "none":
        given["mute_group"] = None
    if undo_last:
        if given or new_name or licence or credit or propose_loop:
            raise click.UsageError("--undo goes alone: undo first, then edit.")
        changed = undo(library, clip)
    else:
        if propose_loop:
            from padbank.workflow.loops import propose_for_clip

            given.update(propose_for_clip(library, clip))
        if not (given or new_name or licence or credit is not None):
            raise click.UsageError("nothing to change: give at least one option, or --undo.")
        was = library.clip(clip).name
        changed = edit(library, clip, given, new_name=new_name, licence=licence, credit=credit)
        if changed.name != was:
            for sentence in rename_in_shows(library, was, changed.name).sentences(was, changed.name):
                say(f"{sentence}.")
    if changed.duration_s <= MEASURED_AT_ONCE_S:
        played_level(library, changed.name, keep=True)
    known = info(library, changed.name)
    if as_json:
        print_json(known)
    else:
        print_info(known)
    return 0
