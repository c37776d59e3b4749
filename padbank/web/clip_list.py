"""The whole list of clips as the page gets it: encoded and packed once for each state of the catalogue."""

from __future__ import annotations

import gzip
import json
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

from padbank.store.library import Library
from padbank.workflow.clips import find
from padbank.workflow.rights import SPDX

COLUMNS = (
    "name", "duration_s", "role", "channels", "sample_rate_hz", "loudness_lufs", "true_peak_dbtp",
    "tags", "licence", "came_from",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Listed:
    """``tag`` names the state, ``body`` is JSON (columns, rows, licences), ``packed`` the same by gzip."""

    tag: str
    body: bytes
    packed: bytes


class ClipList:
    """The list as it was asked for last; whoever has it keeps it whole while another is made."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._now = Listed("", b"", b"")

    def read(self, tag: str, library: Callable[[], AbstractContextManager[Library]]) -> Listed:
        """The list in the state that ``tag`` names, or in a newer one."""
        with self._lock:
            if tag != self._now.tag:
                with library() as opened:
                    rows = [[_short(getattr(row, c)) for c in COLUMNS] for row in find(opened)]
                text = json.dumps({"columns": COLUMNS, "rows": rows, "licences": SPDX}, separators=(",", ":"))
                body = text.encode()
                self._now = Listed(tag, body, gzip.compress(body, compresslevel=1))
            return self._now


def _short(value: Any) -> Any:
    return round(value, 3) if isinstance(value, float) else value
