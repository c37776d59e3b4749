"""Tags: one word each, lower case, so that a show can ask for them."""

from __future__ import annotations

import re

from padbank.errors import InputError

_TAG = re.compile(r"^[^\s,;+\-=\"'][^\s,;=\"']*$")


def check_tag(tag: str) -> str:
    """Return the tag in lower case, or raise InputError."""
    tag = tag.strip().lower()
    if not _TAG.match(tag):
        raise InputError(f"tag {tag!r}: use one word without spaces or commas, such as 'laugh'")
    return tag
