"""What would be written: a layout becomes files with names, formats and sizes. Writes nothing.

Answers: which file goes where on the card, how big the set is, and every limit
of the rig that it breaks, all at once.

Conventions: paths are relative to the set's own folder, ``/`` between parts:
``<bank folder>/<file>``, and ``<device>/<bank folder>/<file>`` when the rig has
several sound modules, each with its own card. Memory is bytes of sample data,
each distinct (clip, version) once; card room is whole files, every copy, each
rounded up to clusters, with ``set.json`` and the pad sheet. Lengths are what the resampler will give,
round(frames · out rate / in rate); the exact ones are checked again when the
set is written. Voices are judged where the layout is made.

Functions: ``plan_export``, ``stored_sizes``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

from padbank.cardlimits import SetLimits, StoredSize, limit_findings
from padbank.cardnames import pattern_fault
from padbank.domain import (
    Clip,
    Device,
    ExportPlan,
    Finding,
    Layout,
    Pad,
    Place,
    PlannedFile,
    Rig,
    Show,
)
from padbank.export.names import NameParts, check_names, folder_names, safe_text
from padbank.units import seconds_to_frames

WAV_HEAD_BYTES = 44
"""RIFF and WAVE 12, ``fmt `` chunk 8 + 16, ``data`` head 8 (plain PCM WAV)."""

SMPL_BYTES = 8 + 36 + 24
"""A ``smpl`` chunk with one loop: head 8, fields 36, one loop 24."""

SET_FILE_BYTES, SET_ROW_BYTES, SHEET_BYTES = 4_000, 900, 300_000
"""Generous sizes for ``set.json`` (fixed, and for each file) and the pad sheet."""

EXTRA_FILES = ("set.json", "pads.pdf")


def plan_export(
    layout: Layout,
    rig: Rig,
    show: Show,
    clips: Mapping[str, Clip],
    *,
    extra_files: Sequence[str] = EXTRA_FILES,
) -> ExportPlan:
    """Turn a layout into the files of a set.

    Parameters
    ----------
    layout, rig, show : what was planned, on what, for what
    clips : the placed clips by name
    extra_files : other files in the set's folder, for names and entries

    Returns
    -------
    ExportPlan with files in order of bank and the rig's pads. Its findings
    (severity ``error``) name every limit that is broken; nothing is raised for
    a layout that does not fit.
    """
    findings: list[Finding] = []
    pads = {pad.pad_id: (index, pad) for index, pad in enumerate(rig.pads)}
    places = sorted(
        layout.places,
        key=lambda p: (p.bank, pads[p.pad_id][0] if p.pad_id in pads else len(pads), p),
    )
    good: list[tuple[Place, Pad, Device, Clip]] = []
    taken: set[tuple[int, str]] = set()
    controls = {(c.bank, c.pad_id): c.label for c in layout.controls}
    for bank in range(1, rig.banks + 1):
        controls |= {(bank, pad_id): c.label for pad_id, c in rig.controls_in(bank).items()}
    for place in places:
        found = _resolve(place, rig, pads, clips, controls, taken, findings)
        if found is not None:
            good.append((place, *found))

    files = [
        _planned(place, pad, device, clip, path, layout)
        for (place, pad, device, clip), path in zip(good, _paths(good, rig, layout), strict=True)
    ]
    folder = safe_text(show.name)
    plan = ExportPlan(
        show=show.name,
        rig=rig,
        folder=folder.upper() if rig.names.upper_case else folder,
        files=tuple(files),
        controls=layout.controls,
        bank_segments=layout.bank_segments,
        layout_number=layout.number,
        title=show.title,
        show_date=show.date,
    )
    findings += check_names(
        [f.path for f in files], rig.names, folder=plan.folder, extra=extra_files
    )
    extra_bytes = [SET_FILE_BYTES + SET_ROW_BYTES * len(files), SHEET_BYTES]
    findings += limit_findings(stored_sizes(files), SetLimits.of(rig), extra_bytes)
    return replace(plan, findings=tuple(findings))


def stored_sizes(files: Sequence[PlannedFile]) -> list[StoredSize]:
    """The expected sizes of planned files, for ``cardlimits``."""
    return [
        StoredSize(
            path=f.path,
            bank=f.bank,
            pad_id=f.pad_id,
            clip=f.clip,
            device=f.device,
            channels=f.channels,
            sample_rate_hz=f.sample_rate_hz,
            bits=f.bits,
            frames=f.est_frames,
            n_bytes=f.est_bytes,
        )
        for f in files
    ]


# ---------------------------------------------------------------- one place


def _error(
    code: str, text: str, where: str, number: float | None = None, limit: float | None = None
) -> Finding:
    return Finding(code=code, severity="error", text=text, where=where, number=number, limit=limit)


def _resolve(
    place: Place,
    rig: Rig,
    pads: Mapping[str, tuple[int, Pad]],
    clips: Mapping[str, Clip],
    controls: Mapping[tuple[int, str], str],
    taken: set[tuple[int, str]],
    findings: list[Finding],
) -> tuple[Pad, Device, Clip] | None:
    where = f"bank {place.bank} pad {place.pad_id}"
    faults = []
    if not 1 <= place.bank <= rig.banks:
        faults.append(
            _error(
                "no-such-place",
                f"{where}: rig {rig.name} has banks 1 to {rig.banks}; plan the show again",
                where,
                place.bank,
                rig.banks,
            )
        )
    if place.pad_id not in pads:
        faults.append(
            _error(
                "no-such-place",
                f"{where}: rig {rig.name} has no such pad; plan the show again",
                where,
            )
        )
    elif (place.bank, place.pad_id) in controls:
        label = controls[place.bank, place.pad_id]
        faults.append(
            _error(
                "control-pad",
                f"{where}: the pad is the control hit {label!r} and holds no sound; "
                "plan the show again",
                where,
            )
        )
    if place.clip not in clips:
        faults.append(
            _error(
                "no-such-place",
                f"{where}: the library has no clip {place.clip!r}; add it or plan again",
                where,
            )
        )
    if (place.bank, place.pad_id) in taken:
        faults.append(
            _error(
                "two-on-pad",
                f"{where}: two clips are on it, {place.clip!r} is one; plan the show again",
                where,
            )
        )
    taken.add((place.bank, place.pad_id))
    if faults:
        findings.extend(faults)
        return None
    pad = pads[place.pad_id][1]
    return pad, rig.device(pad.device), clips[place.clip]


def _paths(good: Sequence[tuple[Place, Pad, Device, Clip]], rig: Rig, layout: Layout) -> list[str]:
    """Paths in the order given; a malformed pattern falls back to the default (and is a finding)."""
    rules, defaults = rig.names, type(rig.names)()
    file_pattern = defaults.file if pattern_fault(rules.file) else rules.file
    flat = rules.bank_folder == ""
    folder_pattern = (
        defaults.bank_folder if not flat and pattern_fault(rules.bank_folder) else rules.bank_folder
    )
    several = len(rig.devices) > 1

    device_folders = folder_names(
        "{device}", [NameParts(device=d.name) for d in rig.devices], rules
    )
    tops = {
        d.name: folder + "/" if several else ""
        for d, folder in zip(rig.devices, device_folders, strict=True)
    }
    banks: dict[tuple[str, int], str] = {}
    for device in rig.devices:
        numbers = sorted({place.bank for place, pad, _, _ in good if pad.device == device.name})
        parts = [
            NameParts(bank=b, segment=_segment(layout, b), device=device.name) for b in numbers
        ]
        named = (
            [""] * len(parts)
            if flat
            else [n + "/" for n in folder_names(folder_pattern, parts, rules)]
        )
        banks.update(
            {(device.name, b): tops[device.name] + n for b, n in zip(numbers, named, strict=True)}
        )

    by_folder: dict[str, list[int]] = defaultdict(list)
    for index, (place, pad, _, _) in enumerate(good):
        by_folder[banks[pad.device, place.bank]].append(index)
    paths = [""] * len(good)
    for folder, indices in by_folder.items():
        parts = [
            NameParts(
                bank=good[i][0].bank,
                pad=good[i][1].number,
                segment=_segment(layout, good[i][0].bank),
                clip=good[i][0].clip,
                surface=good[i][1].surface,
                device=good[i][1].device,
            )
            for i in indices
        ]
        for i, name in zip(indices, folder_names(file_pattern, parts, rules), strict=True):
            paths[i] = folder + name
    return paths


def _segment(layout: Layout, bank: int) -> str:
    """What stands for ``{segment}``: the bank's segments in order, or ``any``."""
    served = layout.bank_segments[bank - 1] if bank <= len(layout.bank_segments) else ()
    return "-".join(served) or "any"


