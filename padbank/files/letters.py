"""The face that pads are named in: narrow, Latin, Greek and Cyrillic, the same on paper and on every screen."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Literal

Weight = Literal["bold", "plain"]

_PACKAGE = "fontpkg_fira_sans_condensed"
_FONTS: dict[Weight, str] = {"bold": "FiraSansCondensed-Bold.ttf", "plain": "FiraSansCondensed-Medium.ttf"}
_SPARE_FONTS: dict[Weight, str] = {"bold": "VeraBd.ttf", "plain": "Vera.ttf"}


def find_fonts() -> tuple[dict[Weight, Path], float]:
    """The two font files, and the height of their capitals as a share of the font size."""
    try:
        fonts = _files(_PACKAGE, "files", _FONTS)
        if all(path.is_file() for path in fonts.values()):
            return fonts, 0.692
    except ImportError:
        pass  # the package is declared, but a sheet in other letters beats none
    return _files("reportlab", "fonts", _SPARE_FONTS), 0.729


def _files(package: str, folder: str, names: dict[Weight, str]) -> dict[Weight, Path]:
    there = Path(str(importlib.import_module(package).__file__)).parent / folder
    return {weight: there / name for weight, name in names.items()}
