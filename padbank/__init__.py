"""padbank: from a folder of clips to a proved sample card.

The package is laid out in rooms; ``DEVELOPERS.md`` has the map. Imports point
one way: ``cli, web -> workflow -> (store, files) and (dsp, layout, rehearsal,
export, midi) -> domain, units, errors``.
"""

__version__ = "0.1.0"
