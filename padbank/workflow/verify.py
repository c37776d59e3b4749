"""``verify``: read sets back from a card and prove them, with a second, independent meter."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from padbank.domain import Finding
from padbank.errors import InputError
from padbank.files.oncard import find_sets
from padbank.files.verify import VerifyReport, verify_set
from padbank.progress import Progress, silent
from padbank.workflow.pool import mapper

POOL_FROM_BYTES = 30_000_000
"""Sample data from which worker processes pay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What was found, one report for each set."""

    reports: tuple[VerifyReport, ...]

    @property
    def all_as_planned(self) -> bool:
        """True when there is at least one set and no finding spoils any of them."""
        return bool(self.reports) and all(r.ok for r in self.reports)

    @property
    def findings(self) -> tuple[Finding, ...]:
        return tuple(f for r in self.reports for f in r.findings)

    def as_json(self) -> dict[str, Any]:
        return {"ok": self.all_as_planned, "sets": [r.as_json() for r in self.reports]}


def verify(folder: Path, *, progress: Progress = silent) -> Verified:
    """Verify the set in ``folder``, or every set directly below it.

    Raises
    ------
    InputError
        when there is no such folder, or no set in it
    """
    if not folder.exists():
        raise InputError(f"{folder} is not there: name a set's folder, an export folder or a card")
    sets = find_sets(folder)
    if not sets:
        raise InputError(f"{folder} holds no set of padbank's (no set.json): name the folder that padbank export wrote")
    reports = []
    for each in sets:
        n_bytes = sum(f.stat().st_size for f in each.rglob("*.wav")) if each.is_dir() else 0
        with mapper(parallel=n_bytes >= POOL_FROM_BYTES) as run:
            reports.append(verify_set(each, run=run, progress=progress))
    return Verified(reports=tuple(reports))
