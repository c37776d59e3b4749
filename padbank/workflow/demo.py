"""``demo``: the invented show from end to end, in its own library and export folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from padbank.demo.scenario import CREDIT, write_demo
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.workflow.clips import edit
from padbank.workflow.export import Exported, export
from padbank.workflow.ingest import IngestJob
from padbank.workflow.intake import AddReport, take_in
from padbank.workflow.levels import LevelReport, level_report
from padbank.workflow.plan import Planned, plan
from padbank.workflow.verify import Verified, verify

SHOW = "lantern-quay"
MADE_BY = "padbank's own synthesis (invented)"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRun:
    """Everything that the demo did, step by step."""

    library: Path
    exports: Path
    added: AddReport
    planned: Planned
    levels: LevelReport
    exported: Exported
    verified: Verified


def demo_folders(base: Path) -> tuple[Path, Path]:
    """Where the demo's library and exports lie below ``base``."""
    return base / "library" / "demo", base / "exports" / "demo"


def run_demo(base: Path, *, progress: Progress = silent) -> DemoRun:
    """Synthesise the demo's clips, add, measure, plan, export and verify them.

    Everything lies in ``base/library/demo`` and ``base/exports/demo``; running
    it again brings both back to the same state.
    """
    home, exports = demo_folders(base)
    with Library(home) as library:
        files = write_demo(home, progress)
        jobs = [
            IngestJob(
                path=str(path.absolute()),
                tags=tuple(tags),
                licence=licence,
                credit=MADE_BY if licence == CREDIT else None,
            )
            for path, tags, licence in files.clips
        ]
        added = take_in(library, jobs, progress=progress)
        for name, changes in files.edits:
            edit(library, name, changes)
        planned = plan(library, SHOW, progress=progress)
        levels = level_report(library, SHOW, progress=progress)
        exports.parent.mkdir(parents=True, exist_ok=True)
        exported = export(library, SHOW, exports, progress=progress)
    verified = verify(exported.folder, progress=progress)
    return DemoRun(
        library=home, exports=exports, added=added, planned=planned, levels=levels, exported=exported, verified=verified
    )
