"""What reading a set back looks at, one question each: presence, form, numbers, limits, plan.

Answers: which listed files are missing, changed, renamed or swapped, which are
there without being listed, which are not the WAVs that were written, and which
names do not fit their places. ``verify`` puts the answers together.

Classes: ``Found``, ``Checked``. Functions: ``walk``, ``check_form``,
``find_presence``, ``find_form``, ``find_numbering``, ``find_folder_limits``,
``find_not_as_planned``, ``real_size``.
"""

from __future__ import annotations

import os
import wave
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from padbank.cardlimits import SetLimits, StoredSize
from padbank.cardnames import fits_pattern, pattern_fault, same_name_key, utf16_units
from padbank.domain import ExportPlan, Finding, Severity
from padbank.errors import DecodeError
from padbank.files.fileops import hash_file
from padbank.files.oncard import is_system_name
from padbank.files.setfile import SET_NAME, CardSet, SetFile
from padbank.files.wavfacts import PCM_TAG, WavFacts, inspect_wav

ACCEPTABLE = {"memory", "card-room", "pad-limit", "device-format", "folder-files", "clip-empty"}
"""Limits of the rig; damage cannot be accepted."""


class Found:
    """Collects findings, each filed under the file that it concerns."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self.by_path: dict[str, list[str]] = defaultdict(list)

    def accept(self, codes: tuple[str, ...]) -> None:
        """Broken limits that the user took on at the export are warnings, not faults."""
        self.findings = [
            replace(f, severity="warning", text=f"{f.text} (accepted at the export)")
            if f.code in codes and f.code in ACCEPTABLE and f.severity == "error"
            else f
            for f in self.findings
        ]

    def add(
        self, code: str, text: str, where: str = "", number: float | None = None,
        limit: float | None = None, severity: Severity = "error",
    ) -> None:  # fmt: skip
        self.findings.append(
            Finding(
                code=code, severity=severity, text=text, where=where, number=number, limit=limit
            )
        )
        if severity == "error":
            self.by_path[where].append(code)


# ---------------------------------------------------------------- what is there


def walk(folder: Path) -> dict[str, int]:
    """Every file below ``folder`` as it is spelt there, with its size; links are not followed."""
    there = {}
    for base, _, names in os.walk(folder):
        for name in names:
            path = Path(base) / name
            there[path.relative_to(folder).as_posix()] = path.lstat().st_size
    return there


def _hash(path: Path) -> str:
    """A file's hash, or empty when the card does not give its bytes."""
    try:
        return hash_file(path, from_disk=True)
    except OSError:
        return ""


@dataclass(frozen=True, slots=True)
class Checked:
    """One listed sound as its bytes are now; ``sha256`` None: it is not there."""

    row: SetFile
    sha256: str | None
    n_bytes: int | None
    facts: WavFacts | None
    fault: str = ""
    plain_fault: str = ""


def check_form(folder: Path, row: SetFile) -> Checked:
    path = folder / row.path
    try:
        if path.is_symlink() or not path.is_file():
            return Checked(row, None, None, None)
        sha256, n_bytes = hash_file(path, from_disk=True), path.stat().st_size
        facts = inspect_wav(path)
    except DecodeError as fault:
        return Checked(row, sha256, n_bytes, None, fault.reason)
    except OSError as fault:
        return Checked(row, "", None, None, f"cannot be read ({fault.strerror or fault})")
    return Checked(row, sha256, n_bytes, facts, "", _plain_fault(path, facts))


def _plain_fault(path: Path, facts: WavFacts) -> str:
    """What the standard library's ``wave`` says against the file, or empty."""
    try:
        with wave.open(str(path), "rb") as sound:
            form = (sound.getnchannels(), sound.getframerate(), sound.getsampwidth() * 8)
            if (
                form != (facts.channels, facts.sample_rate_hz, facts.bits)
                or sound.getnframes() != facts.frames
            ):
                return "a plain reader sees another format or length"
            count = 0
            while block := sound.readframes(65_536):
                count += len(block)
            if count != facts.data_bytes:
                return "a plain reader gets fewer samples than its head says"
    except (wave.Error, EOFError, OSError, RuntimeError) as fault:
        return f"a plain reader cannot open it ({fault})"
    return ""


