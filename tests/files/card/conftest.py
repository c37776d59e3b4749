"""A small invented show in two forms, its sounds made by the standard library, and file steps that break."""

from __future__ import annotations

import errno
import io
import math
import os
import struct
import wave
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import pytest

from padbank.domain import ControlPlace, Device, ExportPlan, NameRules, Pad, PlannedFile, Rig
from padbank.files.card import RenderedFile, WriteResult, write_set
from padbank.files.fileops import FileOps

RATE_HZ = 8_000
RIG = Rig(
    name="quay",
    title="Quay",
    banks=3,
    pads=tuple(
        Pad(surface="front", number=n, x_mm=60.0 * n, y_mm=0, w_mm=50, h_mm=50) for n in range(1, 7)
    ),
    devices=(
        Device(
            name="main",
            memory_bytes=1_000_000,
            voices=8,
            sample_rates_hz=(RATE_HZ,),
            max_clip_s=4.0,
        ),
    ),
    names=NameRules(max_name_chars=40, card_bytes=50_000_000),
)


@cache
def tone(
    frequency_hz: float,
    *,
    seconds: float = 0.05,
    peak: float = 0.25,
    rate_hz: int = RATE_HZ,
    channels: int = 1,
    bits: int = 16,
) -> bytes:
    """A WAV by the standard library's ``wave``: a sine, the same in every channel."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(bits // 8)
        file.setframerate(rate_hz)
        scale = peak * (2 ** (bits - 1) - 1)
        frames = bytearray()
        for i in range(round(seconds * rate_hz)):
            value = round(scale * math.sin(2 * math.pi * frequency_hz * i / rate_hz))
            frames += struct.pack("<i", value)[: bits // 8] * channels
        file.writeframes(bytes(frames))
    return out.getvalue()


def planned(bank: int, number: int, clip: str, folder: str, **more) -> PlannedFile:
    return PlannedFile(
        path=f"{bank:02d}_{folder}/{number:02d}_{clip}.wav",
        bank=bank,
        pad_id=f"front/{number}",
        pad_number=number,
        clip=clip,
        channels=1,
        sample_rate_hz=RATE_HZ,
        bits=16,
        device="main",
        est_bytes=844,
        est_frames=400,
        **more,
    )


def make_plan(number: int, files: list[PlannedFile], rig: Rig = RIG) -> ExportPlan:
    return ExportPlan(
        show="harbour-night",
        rig=rig,
        folder="harbour-night",
        files=tuple(files),
        controls=(ControlPlace(bank=1, pad_id="front/6", label="next slide"),),
        bank_segments=(("opening",), ("talk",)),
        layout_number=number,
        title="Harbour night",
    )


@dataclass
class Scene:
    """Plans, sounds and a folder; counts what is rendered."""

    folder: Path
    frequencies: dict[str, float] = field(default_factory=dict)
    rendered: list[str] = field(default_factory=list)
    sheet: bytes = b"%PDF sheet one"

    def render(self, file: PlannedFile) -> RenderedFile:
        self.rendered.append(file.clip)
        return RenderedFile(
            data=tone(self.frequencies.get(file.clip, 300.0 + sum(map(ord, file.clip)) % 500)),
            role="phrase",
            target_lufs=-16.0,
            ceiling_dbtp=-1.0,
            level_lufs=-16.0,
            true_peak_dbtp=-12.0,
        )

    def write(self, plan: ExportPlan, ops: FileOps | None = None, **more) -> WriteResult:
        return write_set(
            plan,
            self.render,
            self.folder,
            extra_files={"pads.pdf": self.sheet},
            ops=ops or BrokenOps(),
            **more,
        )

    @property
    def set_folder(self) -> Path:
        return self.folder / "harbour-night"

    def listing(self, folder: Path | None = None) -> dict[str, bytes]:
        """Every file below the set's folder with its bytes."""
        folder = folder or self.set_folder
        return {
            p.relative_to(folder).as_posix(): p.read_bytes()
            for p in sorted(folder.rglob("*"))
            if p.is_file()
        }


OLD_FILES = [
    planned(1, 1, "foghorn", "opening"),
    planned(1, 2, "bell", "opening"),
    planned(1, 3, "winch", "opening"),
    planned(2, 1, "foghorn", "talk"),
    planned(2, 2, "gull", "talk"),
]
NEW_FILES = [
    planned(1, 1, "foghorn", "opening"),  # stays
    planned(1, 4, "bell", "opening"),  # another number
    planned(1, 3, "winch", "opening"),  # another sound under the same name
    planned(2, 1, "foghorn", "farewell"),  # another folder
    planned(2, 5, "rope", "farewell"),  # new; gull is gone
]
OLD_PLAN, NEW_PLAN = make_plan(1, OLD_FILES), make_plan(2, NEW_FILES)


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene(folder=tmp_path / "card")


@pytest.fixture
def old_plan() -> ExportPlan:
    return OLD_PLAN


@pytest.fixture
def new_plan() -> ExportPlan:
    return NEW_PLAN


@pytest.fixture
def make_planned() -> Callable[..., PlannedFile]:
    return planned


@pytest.fixture
def plan_of() -> Callable[..., ExportPlan]:
    return make_plan


@pytest.fixture
def make_tone() -> Callable[..., bytes]:
    return tone


class Killed(BaseException):
    """The program ended at this step."""


class BrokenOps(FileOps):
    """File steps of which one goes wrong.

    ``kill``: the program ends before step ``at`` (a write leaves half its
    bytes) and nothing is done after it. ``kill-after``: it ends right after.
    ``fail``: the step answers with an error once. ``dead``: it and all later
    ones do (a card pulled out). ``held``: from then on every rename and
    removal is denied, as when another program has the files open.
    """

    waits_s = (0.0, 0.0)

    def __init__(self, mode: str = "", at: int = -1) -> None:
        self.mode, self.at, self.count, self.over = mode, at, 0, False
        self.names: list[str] = []

    def sleep(self, time_s: float) -> None:
        pass

    def step(self, what, path, act):
        if self.over:
            raise Killed
        index, self.count = self.count, self.count + 1
        self.names.append(what)
        if self.mode == "kill" and index == self.at:
            self.over = True
            if what == "write":
                act()  # into the buffer only: cut the file to half below
                os.truncate(path, path.stat().st_size // 2)
            raise Killed
        if self.mode == "fail" and index == self.at:
            raise OSError(errno.EIO, "Input/output error", str(path))
        if self.mode == "dead" and index >= self.at:
            raise OSError(errno.EIO, "Input/output error", str(path))
        if (
            self.mode == "held"
            and index >= self.at
            and what in ("rename", "unlink", "remove folder")
        ):
            raise PermissionError(errno.EACCES, "in use by another program", str(path))
        done = act() if what not in ("sync", "sync folder") else None  # a disk's own sync is slow
        if self.mode == "kill-after" and index == self.at:
            self.over = True
            if what == "create":
                done.close()
            raise Killed
        return done


@pytest.fixture
def broken() -> type[BrokenOps]:
    return BrokenOps


@pytest.fixture
def killed() -> type[BaseException]:
    return Killed


@pytest.fixture
def changed_file() -> Callable[..., PlannedFile]:
    return replace
