"""Keys under which measurements are kept: what of a recipe changes the sound, and nothing else."""

from __future__ import annotations

import hashlib
import json

from padbank.domain import Recipe

_SOUND = ("start_s", "end_s", "fade_in_s", "fade_out_s", "channels")


def played_key(recipe: Recipe) -> str:
    """A short key of the trim, fades and channels of a recipe."""
    values = {name: getattr(recipe, name) for name in _SOUND}
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()[:16]


def render_key(*parts: object) -> str:
    """A key of everything that the bytes of a rendered file hang on."""
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()
