"""The whole list of clips as the page gets it: encoded and packed once for each state of the catalogue."""

from __future__ import annotations

import gzip
import json
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

from padbank.store.library import Library
from padbank.workflow.clips import find
from padbank.workflow.rights import SPDX

COLUMNS = (
    "name", "duration_s", "role", "channels", "sample_rate_hz", "loudness_lufs", "true_peak_dbtp",
    "tags", "licence", "source",
)  # fmt: skip


class ClipList:
    """``tag`` names the state, ``body`` is JSON (columns, rows, licences), ``packed`` the same by gzip."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.tag = ""
        self.body = b""
        self.packed = b""

    def read(self, tag: str, library: Callable[[], AbstractContextManager[Library]]) -> ClipList:
        """Bring the list up to the state that ``tag`` names, and return it."""
        with self._lock:
            if tag != self.tag:
                with library() as opened:
                    rows = [[_short(getattr(row, c)) for c in COLUMNS] for row in find(opened)]
                text = json.dumps({"columns": COLUMNS, "rows": rows, "licences": SPDX}, separators=(",", ":"))
                self.body = text.encode()
                self.packed = gzip.compress(self.body, compresslevel=1)
                self.tag = tag
            return self


def _short(value: Any) -> Any:
    return round(value, 3) if isinstance(value, float) else value
