"""``padbank info``."""

from __future__ import annotations

import click

from padbank.cli.common import json_option, open_library, print_json
from padbank.cli.tables import wrapped
from padbank.domain import Measurement
from padbank.units import format_bytes, format_change, format_db, format_seconds
from padbank.workflow.clips import ClipInfo, info


@click.command("info")
@click.argument("clip")
@json_option
@click.pass_context
def command(ctx: click.Context, clip: str, as_json: bool) -> int:
    """Everything known about a clip: its original, recipe, levels, tags, rights and edits."""
    known = info(open_library(ctx), clip)
    if as_json:
        print_json(known)
    else:
        print_info(known)
    return 0


def _levels(measured: Measurement | None) -> str:
    if measured is None:
        return "not measured yet: plan, level and export do it"
    return (
        f"integrated {format_db(measured.integrated_lufs, 'LUFS')}, "
        f"loudest 400 ms {format_db(measured.momentary_max_lufs, 'LUFS')}, "
        f"peak {format_db(measured.true_peak_dbtp, 'dBTP')}"
    )


def _edits(known: ClipInfo) -> str:
    """How many edits are in force, and what the last of them was; those taken back come last."""
    undone = len(known.history) - known.edit_number
    back = f"; {undone} taken back, the first of them: {known.history[known.edit_number]['why']}" if undone else ""
    last = f", last: {known.history[known.edit_number - 1]['why']}" if known.edit_number > 1 else ", as proposed"
    return f"{known.edit_number - 1}{last}{back}"


def print_info(known: ClipInfo) -> None:
    clip, original, recipe = known.clip, known.clip.original, known.clip.recipe
    end_s = original.duration_s if recipe.end_s is None else recipe.end_s
    lines = [
        ("clip", clip.name),
        ("length", format_seconds(known.duration_s)),
        ("came from", original.source),
        ("original", f"{original.sample_rate_hz} Hz, {original.channels} ch, {format_seconds(original.duration_s)}, "
                     f"{format_bytes(original.n_bytes)}, SHA-256 {original.sha256[:12]}"),
        ("trim", f"{recipe.start_s:.4f} s to {end_s:.4f} s, fades {recipe.fade_in_s * 1000:.1f} ms in, "
                 f"{recipe.fade_out_s * 1000:.1f} ms out"),
        ("levelled as", f"{recipe.role}, offset {format_change(recipe.level_offset_lu, 'LU')}, channels {recipe.channels}"),
        ("plays", recipe.play_mode + (f", mute group {recipe.mute_group}" if recipe.mute_group else "")),
        ("in the file", _levels(known.as_file)),
        ("on a pad", _levels(known.as_played)),
        ("tags", " ".join(clip.tags) or "none"),
        ("rights", (clip.licence or "not stated") + (f", credit {clip.credit}" if clip.credit else "")),
    ]  # fmt: skip
    if recipe.loop_start_s is not None and recipe.loop_end_s is not None:
        lines.insert(6, ("loop", f"{recipe.loop_start_s:.4f} s to {recipe.loop_end_s:.4f} s"))
    if known.rights_caution:
        lines.append(("caution", known.rights_caution))
    lines.append(("edits", _edits(known)))
    for label, text in lines:
        line = f"{label:>12}  {text}"
        click.echo(line if label == "came from" else wrapped(line, " " * 14))  # a path stays whole
