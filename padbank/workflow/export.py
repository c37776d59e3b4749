"""``export``: render every placed clip once, write the set beside the old one, swap it in whole.

What a rendering's bytes hang on makes its key; files whose key and bytes on
the card are unchanged are neither rendered nor written again.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from padbank.domain import Clip, ExportPlan, Finding, Layout, PlannedFile, Rig
from padbank.dsp.level import even_target
from padbank.errors import CardError
from padbank.export.plan import plan_export
from padbank.files.card import RenderedFile, WriteResult, files_to_render, write_set
from padbank.files.oncard import room_together
from padbank.files.scratch import scratch_folder
from padbank.files.setfile import SET_NAME
from padbank.files.writable import why_not_writable
from padbank.layout.evaluate import evaluate
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.units import format_bytes
from padbank.workflow.facts import clip_facts, played_levels
from padbank.workflow.levels import even_clips
from padbank.workflow.plan import newest_layout
from padbank.workflow.render import RenderedFacts, RenderJob, level_settings, render_all, render_job
from padbank.workflow.revisions import ChangedMeanwhile, text_revision
from padbank.workflow.rights import caution_for
from padbank.workflow.sheet import sheet_bytes
from padbank.workflow.shows import OpenShow, open_show

SHEET_NAME = "pads.pdf"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What an export did: where the set lies, how each file came out, what to know of it."""

    folder: Path
    layout: int
    written: WriteResult
    rendered: int
    findings: tuple[Finding, ...]

    @property
    def sounds(self) -> tuple[int, int, int]:
        """Sounds that are new on the card, that were there, and that were removed; the pad sheet is none."""
        w = self.written
        new, were_there, removed = (sum(p != SHEET_NAME for p in paths) for paths in (w.written, (*w.kept, *w.moved), w.removed))
        return new, were_there, removed

    @property
    def sheet_is_new(self) -> bool:
        return SHEET_NAME in self.written.written


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """An export as it would be: for the card and for whoever wants to look first."""

    opened: OpenShow
    layout: Layout
    plan: ExportPlan
    jobs: Mapping[str, RenderJob]
    """by the file's path"""
    findings: tuple[Finding, ...]

    @property
    def revision(self) -> str:
        """A short hash of all that would be written: layout, files, what their bytes hang on, findings."""
        seen = [self.layout.number, [(f.path, f.source_key) for f in self.plan.files], [f.text for f in self.findings]]
        return text_revision(json.dumps(seen))


def prepare_export(library: Library, name: str, *, number: int | None = None) -> Prepared:
    """Everything about an export but the bytes: files, names, sizes, findings."""
    opened = open_show(library, name)
    show, rig = opened.show, opened.rig
    layout = newest_layout(library, show.name, number)
    if layout.rig != rig.name:
        raise CardError(
            f"layout {layout.number} of {show.name} was made for rig {layout.rig}, and the show now names {rig.name}: "
            f"run padbank plan {show.name}"
        )
    plan = plan_export(layout, rig, show, opened.clips, extra_files=("set.json", SHEET_NAME))
    placed = {f.clip: opened.clips[f.clip] for f in plan.files}
    even_lufs = None
    if show.level_rule == "even":
        levels = played_levels(library, placed.values())
        even_lufs = even_target(
            even_clips(show, placed.values(), levels), target_lufs=show.target_lufs, ceiling_dbtp=show.ceiling_dbtp
        ).target_lufs
    jobs = {f.path: _job(library, opened, f, even_lufs) for f in plan.files}
    plan = replace(plan, files=tuple(replace(f, source_key=jobs[f.path].key) for f in plan.files))
    facts = clip_facts(library, placed.values(), rig)
    broken = [f for f in evaluate(rig, show, facts, layout).findings if f.severity == "error"]
    findings = tuple(dict.fromkeys([*plan.findings, *broken]))
    plan = replace(plan, findings=findings)
    return Prepared(
        opened=opened, layout=layout, plan=plan, jobs=jobs, findings=(*findings, *_rights(placed.values()))
    )


def _job(library: Library, opened: OpenShow, file: PlannedFile, even_lufs: float | None) -> RenderJob:
    clip = opened.clips[file.clip]
    return render_job(
        clip,
        library.original_file(clip),
        channels=file.channels,
        sample_rate_hz=file.sample_rate_hz,
        bits=file.bits,
        as_played=file.mono_plays_both_sides,
        loop_chunk=file.loop_chunk,
        settings=level_settings(opened.show, clip.recipe, even_lufs=even_lufs),
    )


def _rights(clips: Collection[Clip]) -> list[Finding]:
    found = []
    for clip in clips:
        if not clip.cleared:
            found.append(
                Finding(code="rights-unknown", severity="warning", where=clip.name,
                        text=f"{clip.name} has no licence stated: be sure you may play it")
            )  # fmt: skip
        elif text := caution_for(clip.licence):
            found.append(Finding(code="rights-terms", severity="note", where=clip.name, text=f"{clip.name}: {text}"))
    return found


