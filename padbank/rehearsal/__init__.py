"""Hits on paper: voices, cut-offs, mute groups, late switches."""
