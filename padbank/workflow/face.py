"""The face of the pads' names, for whoever shows them on a screen."""

from __future__ import annotations

from pathlib import Path

from padbank.files.letters import find_fonts


def face_file(weight: str) -> Path | None:
    """The font file of a weight (``bold``, ``plain``); None for any other word."""
    return next((path for name, path in find_fonts()[0].items() if name == weight), None)
