"""``padbank bench``."""

from __future__ import annotations

import click


@click.group("bench")
def command() -> None:
    """Benchmarks: ratios against named peers, in one run."""
