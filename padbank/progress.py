"""Progress: what long work tells whoever listens. Silent unless asked.

Workflow functions take ``progress: Progress = silent``; the command line and
the page are two small listeners.
"""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called as the work goes on; may raise to cancel it."""

    def __call__(self, done: int, total: int, label: str) -> None: ...


def silent(done: int, total: int, label: str) -> None:
    """Say nothing."""
