"""``padbank bench meter``, ``bench add``, ``bench edges``, ``bench levels``, ``bench plan``, ``bench page``."""

from __future__ import annotations

import importlib

import click

from padbank.cli.tables import wrapped

BENCHES = {
    "meter": "our meter against libebur128, ffmpeg's ebur128 filter and pyloudnorm; --cases for the standard's cases",
    "add": "2,000 short clips and one 60-minute file through add, against a plain script",
    "edges": "where sounds begin and end, against pydub.silence and a plain threshold",
    "levels": "limiter and whole chain against the meter; level and ceiling by pyloudnorm and scipy",
    "plan": "seeded shows of four sizes: time, gap, and two plain ways beside it",
    "page": "the page with 20,000 clips in a running Chromium: start, keystroke, hit to start, memory",
}


@click.command("bench", context_settings={"ignore_unknown_options": True, "help_option_names": []})
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="WHAT [OPTIONS]")
def command(words: tuple[str, ...]) -> int:
    """Benchmarks, printed as ratios against named peers in the same run."""
    if not words or words[0] in ("-h", "--help"):
        click.echo("padbank bench WHAT [OPTIONS]\n")
        for name, text in BENCHES.items():
            click.echo(wrapped(f"  {name:8} {text}", " " * 11))
        return 0
    if words[0] not in BENCHES:
        raise click.UsageError(f"there is no benchmark {words[0]!r}: use one of {', '.join(BENCHES)}")
    module = importlib.import_module(f"padbank.bench.{words[0]}")
    code: int = module.run(list(words[1:]))
    return code