def find_presence(
    card: CardSet, checked: list[Checked], there: dict[str, int], folder: Path, found: Found
) -> None:
    """Missing, changed, renamed and extra files."""
    listed = {f.path: f.sha256 for f in card.files} | {f.path: f.sha256 for f in card.extras}
    by_hash = defaultdict(list)
    for path, sha256 in listed.items():
        by_hash[sha256].append(path)
    spelt = {same_name_key(path): path for path in there}
    extra = {p: n for p, n in there.items() if p not in listed and p != SET_NAME}
    wanted_sizes = {f.n_bytes for f in card.files}
    extra_hash = {
        _hash(folder / p): p
        for p, n in sorted(extra.items())
        if n in wanted_sizes and not (folder / p).is_symlink()
    }

    for item in checked:
        row = item.row
        place = f"bank {row.bank} pad {row.pad}"
        if item.sha256 is None or row.path not in there:
            other = spelt.get(same_name_key(row.path))
            if other is not None and other != row.path:
                found.add(
                    "file-renamed",
                    f"{row.path} ({place}) is spelt {other} on the card; export again",
                    row.path,
                )
            elif row.sha256 in extra_hash:
                found.add(
                    "file-missing",
                    f"{row.path} ({place}) is missing; its sound is in "
                    f"{extra_hash[row.sha256]}; export again",
                    row.path,
                )
            else:
                found.add(
                    "file-missing", f"{row.path} ({place}) is missing; export again", row.path
                )
        elif item.sha256 == "":
            found.add(
                "file-unreadable", f"{row.path} ({place}) {item.fault}; use another card", row.path
            )
        elif item.sha256 != row.sha256:
            twins = [p for p in by_hash.get(item.sha256, []) if p != row.path]
            if twins:
                found.add(
                    "file-swapped",
                    f"{row.path} ({place}) holds the sound of {twins[0]}; export again",
                    row.path,
                )
            elif item.n_bytes != row.n_bytes:
                found.add(
                    "file-size",
                    f"{row.path} ({place}) has {item.n_bytes} bytes and {row.n_bytes} were written; "
                    "export again",
                    row.path,
                    item.n_bytes,
                    row.n_bytes,
                )
            else:
                found.add(
                    "file-changed",
                    f"{row.path} ({place}) is not what was written (its hash differs); "
                    "export again",
                    row.path,
                )
    for sheet in card.extras:
        place_of = folder / sheet.path
        if not place_of.is_file():
            found.add("file-missing", f"{sheet.path} is missing; export again", sheet.path)
        elif _hash(place_of) != sheet.sha256:
            found.add(
                "file-changed", f"{sheet.path} is not what was written; export again", sheet.path
            )

    folders = {p.rpartition("/")[0] for p in listed} | {""}
    listed_keys = {same_name_key(p) for p in listed}
    for path in sorted(extra):
        where, _, name = path.rpartition("/")
        sound = name.lower().endswith((".wav", ".wave"))
        if is_system_name(name):
            if sound:
                found.add(
                    "system-file",
                    f"{path} was put there by an operating system; some hardware lists it as a "
                    "sound: delete it",
                    path,
                    severity="warning",
                )
        elif same_name_key(path) in listed_keys:
            continue  # reported as renamed
        elif sound and where in folders:
            found.add(
                "file-extra",
                f"{path} is not part of the set and the hardware may play it: move it away",
                path,
            )
        else:
            found.add("not-ours", f"{path} is not padbank's", path, severity="note")


# ---------------------------------------------------------------- form, numbers, limits


def find_form(checked: list[Checked], found: Found) -> None:
    for item in checked:
        row, facts = item.row, item.facts
        if item.sha256 in (None, ""):
            continue
        if facts is None:
            found.add("wav-form", f"{row.path}: {item.fault}; export again", row.path)
            continue
        form = {
            "sample rate": (facts.sample_rate_hz, row.sample_rate_hz, " Hz"),
            "bits": (facts.bits, row.bits, ""),
            "channels": (facts.channels, row.channels, ""),
            "frames": (facts.frames, row.frames, ""),
        }
        for what, (is_now, should_be, unit) in form.items():
            if is_now != should_be:
                found.add(
                    "wav-form",
                    f"{row.path}: {what} {is_now}{unit}, {should_be}{unit} were written; export again",
                    row.path,
                    is_now,
                    should_be,
                )
        if facts.format_tag != PCM_TAG:
            found.add(
                "wav-form",
                f"{row.path}: format {facts.format_tag}, not plain PCM; export again",
                row.path,
            )
        for fault in facts.faults:
            found.add("wav-form", f"{row.path}: {fault}; export again", row.path)
        if item.plain_fault:
            found.add("wav-form", f"{row.path}: {item.plain_fault}; export again", row.path)
        if row.loop_chunk and facts.loop is None:
            found.add("loop", f"{row.path}: the loop's points are missing; export again", row.path)
        elif facts.loop is not None and not 0 <= facts.loop[0] <= facts.loop[1] < facts.frames:
            found.add(
                "loop",
                f"{row.path}: its loop ends after the sound does; export again",
                row.path,
                facts.loop[1],
                facts.frames - 1,
            )


