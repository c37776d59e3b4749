"""Rights in clips, as SPDX licence identifiers. General information, not legal advice.

``SPDX``: the identifiers of audio clips that people meet most (spdx.org/licenses);
``LicenseRef-…`` is the standard's way to write terms of one's own (such as a
written permission), NONE and NOASSERTION its words for no licence and unknown.
"""

from __future__ import annotations

import difflib
import re

from padbank.errors import InputError

SPDX = (
    "CC0-1.0", "CC-PDDC", "CC-PDM-1.0",
    "CC-BY-3.0", "CC-BY-4.0", "CC-BY-SA-3.0", "CC-BY-SA-4.0",
    "CC-BY-NC-3.0", "CC-BY-NC-4.0", "CC-BY-NC-SA-4.0", "CC-BY-NC-ND-4.0", "CC-BY-ND-4.0",
    "MIT", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "GPL-2.0-only", "GPL-2.0-or-later",
    "GPL-3.0-only", "GPL-3.0-or-later", "LGPL-2.1-or-later", "LGPL-3.0-or-later", "OFL-1.1",
    "Unlicense", "WTFPL", "NONE", "NOASSERTION",
)  # fmt: skip

_OWN = re.compile(r"^LicenseRef-[A-Za-z0-9.-]+$")


def check_licence(text: str) -> str:
    """Return the identifier in its standard spelling, or raise InputError with the nearest ones."""
    text = text.strip()
    for known in SPDX:
        if text.lower() == known.lower():
            return known
    if _OWN.match(text):
        return text
    near = difflib.get_close_matches(text.upper(), SPDX, n=2, cutoff=0.5)
    hint = f"did you mean {' or '.join(near)}? " if near else ""
    raise InputError(
        f"licence {text!r} is not an SPDX identifier known here: {hint}"
        "for terms of your own write LicenseRef-my-permission, for none NONE"
    )


def caution_for(licence: str | None) -> str | None:
    """A caution for licences whose terms bite on a paid stream or on edits; None for the rest."""
    if licence is None:
        return None
    if "-NC" in licence:
        return "non-commercial licence: a paid or sponsored show may not be allowed to use it"
    if "-ND" in licence:
        return "no-derivatives licence: trimming and levelling may count as a changed work"
    if licence.startswith("CC-BY"):
        return "needs credit: name the creator, the licence and that it was changed"
    return None
