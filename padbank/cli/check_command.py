"""``padbank check``."""

from __future__ import annotations

import click

from padbank.cli.common import (
    counted,
    exit_code,
    json_option,
    open_library,
    print_findings,
    print_json,
    progress_bar,
    say,
)
from padbank.workflow.health import check_library


@click.command("check")
@json_option
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> int:
    """The library's own health: every original read and hashed again, every clip looked at."""
    library = open_library(ctx)
    with progress_bar("checking", quiet=as_json) as progress:
        findings = check_library(library, progress=progress)
    if as_json:
        print_json({"library": library.folder, "clips": len(library.catalogue.clips()), "findings": findings})
    else:
        print_findings(findings, err=False)
        errors = sum(f.severity == "error" for f in findings)
        clips = counted(len(library.catalogue.clips()), "clip")
        say(f"{library.folder}: {clips}, {counted(errors, 'error')}, {counted(len(findings) - errors, 'other remark')}.")
    return exit_code(findings)
