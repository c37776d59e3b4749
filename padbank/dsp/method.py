"""Name and version of what ``measure`` measures; it loads nothing, for those who only look figures up."""

from __future__ import annotations

METHOD = "bs1770-5/tech3342/padbank-1/tp-64tap-8x"
"""Figures of other methods do not compare."""
