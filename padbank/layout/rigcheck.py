"""Does a rig make sense? Returns everything that is wrong with it at once.

``check_rig`` looks for pads that overlap, notes that two pads would both send,
notes of one channel shared by pads of linked devices, sizes that no hand or
foot could hit, formats that no WAV has, and name patterns that would give two
files one name. Pure: a rig in, findings out.

Codes: ``no-pads``, ``no-devices``, ``pad-number-twice``, ``pad-unknown-device``,
``pads-overlap``, ``pad-small``, ``note-twice``, ``control-pad-missing``,
``controls-clash``, ``control-bank-missing``, ``no-room-for-clips``,
``device-unused``, ``rate-unusual``, ``rate-impossible``, ``bits-impossible``,
``memory-tiny``, ``voices-few``, ``voices-overlap``, ``release-long``, ``pattern-broken``,
``pattern-ambiguous``, ``home-missing``, ``home-far``.
"""

from __future__ import annotations

from itertools import combinations

from padbank.cardnames import pattern_fault, pattern_fields
from padbank.domain import Control, Finding, Pad, Rig, Severity

COMMON_RATES_HZ = (8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000)
"""Rates that sound modules and WAV readers are known to take (common practice, no source)."""

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4000, 192_000
WAV_BITS = (8, 16, 24, 32)

SMALLEST_HAND_MM = 20.0
SMALLEST_FOOT_MM = 50.0
"""Below these a stick or a shoe cannot aim (common practice, no source)."""

OVERLAP_ALLOWED_MM = 0.5
"""A ruler reads no closer; frames that share an edge are not an overlap."""


def check_rig(rig: Rig) -> list[Finding]:
    """Everything that is wrong, doubtful or worth knowing about a rig.

    Returns
    -------
    list of Finding : errors first, then warnings, then notes; empty when all is well.
    """
    found: list[Finding] = []
    if not rig.pads:
        found.append(_finding("no-pads", "error", f"rig {rig.name} has no pads: add a surface"))
    if not rig.devices:
        found.append(_finding("no-devices", "error", f"rig {rig.name} has no device: add one"))
    found += _check_pads(rig)
    found += _check_notes(rig)
    found += _check_controls(rig)
    found += _check_devices(rig)
    found += _check_overlap(rig)
    found += _check_names(rig)
    found += _check_homes(rig)
    order = {"error": 0, "warning": 1, "note": 2}
    return sorted(found, key=lambda finding: order[finding.severity])


# ---------------------------------------------------------------- parts


def _finding(
    code: str,
    severity: Severity,
    text: str,
    where: str = "",
    number: float | None = None,
    limit: float | None = None,
) -> Finding:
    return Finding(
        code=code, severity=severity, text=text, where=where, number=number, limit=limit
    )


def overlap_mm(a: Pad, b: Pad) -> float:
    """How far two pads reach into each other, in mm along the shallower side; 0 if apart."""
    across_mm = (a.w_mm + b.w_mm) / 2 - abs(a.x_mm - b.x_mm)
    down_mm = (a.h_mm + b.h_mm) / 2 - abs(a.y_mm - b.y_mm)
    return max(0.0, min(across_mm, down_mm))


def _check_pads(rig: Rig) -> list[Finding]:
    found = []
    seen: set[str] = set()
    devices = {device.name for device in rig.devices}
    for pad in rig.pads:
        if pad.pad_id in seen:
            text = f"two pads are numbered {pad.pad_id}: give each its own number"
            found.append(_finding("pad-number-twice", "error", text, pad.pad_id))
        seen.add(pad.pad_id)
        if pad.device not in devices:
            text = f"pad {pad.pad_id} belongs to {pad.device!r}, which is no device of the rig"
            found.append(_finding("pad-unknown-device", "error", text, pad.pad_id))
        least_mm = SMALLEST_HAND_MM if pad.limb == "hand" else SMALLEST_FOOT_MM
        side_mm = min(pad.w_mm, pad.h_mm)
        if side_mm < least_mm:
            text = (
                f"pad {pad.pad_id} is {side_mm:g} mm at its narrowest, too small to aim at with "
                f"a {pad.limb}: check its size"
            )
            found.append(_finding("pad-small", "warning", text, pad.pad_id, side_mm, least_mm))
    # Sorted by their left edges, a pad can only overlap those that begin before it ends.
    by_left = sorted(rig.pads, key=lambda pad: pad.x_mm - pad.w_mm / 2)
    for index, pad in enumerate(by_left):
        right_mm = pad.x_mm + pad.w_mm / 2
        for other in by_left[index + 1 :]:
            if other.x_mm - other.w_mm / 2 >= right_mm:
                break
            depth_mm = overlap_mm(pad, other)
            if depth_mm > OVERLAP_ALLOWED_MM:
                first, second = sorted((pad.pad_id, other.pad_id))
                text = (
                    f"pads {first} and {second} overlap by {depth_mm:.1f} mm: "
                    "measure their middles and sizes again"
                )
                found.append(
                    _finding("pads-overlap", "error", text, first, depth_mm, OVERLAP_ALLOWED_MM)
                )
    return found


