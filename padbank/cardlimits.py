"""What a rig can hold, checked against sizes: pure rules for planning, writing and verifying.

Answers: which limits of pads, devices and cards does this set of files break.
Planning asks with expected sizes, writing and verifying with those of the files
themselves.

Conventions: memory is bytes of sample data, each distinct (clip, channels,
rate, bits) of a device once; card room is whole files, every copy, each in
whole clusters.

Functions: ``limit_findings``, ``memory_bytes``, ``card_room_bytes``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from padbank.cardnames import MAX_FILE_BYTES
from padbank.domain import Device, Finding, NameRules, Rig
from padbank.units import format_bytes, format_seconds

CLUSTER_BYTES = 32_768
"""Usual allocation unit of FAT32 cards up to 32 GB (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PadLimits:
    """What one pad takes."""

    pad_id: str
    number: int
    device: str
    max_clip_s: float | None = None
    max_clip_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetLimits:
    """The part of a rig that a set must keep to; it travels with the set."""

    banks: int
    devices: tuple[Device, ...]
    pads: tuple[PadLimits, ...]
    names: NameRules

    @classmethod
    def of(cls, rig: Rig) -> SetLimits:
        pads = tuple(
            PadLimits(
                pad_id=p.pad_id,
                number=p.number,
                device=p.device,
                max_clip_s=p.max_clip_s,
                max_clip_bytes=p.max_clip_bytes,
            )
            for p in rig.pads
        )
        return cls(banks=rig.banks, devices=rig.devices, pads=pads, names=rig.names)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSize:
    """One file's place and size, expected or as it is."""

    path: str
    bank: int
    pad_id: str
    clip: str
    device: str
    channels: int
    sample_rate_hz: int
    bits: int
    frames: int
    n_bytes: int

    @property
    def data_bytes(self) -> int:
        return self.frames * self.channels * self.bits // 8

    @property
    def version(self) -> tuple[str, int, int, int]:
        return (self.clip, self.channels, self.sample_rate_hz, self.bits)


def memory_bytes(files: Sequence[StoredSize], device: str) -> int:
    """Sample data on one device, each distinct version of a clip once."""
    sizes: dict[tuple[str, int, int, int], int] = {}
    for file in files:
        if file.device == device:
            sizes[file.version] = max(file.data_bytes, sizes.get(file.version, 0))
    return sum(sizes.values())


def in_clusters(n_bytes: int, cluster_bytes: int = CLUSTER_BYTES) -> int:
    """Room that a file of this size takes on a card.

    >>> in_clusters(1), in_clusters(32_768), in_clusters(32_769)
    (32768, 32768, 65536)
    """
    return -(-n_bytes // cluster_bytes) * cluster_bytes


def card_room_bytes(
    files: Sequence[StoredSize],
    extra_bytes: Sequence[int] = (),
    cluster_bytes: int = CLUSTER_BYTES,
) -> int:
    """Room that a set takes on one card: its files, its other files, its folders."""
    folders = {f.path.rpartition("/")[0] for f in files} | {""}
    sizes = [f.n_bytes for f in files] + list(extra_bytes)
    return sum(in_clusters(n, cluster_bytes) for n in sizes) + cluster_bytes * len(folders)


def limit_findings(
    files: Sequence[StoredSize], limits: SetLimits, extra_bytes: Sequence[int] = ()
) -> list[Finding]:
    """Every limit that these files break, all of severity ``error``.

    Codes, those of the planner where it knows the limit too: ``no-such-place``,
    ``clip-empty``, ``device-format``, ``pad-limit``, ``file-too-large``,
    ``memory``, ``card-room``.
    """
    pads = {p.pad_id: p for p in limits.pads}
    devices = {d.name: d for d in limits.devices}
    findings = []
    for file in files:
        pad, device = pads.get(file.pad_id), devices.get(file.device)
        if pad is None or device is None or not 1 <= file.bank <= limits.banks:
            where = f"bank {file.bank} pad {file.pad_id}"
            findings.append(
                _error(
                    "no-such-place",
                    f"{where}: the rig has no such place on {file.device}; plan the show again",
                    where,
                )
            )
        else:
            findings += _file_findings(file, pad, device)
    for device in limits.devices:
        findings += _total_findings(files, device, limits.names.card_bytes, extra_bytes)
    return findings


def _error(
    code: str, text: str, where: str, number: float | None = None, limit: float | None = None
) -> Finding:
    return Finding(code=code, severity="error", text=text, where=where, number=number, limit=limit)


def _file_findings(file: StoredSize, pad: PadLimits, device: Device) -> list[Finding]:
    findings = []
    where = f"bank {file.bank} pad {file.pad_id}"
    what = f"{where}: {file.clip}"

    def add(code: str, text: str, number: float, limit: float | None = None) -> None:
        findings.append(_error(code, f"{what} {text}", where, number, limit))

    if file.frames <= 0:
        add("clip-empty", "has no sound left after its trim; edit the clip", 0, 1)
    if file.sample_rate_hz not in device.sample_rates_hz:
        rates = ", ".join(map(str, device.sample_rates_hz))
        add(
            "device-format",
            f"is {file.sample_rate_hz} Hz and {device.name} plays {rates} Hz; plan the show again",
            file.sample_rate_hz,
        )
    if file.bits != device.bits:
        add(
            "device-format",
            f"has {file.bits} bits and {device.name} plays {device.bits}; export the show again",
            file.bits,
            device.bits,
        )
    if not 1 <= file.channels <= device.max_channels:
        add(
            "device-format",
            f"has {file.channels} channels and {device.name} plays {device.max_channels}; "
            "plan the show again",
            file.channels,
            device.max_channels,
        )
    length_s = file.frames / file.sample_rate_hz
    longest = [limit for limit in (pad.max_clip_s, device.max_clip_s) if limit is not None]
    if longest and length_s > min(longest):
        add(
            "pad-limit",
            f"is {format_seconds(length_s)} long and the pad takes "
            f"{format_seconds(min(longest))}; trim the clip or move it",
            length_s,
            min(longest),
        )
    largest = [limit for limit in (pad.max_clip_bytes, device.max_clip_bytes) if limit is not None]
    if largest and file.data_bytes > min(largest):
        add(
            "pad-limit",
            f"takes {format_bytes(file.data_bytes)} and the pad takes {format_bytes(min(largest))}; "
            "trim the clip, store it in mono or move it",
            file.data_bytes,
            min(largest),
        )
    if file.n_bytes > MAX_FILE_BYTES:
        add(
            "file-too-large",
            f"is {format_bytes(file.n_bytes)} and a card file holds 4.3 GB; trim the clip",
            file.n_bytes,
            MAX_FILE_BYTES,
        )
    return findings


def _total_findings(
    files: Sequence[StoredSize], device: Device, card_bytes: int | None, extra_bytes: Sequence[int]
) -> list[Finding]:
    findings = []
    own = [f for f in files if f.device == device.name]
    used = memory_bytes(own, device.name)
    if used > device.memory_bytes:
        findings.append(
            _error(
                "memory",
                f"the clips on {device.name} take {format_bytes(used)} of memory and it has "
                f"{format_bytes(device.memory_bytes)}; leave clips out or store some in mono",
                device.name,
                used,
                device.memory_bytes,
            )
        )
    room = card_room_bytes(own, extra_bytes)
    if own and card_bytes is not None and room > card_bytes:
        findings.append(
            _error(
                "card-room",
                f"the files for {device.name} take {format_bytes(room)} on the card and it "
                f"holds {format_bytes(card_bytes)}; leave clips out or use a larger card",
                device.name,
                room,
                card_bytes,
            )
        )
    return findings
