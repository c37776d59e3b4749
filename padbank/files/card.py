"""Writing a set to a card: the old set whole, or the new one whole.

Answers: what would change, is there room, and how does it get there.
Everything that can be refused is refused before the first byte is written: bad
names, names alike but for case, limits of the rig, no room, files in the way
that are not padbank's. Files that stay the same are not written again: they
are hashed where they are and move with the swap (``swap``).

Class: ``WriteResult``. Functions: ``write_set``, ``files_to_render``; and,
from ``oncard``: ``read_set``, ``find_sets``, ``SetOnCard``.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from padbank.cardlimits import in_clusters, limit_findings
from padbank.cardnames import MAX_PATH_UNITS, path_fault, same_name_key, utf16_units
from padbank.domain import ExportPlan, Finding, PlannedFile
from padbank.errors import CardError, DecodeError
from padbank.files import swap
from padbank.files.fileops import FileOps, exists, hash_file
from padbank.files.lock import only_writer
from padbank.files.oncard import OldSet, SetOnCard, find_sets, is_system_name, read_set, size_of
from padbank.files.scratch import scratch_folder
from padbank.files.setfile import (
    SET_NAME,
    CardSet,
    ExtraFile,
    RenderedFile,
    SetFile,
    card_set,
    set_file,
    to_bytes,
)
from padbank.files.wavfacts import PCM_TAG, inspect_wav
from padbank.progress import Progress, silent
from padbank.units import format_bytes

__all__ = [
    "RenderedFile",
    "SetOnCard",
    "WriteResult",
    "files_to_render",
    "find_sets",
    "read_set",
    "write_set",
]

Render = Callable[[PlannedFile], RenderedFile]

_NAME_CODES = {"name-pattern", "name-impossible", "name-too-long", "name-twice", "folder-entries", "path-too-long",
               "file-too-large", "two-on-pad", "no-such-place"}  # fmt: skip
"""Findings that nobody can accept: the card could not hold the set at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteResult:
    """What an export did. Paths are relative to ``folder``, the set's own."""

    folder: Path
    card: CardSet
    written: tuple[str, ...]
    kept: tuple[str, ...]
    moved: tuple[str, ...]
    removed: tuple[str, ...]
    bytes_written: int
    recovered: str | None
    findings: tuple[Finding, ...]


def files_to_render(plan: ExportPlan, folder: Path) -> list[PlannedFile]:
    """One file for each rendering that the set in ``folder`` (the export folder) does not hold yet.

    For callers that render in several processes before ``write_set``.
    """
    on_card = read_set(Path(folder) / plan.folder)
    old = OldSet(on_card if on_card.card is not None else replace(on_card, card=None))
    first = {file.rendering: file for file in reversed(plan.files)}
    return [f for f in plan.files if first[f.rendering] is f and old.known(f) is None]


# ---------------------------------------------------------------- writing


def write_set(
    plan: ExportPlan,
    rendered: Render,
    folder: Path,
    *,
    extra_files: Mapping[str, bytes | Path] | None = None,
    accepted: Collection[str] = (),
    made: str | None = None,
    progress: Progress = silent,
    ops: FileOps | None = None,
) -> WriteResult:
    """Write a set beside the old one and swap it in whole.

    Parameters
    ----------
    plan : what to write; its errors refuse the export unless named in ``accepted``
    rendered : called once for each distinct rendering that the card does not
        hold yet; returns the WAV's bytes, or a path to them, with its levels
    folder : the export folder or card; the set goes to ``folder / plan.folder``
    extra_files : other files by name, such as the pad sheet
    accepted : codes of findings that the user takes on; what a card cannot
        hold at all cannot be accepted
    made : date for ``set.json``; None keeps it out
    progress : told what is done; may raise to cancel before the swap

    Returns
    -------
    WriteResult; ``findings`` are notes on what was left as it is.

    Raises
    ------
    CardError : refused before the first byte, or a step failed; the text says
        which set is there now.
    """
    ops = ops or FileOps()
    folder = Path(folder)
    accepted = tuple(sorted(set(accepted)))
    _refuse_findings(plan.findings, accepted, plan.show)
    _refuse_names(plan, extra_files or {}, folder)
    _make_export_folder(folder, ops)
    with only_writer(folder), scratch_folder("card") as spool:
        recovered = swap.recover(folder, plan.folder, ops)
        try:
            job = _Job(plan, folder, accepted, made, progress, ops, Path(spool))
            job.collect(rendered, extra_files or {})
            changed = job.check()
            if changed:
                job.write()
        except OSError as fault:
            raise CardError(
                f"{folder}: {swap.say(fault)}: {swap.next_step(fault)}"
            ) from None
        return job.result(recovered)