def _check_notes(rig: Rig) -> list[Finding]:
    """Pads of linked devices share the sixteen channels, so a note counts per channel."""
    found = []
    by_note: dict[tuple[int, int], list[Pad]] = {}
    for pad in rig.pads:
        if pad.note is not None:
            by_note.setdefault((pad.channel or 1, pad.note), []).append(pad)
    for (channel, note), pads in sorted(by_note.items()):
        if len(pads) > 1:
            listed = " and ".join(pad.pad_id for pad in pads)
            text = f"{listed} all send note {note} on channel {channel}: give each its own"
            if len(pads) == 2:
                text = text.replace(" all send", " both send")
            found.append(_finding("note-twice", "error", text, pads[0].pad_id, note))
    own = {pad.pad_id: (pad.channel or 1, pad.note) for pad in rig.pads}
    meant: dict[tuple[int, int], str] = {}
    for control in rig.controls:
        if control.note is None:
            continue
        channel = control.channel or (own.get(control.pad_id or "", (1, None))[0])
        clash = [
            pad.pad_id
            for pad in by_note.get((channel, control.note), [])
            if pad.pad_id != control.pad_id
        ]
        if clash:
            text = (
                f"control hit {control.label!r} sends note {control.note} on channel {channel}, "
                f"which {' and '.join(clash)} sends too: give one of them another note"
            )
            found.append(_finding("note-twice", "error", text, control.label, control.note))
        other = meant.setdefault((channel, control.note), control.label)
        if other != control.label:
            text = (
                f"control hits {other!r} and {control.label!r} both send note {control.note} "
                f"on channel {channel}: give each its own"
            )
            found.append(_finding("note-twice", "error", text, control.label, control.note))
    return found


def _banks_of(control: Control, rig: Rig) -> set[int]:
    return set(control.banks) if control.banks is not None else set(range(1, rig.banks + 1))


def _check_controls(rig: Rig) -> list[Finding]:
    found = []
    pads = {pad.pad_id for pad in rig.pads}
    for control in rig.controls:
        if control.pad_id is not None and control.pad_id not in pads:
            text = f"control hit {control.label!r} is on {control.pad_id}, which is no pad of the rig"
            found.append(_finding("control-pad-missing", "error", text, control.label))
        for bank in sorted(_banks_of(control, rig)):
            if not 1 <= bank <= rig.banks:
                text = f"control hit {control.label!r} names bank {bank}: the rig has {rig.banks}"
                found.append(
                    _finding("control-bank-missing", "error", text, control.label, bank, rig.banks)
                )
    for a, b in combinations([c for c in rig.controls if c.pad_id is not None], 2):
        if a.pad_id == b.pad_id and (shared := _banks_of(a, rig) & _banks_of(b, rig)):
            text = (
                f"control hits {a.label!r} and {b.label!r} both take {a.pad_id} "
                f"in bank {min(shared)}: move one of them"
            )
            found.append(_finding("controls-clash", "error", text, a.pad_id or ""))
    for bank in range(1, rig.banks + 1):
        free = sum(c.pad_id is None and bank in _banks_of(c, rig) for c in rig.controls)
        taken = len(rig.controls_in(bank)) + free
        if rig.pads and taken >= len(pads):
            text = f"bank {bank} has {len(pads)} pads and {taken} control hits: no clip fits"
            severity: Severity = "error" if taken > len(pads) else "warning"
            found.append(
                _finding("no-room-for-clips", severity, text, f"bank {bank}", taken, len(pads))
            )
    return found


SHORT_ALONE_S = 5.0
"""A rig that takes no one-shot as long as this is likelier described wrongly than meant so; common practice, no source."""


def _check_overlap(rig: Rig) -> list[Finding]:
    """Devices whose voices a single clip of common length would use up by itself."""
    found = []
    for device in rig.devices:
        alone_s = device.voices * rig.min_rehit_s
        if device.same_pad_again == "overlap" and 0 < alone_s < SHORT_ALONE_S:
            text = (
                f"device {device.name}: a hit on a sounding pad is counted with voices of its own (same_pad_again = \"overlap\"), "
                f"so no one-shot longer than {alone_s:.3g} s can be placed on its {device.voices} voices: write "
                'same_pad_again = "self-cut" if a new hit stops the old sound, or raise min_rehit_s '
                f"({rig.min_rehit_s:g} s) if no pad is hit that fast"
            )
            found.append(_finding("voices-overlap", "warning", text, f"device {device.name}", alone_s, SHORT_ALONE_S))
    return found