def check_target(library: Library, folder: Path) -> None:
    """Refuse a folder that can only be a slip.

    Raises
    ------
    CardError
        for a folder in the library, for a set's own folder, and for one whose
        parent is not there: a set must not land on the computer's own disk
        when the card is missing; for a card that is write-protected
    """
    real = folder.resolve()
    if real.is_relative_to(library.folder.resolve()):
        raise CardError(f"{folder} lies in the library: choose the card or a folder of its own")
    if (folder / SET_NAME).exists():
        raise CardError(f"{folder} is a set itself: name the folder that it lies in, {folder.parent}")
    if not real.exists() and not real.parent.is_dir():
        raise CardError(f"{folder.parent} is not there: is the card in, and is the name right?")
    if reason := why_not_writable(real):
        raise CardError(f"nothing can be written to {folder}: {reason}")


def export(
    library: Library,
    name: str,
    folder: Path,
    *,
    number: int | None = None,
    accept: Collection[str] = (),
    seen: str | None = None,
    progress: Progress = silent,
) -> Exported:
    """Write a show's set into ``folder`` (an export folder or a card).

    Parameters
    ----------
    number : layout to export; None is the newest
    accept : codes of findings that the user takes on
    seen : ``Prepared.revision`` of what the user looked at before; None: whatever it is now

    Raises
    ------
    ChangedMeanwhile
        when another set than the one that was ``seen`` would be written
    CardError
        before the first byte: no room, names that the card cannot hold, broken
        limits not accepted; later: a step that failed, with what is there now
    """
    check_target(library, folder)
    prepared = prepare_export(library, name, number=number)
    plan, opened = prepared.plan, prepared.opened
    if seen and prepared.revision != seen:
        raise ChangedMeanwhile(
            f"{opened.show.name} was changed elsewhere since you looked (it is layout {prepared.layout.number} now): "
            "look at what would be written, then write it"
        )
    extra = {SHEET_NAME: sheet_bytes(library, opened, prepared.layout)}
    if refusing := [f for f in plan.findings if f.severity == "error" and f.code not in accept]:
        more = f" (and {len(refusing) - 1} more: --dry-run lists them)" if len(refusing) > 1 else ""
        raise CardError(f"{opened.show.name} is not written: {refusing[0].text}{more}")
    needed = files_to_render(plan, folder)
    with scratch_folder("render") as spool:
        done = render_all([prepared.jobs[f.path] for f in needed], Path(spool), progress=progress)

        def rendered(file: PlannedFile) -> RenderedFile:
            job = prepared.jobs[file.path]
            facts = done.get(job.key) or render_all([job], Path(spool))[job.key]
            return as_rendered_file(facts)

        written = write_set(plan, rendered, folder, extra_files=extra, accepted=tuple(accept), progress=progress)
    findings = [*prepared.findings, *written.findings, *_together(folder, opened.rig)]
    for row in written.card.files:
        if row.short_lu >= 0.05:
            findings.append(
                Finding(code="level-short", severity="note", where=row.path, number=row.short_lu, text=f"{row.clip}: {row.reason}")
            )
    return Exported(
        folder=written.folder,
        layout=prepared.layout.number,
        written=written,
        rendered=len(done),
        findings=tuple(dict.fromkeys(findings)),
    )


def _together(folder: Path, rig: Rig) -> list[Finding]:
    """Sets that fit a card one by one and not all together: right in a folder of sets, wrong on one card."""
    limit = rig.names.card_bytes
    if limit is None:
        return []
    return [
        Finding(
            code="card-room-together", severity="warning", where=device, number=room, limit=limit,
            text=f"the sets in {folder} take {format_bytes(room)} together and one card for {device} holds "
            f"{format_bytes(limit)}: put them on separate cards, or remove an old set",
        )
        for device, room in room_together(folder).items()
        if room > limit and device in {d.name for d in rig.devices}
    ]  # fmt: skip


def as_rendered_file(facts: RenderedFacts) -> RenderedFile:
    """A rendering as the set's list wants it."""
    measured = facts.measurement
    level = measured.loudness_lufs(facts.role)
    return RenderedFile(
        data=Path(facts.file),
        role=facts.role,
        target_lufs=None if level is None else facts.settings.target_lufs,
        ceiling_dbtp=facts.settings.ceiling_dbtp,
        level_lufs=level,
        true_peak_dbtp=measured.true_peak_dbtp,
        gain_db=facts.gain_db,
        limited_db=facts.limited_db,
        short_lu=facts.short_lu,
        reason=facts.reason,
    )
