"""``padbank level``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import json_option, open_library, print_json, progress_bar, say
from padbank.cli.tables import table
from padbank.units import format_db
from padbank.workflow.levels import (
    JUMP_WARNING_LU,
    LevelReport,
    check_plot_path,
    dose_of,
    level_report,
    save_plot,
)


@click.command("level")
@click.argument("show")
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Draw before and after as a PNG.")
@click.option(
    "--heard", nargs=2, type=float, metavar="DBA LUFS",
    help="Your own calibration: so many dBA on a sound level meter at your head while sound of so many LUFS plays.",
)  # fmt: skip
@click.option("--hours", type=click.FloatRange(0.01, 24), default=4.0, show_default=True, help="Length of the show, for the estimate.")
@json_option
@click.pass_context
def command(
    ctx: click.Context, show: str, plot: Path | None, heard: tuple[float, float] | None, hours: float, as_json: bool
) -> int:
    """Each clip's gain, what its peak allows, the limiting it takes and how it comes out, before any export."""
    if plot is not None:
        check_plot_path(plot)
    library = open_library(ctx)
    with progress_bar("levelling", quiet=as_json) as progress:
        report = level_report(library, show, progress=progress)
    if plot is not None:
        save_plot(report, plot)
    dose = dose_of(report, level_dba=heard[0], at_lufs=heard[1], minutes=60 * hours) if heard else None
    if as_json:
        print_json({"levels": report, "dose_estimate": dose})
        return 0
    print_levels(report)
    if plot is not None:
        say(f"Plot: {plot}")
    if dose is not None:
        say(
            f"Estimate only: {hours:g} h at {dose.level_dba:.0f} dBA is {dose.niosh_percent:.0f} % of the NIOSH daily dose "
            f"({dose.niosh_minutes_allowed:.0f} min a day allowed) and {dose.weekly_adult_percent:.0f} % of the WHO–ITU weekly "
            f"allowance for adults ({dose.weekly_sensitive_percent:.0f} % for sensitive listeners)."
        )
        say(dose.caution)
    else:
        say("Loud cues in monitors can harm hearing: try them quietly first. --heard estimates the dose of a session.")
    return 0


def print_levels(report: LevelReport) -> None:
    """The table, with names shortened to what a terminal has room for; then the figures of the whole show."""
    rows = [
        (
            r.clip, r.role, format_db(r.loudness_lufs, ""), format_db(r.true_peak_dbtp, ""),
            f"{r.gain_db:+.1f}".replace("-", "−"), format_db(r.peak_allows_db, ""),
            f"{r.limiting_db:.1f}" if r.limiting_db >= 0.05 else "",
            format_db(r.after_lufs, ""), format_db(r.after_dbtp, ""), f"{r.short_lu:.1f}" if r.short_lu >= 0.05 else "",
        )
        for r in report.rows
    ]  # fmt: skip
    headers = ("clip", "role", "LUFS", "dBTP", "gain", "room", "limit", "→LUFS", "→dBTP", "short")
    click.echo(table(rows, headers, "llrrrrrrrr", flexible=(0,)))
    say("In dB: gain, room (the gain that the peak allows), limit (what the limiter took off), short (LU below the target).")
    for row in report.rows:
        if row.reason:
            click.echo(f"{row.clip}: {row.reason}")
    say(
        f"Target {format_db(report.target_lufs, 'LUFS')}, ceiling {format_db(report.ceiling_dbtp, 'dBTP')}, "
        f"rule {report.level_rule!r}."
    )
    even = report.reachable
    if even.reachable_lufs is not None:
        alone = f", without it {format_db(even.without_clip_lufs, 'LUFS')}" if even.without_clip_lufs is not None else ""
        say(
            f"Loudest target that every clip reaches without limiting: {format_db(even.reachable_lufs, 'LUFS')} "
            f"(set by {even.set_by}{alone})."
        )
    if report.level_rule == "limit":
        if report.limited_lufs is None:
            say("With the limiting that the show allows, every clip reaches the target.")
        else:
            say(
                "With the limiting that the show allows, every clip reaches "
                f"{format_db(report.limited_lufs, 'LUFS')} (set by {report.limited_by})."
            )
    if report.jump is not None:
        strong = report.jump.jump_lu > JUMP_WARNING_LU
        say(("Caution, a big jump: " if strong else "Jumps: ") + report.jump.sentence() + ".")