def _check_devices(rig: Rig) -> list[Finding]:
    found = []
    used = {pad.device for pad in rig.pads}
    for device in rig.devices:
        where = device.name
        if device.name not in used:
            text = f"no pad belongs to device {device.name!r}: take it out, or name it in a surface"
            found.append(_finding("device-unused", "warning", text, where))
        for rate_hz in device.sample_rates_hz:
            if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
                text = (
                    f"device {device.name!r} has a rate of {rate_hz} Hz: use one from "
                    f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ}, such as 44100"
                )
                found.append(_finding("rate-impossible", "error", text, where, rate_hz))
            elif rate_hz not in COMMON_RATES_HZ:
                text = f"device {device.name!r} has a rate of {rate_hz} Hz: check it, few take it"
                found.append(_finding("rate-unusual", "warning", text, where, rate_hz))
        if device.bits not in WAV_BITS:
            text = (
                f"device {device.name!r} takes {device.bits} bits: a plain WAV has "
                + ", ".join(map(str, WAV_BITS))
            )
            found.append(_finding("bits-impossible", "error", text, where, device.bits))
        lowest_hz = min(device.sample_rates_hz, default=44100)
        second_bytes = lowest_hz * max(1, device.bits // 8)
        if device.memory_bytes < second_bytes:
            text = (
                f"device {device.name!r} holds {device.memory_bytes} bytes, less than a second of "
                "sound: check the unit"
            )
            found.append(
                _finding("memory-tiny", "error", text, where, device.memory_bytes, second_bytes)
            )
        if device.voices < device.voices_per_stereo:
            text = f"device {device.name!r} has too few voices for one stereo clip"
            found.append(
                _finding(
                    "voices-few", "warning", text, where, device.voices, device.voices_per_stereo
                )
            )
        if device.release_s > 2:
            text = f"device {device.name!r} fades for {device.release_s:g} s after a gate: check it"
            found.append(_finding("release-long", "note", text, where, device.release_s, 2))
    return found


def _check_names(rig: Rig) -> list[Finding]:
    found = []
    fields: dict[str, list[str]] = {}
    for what, pattern in (("bank_folder", rig.names.bank_folder), ("file", rig.names.file)):
        fault = pattern_fault(pattern)
        if fault is None and what == "file" and not pattern.lower().endswith(".wav"):
            fault = f"{pattern!r} does not end in .wav: add it"
        if fault is None:
            fields[what] = [field for _, field, _ in pattern_fields(pattern) if field]
        else:
            found.append(_finding("pattern-broken", "error", f"names.{what}: {fault}", f"names.{what}"))
    if len(fields) < 2:
        return found
    both = fields["bank_folder"] + fields["file"]
    if rig.banks > 1 and "bank" not in both:
        text = "the names do not say the bank, so files of two banks would share one: add {bank}"
        found.append(_finding("pattern-ambiguous", "error", text, "names"))
    if "pad" not in both:
        text = "the names do not say the pad, so one clip on two pads has one file: add {pad}"
        found.append(_finding("pattern-ambiguous", "warning", text, "names"))
    elif "surface" not in both:
        by_file: dict[tuple[int, str], list[str]] = {}
        for pad in rig.pads:
            device = pad.device if "device" in both else ""
            by_file.setdefault((pad.number, device), []).append(pad.pad_id)
        twice = next((pads for pads in by_file.values() if len(pads) > 1), None)
        if twice:
            text = (
                f"pads {' and '.join(twice)} have the same number, and the names do not say the "
                "surface: add {surface}"
            )
            found.append(_finding("pattern-ambiguous", "error", text, "names"))
    return found


def _check_homes(rig: Rig) -> list[Finding]:
    found = []
    homes = {home.limb for home in rig.homes}
    for limb in dict.fromkeys(pad.limb for pad in rig.pads):
        if limb not in homes:
            text = f"the rig does not say where the {limb} rests: add it under [[homes]]"
            found.append(_finding("home-missing", "warning", text, limb))
    for home in rig.homes:
        mine = [pad for pad in rig.pads if pad.limb == home.limb]
        if not mine:
            text = f"a {home.limb} rests on the plot, but the rig has no pad for it"
            found.append(_finding("home-far", "note", text, home.limb))
            continue
        nearest_mm = min(
            ((pad.x_mm - home.x_mm) ** 2 + (pad.y_mm - home.y_mm) ** 2) ** 0.5 for pad in mine
        )
        if nearest_mm > 1000:
            text = f"the {home.limb} rests {nearest_mm:.0f} mm from its nearest pad: check its place"
            found.append(_finding("home-far", "warning", text, home.limb, nearest_mm, 1000))
    return found
