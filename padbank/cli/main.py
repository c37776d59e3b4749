"""The command line's front door: which commands there are, and how errors leave.

Commands load only when they are called, so that ``padbank --help`` answers at
once. Exit codes: 0 done, 1 error, 2 wrong usage, 3 done with findings.
"""

from __future__ import annotations

import importlib
import os
import sys
from typing import Any

import click

from padbank import __version__
from padbank.errors import PadbankError

SECTIONS: dict[str, dict[str, str]] = {
    "Clips": {
        "add": "take files and folders into the library",
        "split": "one long recording into clips at its silences",
        "find": "search the clips",
        "info": "everything known about a clip",
        "edit": "trim, fades, role, level offset, play mode; --undo",
        "tag": "add (+) and take off (-) tags",
        "render": "hear what a pad would play, as a WAV",
        "remove": "take clips out of sight (--undo brings them back)",
        "measure": "measure files without adding them",
    },
    "Shows": {
        "rig": "the hardware as data: check, list",
        "show": "what a show wants: check, list, new",
        "plan": "decide which clip sits under which pad of which bank",
        "why": "why a clip sits where it sits, or was left out",
        "layout": "the banks as a table; --diff shows what moved",
        "place": "put a clip on a pad by hand",
        "swap": "exchange two pads by hand",
        "clear": "take a clip off a pad by hand",
        "rehearse": "play the show on paper: voices, cut-offs, late switches",
        "log": "learn from a take what was hit",
        "level": "each clip's gain and limiting, before any export",
    },
    "The card": {
        "ready": "plan, export, verify, checklist: the last hour in one command",
        "export": "write the numbered set whole",
        "verify": "read the set back and prove it",
        "sheet": "the printable map of the pads",
    },
    "padbank": {
        "serve": "the page: the whole job in a browser, and the stage view",
        "demo": "an invented show from end to end",
        "check": "the library's own health",
        "bench": "benchmarks against named peers",
    },
}

THREAD_SETTINGS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")

COMMANDS = {name: text for section in SECTIONS.values() for name, text in section.items()}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are first asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"padbank.cli.{cmd_name}_command")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, commands in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl(list(commands.items()))

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in COMMANDS:
            import difflib

            near = difflib.get_close_matches(name, COMMANDS, n=1)
            hint = f"did you mean {near[0]}?" if near else "padbank --help lists them."
            raise click.UsageError(f"there is no command {name!r}: {hint}")
        return super().resolve_command(ctx, args)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 done, 1 error, 2 wrong usage, 3 done with findings.",
)
@click.option(
    "--library",
    metavar="FOLDER",
    help="The library folder. Else PADBANK_LIBRARY, else ./library if it is there, else your user data folder.",
)
@click.version_option(__version__, prog_name="padbank")
@click.pass_context
def cli(ctx: click.Context, library: str | None) -> None:
    """From a folder of clips to a proved card: measure, trim, level, lay out, export, verify."""
    ctx.obj = library


def usage_sentence(error: click.ClickException) -> str:
    """A slip in the command's words as one sentence that says where the right ones are listed."""
    text = error.format_message().rstrip(".")
    text = text.replace("is not a valid float range", "is no number").replace("is not a valid float", "is no number")
    text = text.replace("is not a valid integer range", "is no whole number").replace("is not a valid integer", "is no whole number")
    text = text[:1].lower() + text[1:]
    context = getattr(error, "ctx", None)
    path = context.command_path if context else "padbank"
    return text if "--help" in text else f"{text} ({path} --help lists what it takes)"


def main() -> None:
    """Run padbank; every way out is an exit code and, for errors, one sentence."""
    for name in THREAD_SETTINGS:  # before numpy is loaded: for blocks as short as ours one thread is faster
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        code = cli.main(prog_name="padbank", standalone_mode=False)
        sys.exit(code if isinstance(code, int) else 0)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.ClickException as error:
        click.echo(f"padbank: {usage_sentence(error)}", err=True)
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("padbank: stopped; what was done so far is kept: run the same again to go on.", err=True)
        sys.exit(130)
    except PadbankError as error:
        click.echo(f"padbank: {error}", err=True)
        sys.exit(1)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        if os.environ.get("PADBANK_TRACE"):
            raise
        what = f"{error.filename} cannot be read or written" if error.filename else "a file cannot be read or written"
        click.echo(f"padbank: {what} ({error.strerror or error}): check the disk and what you may do there, then try again", err=True)
        sys.exit(1)
    except Exception as error:  # the last resort: a fault of our own, said in one sentence
        if os.environ.get("PADBANK_TRACE"):
            raise
        click.echo(
            f"padbank: a fault of padbank's own ({type(error).__name__}: {error}): nothing of yours was "
            "changed beyond what was reported; run it again with PADBANK_TRACE=1 to see where, and report that.",
            err=True,
        )
        sys.exit(1)