class _Job:
    """One export: collect what the set is made of, check it, write it."""

    def __init__(
        self, plan: ExportPlan, folder: Path, accepted: tuple[str, ...], made: str | None,
        progress: Progress, ops: FileOps, spool: Path,
    ) -> None:  # fmt: skip
        self.plan, self.folder, self.accepted, self.made = plan, folder, accepted, made
        self.progress, self.ops, self.spool = progress, ops, spool
        self.target = folder / plan.folder
        on_card = read_set(self.target)
        if on_card.state == "foreign":
            raise CardError(f"{on_card.text}: move it away or export to another folder")
        if on_card.state == "damaged":
            raise CardError(
                f"{on_card.text}: move the folder {self.target} away, then export again"
            )
        self.old = OldSet(on_card)
        self.others: list[str] = []
        self.sources: dict[str, Path] = {}  # hash -> where its bytes are, off the card
        self.rows: list[SetFile] = []
        self.extras: list[ExtraFile] = []
        self.same: list[tuple[str, str]] = []
        self.to_write: list[tuple[str, str, int]] = []  # path, hash, size
        self.set_bytes = b""
        self.left: list[Finding] = []
        self.removed: list[str] = []
        self.total = len({f.rendering for f in plan.files})

    # ------------------------------------------------ collecting

    def collect(self, rendered: Render, extra_files: Mapping[str, bytes | Path]) -> None:
        """Render or recognise every sound; nothing is written to the card."""
        by_rendering: dict[object, SetFile] = {}
        for planned in self.plan.files:
            row = by_rendering.get(planned.rendering)
            if row is None:
                self.progress(len(by_rendering), self.total, f"render {planned.clip}")
                row = self._render(planned, rendered)
                by_rendering[planned.rendering] = row
            self.rows.append(_moved_to(row, planned))
        for name, data in sorted(extra_files.items()):
            sha256, n_bytes = self._keep(data)
            self.extras.append(ExtraFile(path=name, n_bytes=n_bytes, sha256=sha256))

    def _render(self, planned: PlannedFile, rendered: Render) -> SetFile:
        known = self.old.known(planned)
        if known is not None:
            copies = [f for f in self.plan.files if f.rendering == planned.rendering]
            have = [
                p for p, h in self.old.listed.items() if h == known.sha256 and self.old.is_sound(p)
            ]
            if len(copies) > len(have):  # another copy is wanted: its bytes are on the card
                self.sources.setdefault(
                    known.sha256, self._spooled((self.old.folder / have[0]).read_bytes())
                )
            return known
        made = rendered(planned)
        sha256, n_bytes = self._keep(made.data)
        try:
            facts = inspect_wav(self.sources[sha256])
        except DecodeError as fault:
            raise CardError(
                f"{planned.clip}: the renderer gave no WAV ({fault.reason}); nothing was written"
            ) from None
        form = (facts.format_tag, facts.channels, facts.sample_rate_hz, facts.bits)
        if facts.faults or form != (
            PCM_TAG,
            planned.channels,
            planned.sample_rate_hz,
            planned.bits,
        ):
            raise CardError(
                f"{planned.clip}: the renderer gave {facts.channels} channels, {facts.sample_rate_hz} Hz, {facts.bits} "
                f"bits ({'; '.join(facts.faults) or 'sound'}) and {planned.channels} channels, "
                f"{planned.sample_rate_hz} Hz, {planned.bits} bits were planned; nothing was written"
            )
        return set_file(planned, made, frames=facts.frames, n_bytes=n_bytes, sha256=sha256)

    def _keep(self, data: bytes | Path) -> tuple[str, int]:
        path = data if isinstance(data, Path) else self._spooled(data)
        sha256 = hash_file(path)
        self.sources.setdefault(sha256, path)
        return sha256, path.stat().st_size

    def _spooled(self, data: bytes) -> Path:
        path = self.spool / hashlib.sha256(data).hexdigest()
        if not path.exists():
            path.write_bytes(data)
        return path

    # ------------------------------------------------ checking

    def check(self) -> bool:
        """Refuse what cannot be; False when the card holds exactly this set already."""
        card = card_set(
            self.plan, tuple(self.rows), tuple(self.extras), made=self.made, accepted=self.accepted
        )
        self.card, self.set_bytes = card, to_bytes(card)
        extra_bytes = [e.n_bytes for e in self.extras] + [len(self.set_bytes)]
        found = limit_findings([f.stored for f in card.files], card.limits, extra_bytes)
        _refuse_findings(tuple(found), self.accepted, self.plan.show)
        self._refuse_others(card)

        wanted: list[SetFile | ExtraFile] = [*card.files, *card.extras]
        stay = {
            f.path
            for f in wanted
            if self.old.listed.get(f.path) == f.sha256 and self.old.is_sound(f.path)
        }
        for file in sorted(wanted, key=lambda f: (f.path not in stay, f.path)):
            source = self.old.take(file.sha256, file.path)
            if source is None:
                self.to_write.append((file.path, file.sha256, file.n_bytes))
            else:
                self.same.append((source, file.path))
        taken = {source for source, _ in self.same}
        self.removed = sorted(set(self.old.sizes) - taken)
        old_list = self.target / SET_NAME
        unchanged = (
            not self.to_write
            and not self.removed
            and all(a == b for a, b in self.same)
            and size_of(old_list) == len(self.set_bytes)
            and old_list.read_bytes() == self.set_bytes
        )
        if not unchanged:
            self._refuse_no_room()
        self._note_others()
        return not unchanged

    def _refuse_others(self, card: CardSet) -> None:
        """Files that are not padbank's may stay, unless a file of the set must stand there."""
        self.others = self.old.others(card.sizes)
        wanted = {same_name_key(p) for p in [*card.sizes, SET_NAME]}
        folders = {"/".join(w.split("/")[:i]) for w in wanted for i in range(1, w.count("/") + 1)}
        for path in self.others:
            key = same_name_key(path)
            if key in wanted or key in folders:
                raise CardError(
                    f"{self.target / path} is not padbank's and stands where the set needs its name: move it away"
                )

    def _refuse_no_room(self) -> None:
        cluster = self.ops.cluster_bytes(self.folder)
        sizes = [n for _, _, n in self.to_write] + [len(self.set_bytes)]
        journal = 400 * (len(self.card.sizes) + len(self.old.sizes)) + 4_000
        folders = len({p.rpartition("/")[0] for p in self.card.sizes} | {""})
        need = (
            sum(in_clusters(n, cluster) for n in sizes)
            + 2 * in_clusters(journal, cluster)
            + folders * cluster
        )
        free = self.ops.free_bytes(self.folder)
        if need > free:
            raise CardError(
                f"{self.folder}: the new files take {format_bytes(need)} beside the old set and {format_bytes(free)} "
                "are free; nothing was written: free some room or use a larger card"
            )

    def _note_others(self) -> None:
        mine = [p for p in self.others if not is_system_name(p.rpartition("/")[2])]
        for path in mine:
            self.left.append(
                Finding(
                    code="not-ours",
                    severity="warning" if path.lower().endswith(".wav") else "note",
                    text=f"{path} is not padbank's and stays as it is",
                    where=path,
                )
            )

    # ------------------------------------------------ writing

    def write(self) -> None:
        """Write beside, read back, swap in."""
        name, ops = self.plan.folder, self.ops
        set_hash = hashlib.sha256(self.set_bytes).hexdigest()
        self.sources[set_hash] = self._spooled(self.set_bytes)
        jobs = [*self.to_write, (SET_NAME, set_hash, len(self.set_bytes))]
        try:
            new = swap.begin(self.folder, name, [p for p, _, _ in jobs], ops)
            for count, (path, sha256, n_bytes) in enumerate(jobs):
                self.progress(count, len(jobs), f"write {path}")
                ops.make_folder((new / path).parent)
                ops.write_file(new / path, self.sources[sha256])
                if (
                    size_of(new / path) != n_bytes
                    or hash_file(new / path, from_disk=True) != sha256
                ):
                    raise CardError(
                        f"{new / path}: the card gave back other bytes than were written: use another card"
                    )
            for inner in sorted({(new / p).parent for p, _, _ in jobs} | {new}):
                ops.sync_folder(inner)
            self.progress(len(jobs), len(jobs), "swap in")
        except BaseException as fault:
            self._give_up(fault)
            raise
        old_there = exists(self.target)
        journal = swap.Journal(
            new_folder=new.name,
            old_folder=swap.free_name(self.folder, name, swap.OLD) if old_there else None,
            same=tuple(self.same),
            others=tuple(self.others),
            remove=(*self.removed, *_list_size(self.target)),
            new_sizes=tuple(sorted({**self.card.sizes, SET_NAME: len(self.set_bytes)}.items())),
            old_sizes=tuple(sorted({**self.old.sizes, **_list_size(self.target)}.items())),
            set_sha256=set_hash,
        )
        swap.swap_in(self.folder, name, journal, ops)
        self._note_left(journal)

    def _give_up(self, fault: BaseException) -> None:
        with suppress(OSError):  # the marker stays, and the next export removes what is left
            swap.give_up(self.folder, self.plan.folder, self.ops)
        if isinstance(fault, OSError):
            whole = "the old set is untouched" if exists(self.target) else "no set was written"
            raise CardError(
                f"{self.folder}: {swap.say(fault)}; {whole}; {swap.next_step(fault)}"
            ) from None

    def _note_left(self, journal: swap.Journal) -> None:
        """Say what could not be removed of the old set."""
        beside = swap.look(self.folder, self.plan.folder)
        text = beside.text if beside.kind == "cleaning" else ""
        if not text and journal.old_folder is not None and exists(self.folder / journal.old_folder):
            old = self.folder / journal.old_folder
            text = f"{old} still holds files that are not padbank's: look at them and delete the folder"
        if text:
            self.left.append(
                Finding(code="old-left", severity="warning", text=text, where=str(self.folder))
            )

    def result(self, recovered: str | None) -> WriteResult:
        return WriteResult(
            folder=self.target,
            card=self.card,
            written=tuple(sorted(p for p, _, _ in self.to_write)),
            kept=tuple(sorted(b for a, b in self.same if a == b)),
            moved=tuple(sorted(b for a, b in self.same if a != b)),
            removed=tuple(sorted(set(self.removed) - set(self.card.sizes))),
            bytes_written=sum(n for _, _, n in self.to_write),
            recovered=recovered,
            findings=tuple(self.left),
        )


