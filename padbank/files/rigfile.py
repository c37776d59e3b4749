"""Reading a rig: the hardware as a TOML file that a person can write with a ruler.

A rig file says how many banks there are, where each pad lies (the middle of the
pad, in millimetres from any fixed corner, y towards the player), what each
sound module holds, and how its files want to be named::

    name = "my-rig"
    title = "Eight pads and a pedal"
    banks = 4

    [[devices]]
    name = "module"
    memory = "64 MB"
    voices = 16

    [[surfaces]]
    name = "deck"
    device = "module"
    grid = { rows = 2, columns = 4, pitch_x_mm = 90, pitch_y_mm = 90, w_mm = 80, h_mm = 80 }

    [[surfaces]]
    name = "feet"
    limb = "foot"
    device = "module"
    pads = [ { number = 1, x_mm = 135, y_mm = 500, w_mm = 90, h_mm = 60, note = 60 } ]

Functions: ``load_rig``, ``rig_from_toml``, ``shipped_rigs``, ``default_homes``. What is possible
but unwise or clashing is found by ``padbank.layout.rigcheck.check_rig``.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Literal

from padbank.domain import Control, Device, Home, Limb, NameRules, OverLap, Pad, Rig, WhenFull
from padbank.files.tomlread import Table, open_document, read_text

TOP_KEYS = ("name", "title", "banks", "bank_switch_s", "min_rehit_s", "notes")

MOST_BANKS = 1000
MOST_PADS = 2000
LARGEST_MM = 20_000.0

_Corner = Literal["top-left", "bottom-left", "top-right", "bottom-right"]


def load_rig(path: Path | str) -> Rig:
    """Read a rig file.

    Raises
    ------
    ConfigError : lists every fault of the file with its line.
    """
    return rig_from_toml(read_text(path, "rig"), path)


def rig_from_toml(text: str, path: Path | str | None = None) -> Rig:
    """Make a rig from the text of its file; ``path`` is for the errors only."""
    top = open_document(text, path, TOP_KEYS)
    name = top.name("name", example="my-rig")
    title = top.text("title", name)
    banks = top.whole("banks", ..., 1, MOST_BANKS)
    bank_switch_s = top.number("bank_switch_s", 0.5, 0, 60)
    min_rehit_s = top.number("min_rehit_s", 0.1, 0.005, 10)
    notes = top.text("notes", "")
    devices = _devices(top)
    device_names = [device.name for device in devices] or ["main"]
    pads: list[Pad] = []
    for surface in top.tables("surfaces", needed=True):
        pads += _surface(surface, device_names, {pad.pad_id for pad in pads})
    if top.has("surfaces") and not pads and not top.faults.found:
        top.fault("no surface has a pad: give one a grid, or [[surfaces.pads]]", "surfaces")
    controls = _controls(top, {pad.pad_id for pad in pads}, banks)
    names = _names(top.table("names"))
    homes = _homes(top) or default_homes(pads)
    top.finish()
    top.faults.stop_if_any()
    return Rig(
        name=name,
        title=title,
        banks=banks,
        pads=tuple(pads),
        devices=tuple(devices),
        names=names,
        controls=controls,
        homes=homes,
        bank_switch_s=bank_switch_s,
        min_rehit_s=min_rehit_s,
        notes=notes,
    )


def shipped_rigs() -> tuple[Path, ...]:
    """The rig files that come with padbank, as examples to copy; by name."""
    folder = Path(str(files("padbank") / "rigs"))
    return tuple(sorted(folder.glob("*.toml")))


def default_homes(pads: list[Pad] | tuple[Pad, ...]) -> tuple[Home, ...]:
    """Where hands and feet rest when the rig does not say.

    Hands: one over each half of the hand pads (at a quarter and three quarters
    of their width, half-way down). Feet: one foot in the middle of the pedals.
    Common practice, no source.
    """
    homes = []
    for limb, shares in (("hand", (0.25, 0.75)), ("foot", (0.5,))):
        mine = [pad for pad in pads if pad.limb == limb]
        if not mine:
            continue
        left_mm = min(pad.x_mm - pad.w_mm / 2 for pad in mine)
        right_mm = max(pad.x_mm + pad.w_mm / 2 for pad in mine)
        top_mm = min(pad.y_mm - pad.h_mm / 2 for pad in mine)
        low_mm = max(pad.y_mm + pad.h_mm / 2 for pad in mine)
        for share in shares:
            homes.append(
                Home(
                    limb="hand" if limb == "hand" else "foot",
                    x_mm=round(left_mm + share * (right_mm - left_mm), 3),
                    y_mm=round((top_mm + low_mm) / 2, 3),
                )
            )
    return tuple(homes)


# ---------------------------------------------------------------- parts


def _devices(top: Table) -> list[Device]:
    devices: list[Device] = []
    for each in top.tables("devices", needed=True):
        name = each.name("name", "main", "module")
        device = each.build(
            Device,
            name=name,
            memory_bytes=each.size("memory"),
            voices=each.whole("voices", ..., 1, 4096),
            voices_per_stereo=each.whole("voices_per_stereo", 2, 1, 2),
            sample_rates_hz=each.wholes("sample_rates_hz", (44100,), 1, 1_000_000),
            bits=each.whole("bits", 16, 1, 64),
            max_channels=each.whole("max_channels", 2, 1, 2),
            max_clip_s=each.number("max_clip_s", None, 0.01, 86_400),
            max_clip_bytes=each.size("max_clip", None),
            same_pad_again=each.choice("same_pad_again", OverLap, "overlap"),
            when_full=each.choice("when_full", WhenFull, "oldest"),
            release_s=each.number("release_s", 0.01, 0, 10),
            loop_chunk=each.yes("loop_chunk"),
            mono_plays_both_sides=each.yes("mono_plays_both_sides", True),
        )
        each.finish()
        if name in [other.name for other in devices]:
            each.fault(f"there are two devices {name!r}: give each its own name", "name")
        elif device is not None:
            devices.append(device)
    return devices


def _surface(table: Table, devices: list[str], taken: set[str]) -> list[Pad]:
    name = table.name("name", example="deck")
    limb = table.choice("limb", Limb, "hand")
    device = _device_of(table, devices, devices[0] if len(devices) == 1 else ...)
    channel = table.whole("channel", None, 1, 16)
    max_clip_s = table.number("max_clip_s", None, 0.01, 86_400)
    max_clip_bytes = table.size("max_clip", None)
    pads: list[Pad] = []
    common = (name, limb, channel, max_clip_s, max_clip_bytes)
    if table.has("grid"):
        pads += _grid(table.table("grid"), common, device)
    else:
        table.table("grid")
    for each in table.tables("pads"):
        number = each.whole("number", ..., 0, 9999)
        pads.append(
            Pad(
                surface=name,
                number=number,
                x_mm=each.number("x_mm", ..., -LARGEST_MM, LARGEST_MM),
                y_mm=each.number("y_mm", ..., -LARGEST_MM, LARGEST_MM),
                w_mm=each.number("w_mm", ..., 5, 2000),
                h_mm=each.number("h_mm", ..., 5, 2000),
                limb=each.choice("limb", Limb, limb),
                note=each.whole("note", None, 0, 127),
                channel=each.whole("channel", channel, 1, 16),
                device=_device_of(each, devices, device),
                max_clip_s=each.number("max_clip_s", max_clip_s, 0.01, 86_400),
                max_clip_bytes=each.size("max_clip", max_clip_bytes),
            )
        )
        each.finish()
        if pads[-1].pad_id in taken or pads[-1].pad_id in [pad.pad_id for pad in pads[:-1]]:
            each.fault(f"there are two pads {pads[-1].pad_id}: number them differently", "number")
    if not pads and not table.has("grid"):
        table.fault("this surface has no pads: give it a grid, or [[surfaces.pads]]")
    if any(pad.pad_id in taken for pad in pads):
        table.fault(f"there are two surfaces {name!r}: give each its own name", "name")
    table.finish()
    return pads


def _device_of(table: Table, devices: list[str], default: object) -> str:
    before = len(table.faults.found)
    device = table.name("device", default, devices[0])
    if len(table.faults.found) == before and device not in devices:
        table.fault(f"there is no device {device!r}: the rig has {', '.join(devices)}", "device")
    return device


def _grid(
    table: Table, common: tuple[str, Limb, int | None, float | None, int | None], device: str
) -> list[Pad]:
    surface, limb, channel, max_clip_s, max_clip_bytes = common
    rows, columns = table.whole("rows", ..., 1, 100), table.whole("columns", ..., 1, 100)
    w_mm, h_mm = table.number("w_mm", ..., 5, 2000), table.number("h_mm", ..., 5, 2000)
    pitch_x_mm = table.number("pitch_x_mm", w_mm, 5, 4000)
    pitch_y_mm = table.number("pitch_y_mm", h_mm, 5, 4000)
    x_mm = table.number("x_mm", w_mm / 2, -LARGEST_MM, LARGEST_MM)
    y_mm = table.number("y_mm", h_mm / 2, -LARGEST_MM, LARGEST_MM)
    first_number = table.whole("first_number", 1, 0, 9999)
    first_note: int | None = table.whole("first_note", None, 0, 127)
    first_at = table.choice("first_at", _Corner, "top-left")
    table.finish()
    if rows * columns > MOST_PADS:
        table.fault(f"{rows} × {columns} pads are more than {MOST_PADS}: check rows and columns")
        return []
    if first_note is not None and first_note + rows * columns - 1 > 127:
        table.fault(
            f"{rows * columns} pads from note {first_note} run past note 127: start lower",
            "first_note",
        )
        first_note = None
    pads = []
    for index in range(rows * columns):
        row, column = divmod(index, columns)
        if first_at.startswith("bottom"):
            row = rows - 1 - row
        if first_at.endswith("right"):
            column = columns - 1 - column
        pads.append(
            Pad(
                surface=surface,
                number=first_number + index,
                x_mm=x_mm + column * pitch_x_mm,
                y_mm=y_mm + row * pitch_y_mm,
                w_mm=w_mm,
                h_mm=h_mm,
                limb=limb,
                note=None if first_note is None else first_note + index,
                channel=channel,
                device=device,
                max_clip_s=max_clip_s,
                max_clip_bytes=max_clip_bytes,
            )
        )
    return pads


def _controls(top: Table, pad_ids: set[str], banks: int) -> tuple[Control, ...]:
    controls = []
    taken: dict[tuple[str, int], str] = {}
    for each in top.tables("controls"):
        label = each.text("label", example="Tuner")
        pad_id = each.text("pad", None) or None
        in_banks = each.wholes("banks", None, 1, banks)
        control = each.build(
            Control,
            label=label,
            pad_id=pad_id,
            banks=in_banks,
            note=each.whole("note", None, 0, 127),
            channel=each.whole("channel", None, 1, 16),
        )
        each.finish()
        if pad_id is not None and pad_ids and pad_id not in pad_ids:
            each.fault(
                f"there is no pad {pad_id!r}: write surface/number, such as {min(pad_ids)!r}", "pad"
            )
        elif pad_id is not None:
            for bank in in_banks or range(1, banks + 1):
                other = taken.setdefault((pad_id, bank), label)
                if other is not label:
                    each.fault(
                        f"{label!r} and {other!r} both take pad {pad_id} in bank {bank}: "
                        "move one of them",
                        "pad",
                    )
                    break
        if control is not None:
            controls.append(control)
    return tuple(controls)


def _names(table: Table) -> NameRules:
    plain = NameRules()
    rules = NameRules(
        bank_folder=table.text("bank_folder", plain.bank_folder),
        file=table.text("file", plain.file),
        max_name_chars=table.whole("max_name_chars", plain.max_name_chars, 5, 255),
        max_files_per_folder=table.whole(
            "max_files_per_folder", plain.max_files_per_folder, 1, 8_388_608
        ),
        upper_case=table.yes("upper_case", plain.upper_case),
        card_bytes=table.size("card", None),
    )
    table.finish()
    return rules


def _homes(top: Table) -> tuple[Home, ...]:
    homes = []
    for each in top.tables("homes"):
        homes.append(
            Home(
                limb=each.choice("limb", Limb, "hand"),
                x_mm=each.number("x_mm", ..., -LARGEST_MM, LARGEST_MM),
                y_mm=each.number("y_mm", ..., -LARGEST_MM, LARGEST_MM),
            )
        )
        each.finish()
    return tuple(homes)
