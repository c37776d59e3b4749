"""Values as JSON can hold them: dataclasses, paths, dates and tuples; what does not exist is null."""

from __future__ import annotations

import dataclasses
import math
from datetime import date
from pathlib import Path
from typing import Any


def plain(value: Any) -> Any:
    """Return ``value`` made of dicts, lists, texts, numbers, booleans and None only."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v) for v in value]
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    if isinstance(value, (Path, date)):
        return str(value)
    if hasattr(value, "item"):
        return plain(value.item())
    return value
