"""Taking in by groups: one bad file, a dead worker or another run never costs what others brought."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.errors import StoreError
from padbank.store.library import Library
from padbank.workflow.health import check_library
from padbank.workflow.incoming import clear_leftovers, find_leftovers, incoming_folder
from padbank.workflow.ingest import IngestJob
from padbank.workflow.intake import take_in

RATE_HZ = 44100


def write(path: Path, frequency_hz: float) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    time_s = np.arange(RATE_HZ // 4) / RATE_HZ
    soundfile.write(path, 0.3 * np.sin(2 * np.pi * frequency_hz * time_s) * np.exp(-8 * time_s), RATE_HZ)
    return path


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "library") as opened:
        yield opened


@dataclass(frozen=True, slots=True, kw_only=True)
class Fatal(IngestJob):
    """Ends the process that receives it, as a decoder does that runs wild."""

    def __reduce__(self) -> tuple[object, tuple[int]]:
        return os._exit, (7,)


def test_a_file_that_kills_its_worker_is_refused_and_the_rest_is_taken(library: Library, tmp_path: Path) -> None:
    jobs = [IngestJob(path=str(write(tmp_path / f"c{i:02d}.wav", 200 + 30 * i))) for i in range(40)]
    jobs[21] = Fatal(path=str(tmp_path / "fatal.wav"))
    seen: list[int] = []
    report = take_in(library, jobs, workers=2, progress=lambda done, total, label: seen.append(done))
    assert [a.clip for a in report.added] == [f"c{i:02d}" for i in range(40) if i != 21]
    assert len(report.refused) == 1 and "makes the decoder crash" in report.refused[0].reason
    assert seen == [*range(1, 41), 40]
    assert not [f for f in check_library(library) if f.code != "rights-unknown"]


def test_the_folder_of_a_living_run_is_left_alone_and_a_dead_ones_is_cleared(tmp_path: Path) -> None:
    originals = tmp_path / "originals"
    dead = originals / "incoming" / "dead"
    dead.mkdir(parents=True)
    (dead / "half.wav").write_bytes(b"RIFF")
    dead.with_suffix(".lock").write_bytes(b"")
    (originals / "incoming" / "older-half").write_bytes(b"RIFF")
    with incoming_folder(originals) as living:
        (living / "whole.wav").write_bytes(b"RIFF")
        assert [p.name for p in find_leftovers(originals)] == ["dead", "older-half"]
        clear_leftovers(originals)
        assert find_leftovers(originals) == [] and (living / "whole.wav").exists()
    assert list((originals / "incoming").iterdir()) == []


def test_a_group_that_cannot_be_written_down_leaves_nothing_half_done(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs = [IngestJob(path=str(write(tmp_path / f"c{i}.wav", 200 + 30 * i))) for i in range(3)]
    import padbank.workflow.intake as module

    def no_room(folder: Path, arrivals: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(module.originals, "settle", no_room)
    with pytest.raises(StoreError, match="full"):
        take_in(library, jobs)
    monkeypatch.undo()
    assert library.catalogue.clips() == [] and library.catalogue.originals() == []
    assert [a.clip for a in take_in(library, jobs).added] == ["c0", "c1", "c2"]
    assert not [f for f in check_library(library) if f.code != "rights-unknown"]


def test_every_copy_is_synced_before_its_clip_is_written_down(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a power cut could take is synced first: the copies, then their folders, then the catalogue."""
    import padbank.store.originals as module

    order: list[str] = []
    for name in ("_sync_arrival", "_put", "_sync_folder"):
        real = getattr(module, name)

        def noted(*args: object, name: str = name, real: object = real) -> None:
            order.append(name)
            real(*args)  # type: ignore[operator]

        monkeypatch.setattr(module, name, noted)
    library.catalogue.db.conn.set_trace_callback(lambda text: order.append(text.split()[0].lower()))
    take_in(library, [IngestJob(path=str(write(tmp_path / f"c{i}.wav", 200 + 30 * i))) for i in range(3)])
    library.catalogue.db.conn.set_trace_callback(None)
    order = [step for step in order if step in ("_sync_arrival", "_put", "_sync_folder", "commit")]
    assert order[:3] == ["_sync_arrival"] * 3 and order[-1] == "commit" and order.count("commit") == 1
    moved = len(order) - 1 - order[::-1].index("_put")
    shelves = {p.parent for p in library.originals.glob("??/*")}
    assert order[moved + 1 : -1] == ["_sync_folder"] * len(shelves)  # each shelf, after the last move