def _list_size(folder: Path) -> dict[str, int]:
    size = size_of(folder / SET_NAME)
    return {} if size is None else {SET_NAME: size}


def _moved_to(row: SetFile, planned: PlannedFile) -> SetFile:
    """The same sound under another pad."""
    return replace(
        row,
        path=planned.path,
        bank=planned.bank,
        pad=planned.pad_id,
        pad_number=planned.pad_number,
        device=planned.device,
        play_mode=planned.play_mode,
        mute_group=planned.mute_group,
        segments=planned.segments,
        source_key=planned.source_key,
    )


# ---------------------------------------------------------------- refusing


def _refuse_findings(findings: tuple[Finding, ...], accepted: tuple[str, ...], show: str) -> None:
    broken = [
        f
        for f in findings
        if f.severity == "error" and (f.code not in accepted or f.code in _NAME_CODES)
    ]
    if broken:
        more = f" (and {len(broken) - 1} more)" if len(broken) > 1 else ""
        raise CardError(f"{show} is not written: {broken[0].text}{more}")


def _refuse_names(plan: ExportPlan, extra_files: Mapping[str, bytes | Path], folder: Path) -> None:
    """The last look at names, whoever planned them."""
    seen = {same_name_key(SET_NAME): SET_NAME}
    spelt: dict[str, str] = {}
    for path in [plan.folder, *(f.path for f in plan.files), *extra_files]:
        fault = path_fault(path)
        if fault:
            raise CardError(
                f"{path}: no card can hold this name, {fault}: change it in the rig or the library"
            )
        parts = path.split("/")
        for prefix in ("/".join(parts[:i]) for i in range(1, len(parts))):
            if spelt.setdefault(same_name_key(prefix), prefix) != prefix:
                raise CardError(
                    f"{path}: {prefix} and {spelt[same_name_key(prefix)]} are one folder on a card: name them apart"
                )
        if path == plan.folder:
            continue
        if same_name_key(path) in seen:
            raise CardError(
                f"{path} and {seen[same_name_key(path)]} are one name on a card: name them apart"
            )
        seen[same_name_key(path)] = path
    clash = next((p for k, p in seen.items() if k in spelt), None)
    if clash is not None:
        raise CardError(f"{clash} is both a file and a folder of the set: name them apart")
    if os.name == "nt":
        longest = max((f.path for f in plan.files), key=utf16_units, default="")
        whole = folder.resolve() / (plan.folder + swap.NEW + "-2") / longest
        if utf16_units(str(whole)) > MAX_PATH_UNITS:
            raise CardError(
                f"{whole}: the path is longer than Windows takes: export to a folder nearer the top"
            )


def _make_export_folder(folder: Path, ops: FileOps) -> None:
    if exists(folder) and not folder.is_dir():
        raise CardError(f"{folder} is a file: give a folder to export to")
    try:
        ops.make_folder(folder)
    except OSError as fault:
        raise CardError(
            f"{folder}: cannot be made ({fault.strerror or fault}): give another folder"
        ) from None
