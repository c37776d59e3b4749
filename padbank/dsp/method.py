"""Name and version of what ``measure`` measures; it loads nothing, for those who only look figures up."""

from __future__ import annotations

METHOD = "bs1770-5/tech3342/padbank-3/tp-64tap-8x"
"""Figures of other methods do not compare.

2: the true peak is the same whichever way the search takes (they parted by up to 0.0003 dB),
and at some rates, such as 37.8 kHz, the windows of the maxima slide in other steps.
3: crests of steady tones that noise tells apart by less than 0.0017 dB count as alike.
"""
