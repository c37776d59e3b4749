"""Where working copies go: a folder of the system's for temporary files that may be large.

Function: ``scratch_folder``.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

_LARGE = Path("/var/tmp")


def scratch_folder(purpose: str) -> tempfile.TemporaryDirectory[str]:
    """A new folder, removed with the context that it is used as.

    On Linux ``/tmp`` often lies in memory, and an hour's working copy takes 2.8 GB: systemd's
    file-hierarchy(7) sends larger files to ``/var/tmp``. A ``TMPDIR`` that is set is obeyed.
    """
    large = sys.platform == "linux" and not os.environ.get("TMPDIR") and os.access(_LARGE, os.W_OK | os.X_OK)
    return tempfile.TemporaryDirectory(prefix=f"padbank-{purpose}-", dir=_LARGE if large else None)