def find_numbering(card: CardSet, limits: SetLimits, found: Found) -> None:
    """Names carry the numbers of their places, and each place is there once."""
    pads = {p.pad_id: p for p in limits.pads}
    controls = {(c.bank, c.pad): c.label for c in card.controls}
    places: dict[tuple[int, str], str] = {}
    folder_pattern, file_pattern = limits.names.bank_folder, limits.names.file
    usable = not pattern_fault(file_pattern) and not (
        folder_pattern and pattern_fault(folder_pattern)
    )
    for row in card.files:
        pad = pads.get(row.pad)
        if pad is not None and (pad.number != row.pad_number or pad.device != row.device):
            found.add(
                "numbering",
                f"{row.path}: the list says number {row.pad_number} on {row.device} and pad {row.pad} is "
                f"number {pad.number} on {pad.device}; export again",
                row.path,
                row.pad_number,
                pad.number,
            )
        if usable:
            folder, _, name = row.path.rpartition("/")
            numbers = {"bank": row.bank, "pad": row.pad_number}
            if not fits_pattern(file_pattern, name, numbers) or not fits_pattern(
                folder_pattern, folder.rpartition("/")[2], numbers
            ):
                found.add(
                    "numbering",
                    f"{row.path}: the name does not fit bank {row.bank} pad {row.pad}; export again",
                    row.path,
                )
        other = places.setdefault((row.bank, row.pad), row.path)
        if other != row.path:
            found.add(
                "place-twice",
                f"{row.path} and {other} are both for bank {row.bank} pad {row.pad}; plan again",
                row.path,
            )
        if (row.bank, row.pad) in controls:
            found.add(
                "place-twice",
                f"{row.path} stands on the control hit {controls[row.bank, row.pad]!r}; plan again",
                row.path,
            )


def real_size(item: Checked) -> StoredSize:
    facts = item.facts
    assert facts is not None
    return replace(
        item.row.stored,
        channels=max(facts.channels, 1),
        sample_rate_hz=max(facts.sample_rate_hz, 1),
        bits=facts.bits,
        frames=facts.frames,
        n_bytes=item.n_bytes or 0,
    )


def find_folder_limits(card: CardSet, limits: SetLimits, found: Found) -> None:
    counts: dict[str, int] = defaultdict(int)
    names = limits.names
    for row in card.files:
        folder, _, name = row.path.rpartition("/")
        counts[folder] += 1
        if utf16_units(name) > names.max_name_chars:
            found.add(
                "name-too-long",
                f"{row.path}: the name is {utf16_units(name)} characters and the rig takes "
                f"{names.max_name_chars}; export again",
                row.path,
                utf16_units(name),
                names.max_name_chars,
            )
    for folder, count in sorted(counts.items()):
        if count > names.max_files_per_folder:
            found.add(
                "folder-files",
                f"{folder or 'the set'} holds {count} files and the rig takes "
                f"{names.max_files_per_folder}; plan again",
                folder,
                count,
                names.max_files_per_folder,
            )


def find_not_as_planned(card: CardSet, expected: ExportPlan, found: Found) -> None:
    def key(f: Any, pad: str) -> tuple[object, ...]:
        return (f.path, f.bank, pad, f.device, f.clip, f.channels, f.sample_rate_hz, f.bits)

    is_now = {key(f, f.pad): f.path for f in card.files}
    should_be = {key(f, f.pad_id): f.path for f in expected.files}
    if (card.show, card.rig) != (expected.show, expected.rig.name):
        found.add(
            "not-as-planned",
            f"{SET_NAME} is of the show {card.show} on {card.rig}, not of {expected.show} on "
            f"{expected.rig.name}; export again",
            SET_NAME,
        )
    for path in sorted({should_be[k] for k in set(should_be) - set(is_now)}):
        found.add(
            "not-as-planned",
            f"{path} is planned and the set on the card does not list it so; export again",
            path,
        )
    for path in sorted({is_now[k] for k in set(is_now) - set(should_be)} - set(should_be.values())):
        found.add("not-as-planned", f"{path} is on the card and not planned; export again", path)