def _planned(
    place: Place, pad: Pad, device: Device, clip: Clip, path: str, layout: Layout
) -> PlannedFile:
    rate_in = clip.original.sample_rate_hz
    end_s = (
        clip.original.duration_s
        if clip.recipe.end_s is None
        else min(clip.recipe.end_s, clip.original.duration_s)
    )
    frames_in = max(
        0, seconds_to_frames(end_s, rate_in) - seconds_to_frames(clip.recipe.start_s, rate_in)
    )
    frames = (2 * frames_in * place.sample_rate_hz + rate_in) // (2 * rate_in)  # halves upward
    loops = clip.recipe.play_mode == "loop" and device.loop_chunk
    data_bytes = frames * place.channels * device.bits // 8
    served = layout.bank_segments[place.bank - 1] if place.bank <= len(layout.bank_segments) else ()
    return PlannedFile(
        path=path,
        bank=place.bank,
        pad_id=place.pad_id,
        pad_number=pad.number,
        clip=place.clip,
        channels=place.channels,
        sample_rate_hz=place.sample_rate_hz,
        bits=device.bits,
        device=device.name,
        est_bytes=WAV_HEAD_BYTES + (SMPL_BYTES if loops else 0) + data_bytes + data_bytes % 2,
        est_frames=frames,
        loop_chunk=loops,
        mono_plays_both_sides=device.mono_plays_both_sides,
        play_mode=clip.recipe.play_mode,
        mute_group=clip.recipe.mute_group,
        segments=served,
    )
