"""``add``: nothing is lost, nothing is added twice, one bad file never stops the rest."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.dsp.method import METHOD
from padbank.errors import InputError, StoreError
from padbank.store.library import Library
from padbank.store.originals import hash_file
from padbank.workflow.add import add, find_files
from padbank.workflow.clips import bring_back, change_tags, edit, find, info, remove, undo
from padbank.workflow.health import check_library

RATE_HZ = 44100


def tone(seconds: float = 0.5, frequency_hz: float = 440.0, level: float = 0.3, lead_s: float = 0.2) -> np.ndarray:
    """Silence, then a tone with a sharp start and a fading end; mono."""
    n = int(seconds * RATE_HZ)
    sound = level * np.sin(2 * np.pi * frequency_hz * np.arange(n) / RATE_HZ + 1.0) * np.exp(-np.arange(n) / n * 5)
    return np.concatenate([np.zeros(int(lead_s * RATE_HZ)), sound, np.zeros(int(0.3 * RATE_HZ))])


def write(path: Path, samples: np.ndarray, **options: object) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, samples, RATE_HZ, **options)
    return path


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "library") as opened:
        yield opened


def test_folder_with_good_and_bad_files(library: Library, tmp_path: Path) -> None:
    clips = tmp_path / "clips"
    write(clips / "Bell one.wav", tone(frequency_hz=880))
    write(clips / "deep" / "thud.flac", tone(frequency_hz=60))
    write(clips / "silent.wav", np.zeros(RATE_HZ))
    (clips / "words.wav").write_text("this is no sound")
    (clips / "empty.mp3").write_bytes(b"")
    (clips / "notes.txt").write_text("not looked at")
    (clips / "._hidden.wav").write_bytes(b"left by another system")
    before = {p: hash_file(p) for p in sorted(clips.rglob("*")) if p.is_file()}

    report = add(library, [clips], tags=["Harbour"], licence="cc0-1.0")

    assert [a.clip for a in report.added] == ["bell-one", "thud"]
    assert {Path(r.path).name for r in report.refused} == {"silent.wav", "words.wav", "empty.mp3"}
    assert all(r.reason for r in report.refused)
    assert next(r for r in report.refused if "silent" in r.path).reason == "holds only silence"
    assert {p: hash_file(p) for p in sorted(clips.rglob("*")) if p.is_file()} == before  # nothing was altered
    bell = library.clip("bell-one")
    assert bell.tags == ("harbour",) and bell.licence == "CC0-1.0"
    kept = library.original_file(bell)
    assert kept.read_bytes() == (clips / "Bell one.wav").read_bytes()
    if os.name != "nt" and os.geteuid() != 0:
        assert not os.access(kept, os.W_OK)
    # trimmed to the sound: at most 1 ms before the onset at 0.2 s
    assert 0.199 <= bell.recipe.start_s <= 0.2


def test_second_time_nothing_is_read_again(library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = write(tmp_path / "a.wav", tone())
    assert len(add(library, [source]).added) == 1
    import padbank.workflow.batches as module

    def fail(job: object, place: object) -> None:
        raise AssertionError("the file was read again")

    monkeypatch.setattr(module, "ingest", fail)
    report = add(library, [source], tags=["later"])
    assert [a.clip for a in report.already] == ["a"] and not report.added
    assert library.clip("a").tags == ("later",)


def test_same_sound_in_another_file_is_recognised(library: Library, tmp_path: Path) -> None:
    sound = np.round(tone() * 32767) / 32768
    add(library, [write(tmp_path / "a.wav", sound, subtype="PCM_16")])
    flac = write(tmp_path / "b.flac", sound, subtype="PCM_16")
    copy = Path(shutil.copy(tmp_path / "a.wav", tmp_path / "c.wav"))
    report = add(library, [flac, copy])
    assert not report.added and [a.clip for a in report.already] == ["a", "a"]
    assert all(a.same_as and a.same_as.endswith("a.wav") for a in report.already)
    assert len(list((library.originals).rglob("*.*"))) == 1  # the second copy was not kept


def test_same_sound_is_recognised_among_files_that_come_together(library: Library, tmp_path: Path) -> None:
    sound = np.round(tone() * 32767) / 32768
    files = [write(tmp_path / name, sound, subtype="PCM_16") for name in ("a.wav", "b.flac")]
    files.append(Path(shutil.copy(tmp_path / "a.wav", tmp_path / "c.wav")))
    report = add(library, files)
    assert [a.clip for a in report.added] == ["a"] and [a.clip for a in report.already] == ["a", "a"]
    kept = [p for p in library.originals.rglob("*") if p.is_file()]
    assert [p.suffix for p in kept] == [".wav"]


def test_changed_file_is_a_new_clip_and_the_old_one_stays(library: Library, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", tone())
    add(library, [path])
    write(path, tone(frequency_hz=500))
    assert [a.clip for a in add(library, [path]).added] == ["a-2"]
    assert {c.name for c in library.catalogue.clips()} == {"a", "a-2"}


def test_section_of_a_recording_is_cut_losslessly(library: Library, tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    sound = np.round(rng.uniform(-0.4, 0.4, 5 * RATE_HZ) * 32767) / 32768
    path = write(tmp_path / "long take.wav", sound, subtype="PCM_16")
    report = add(library, [path], start_s=1.0, end_s=2.5)
    clip = library.clip(report.added[0].clip)
    assert clip.original.frames == int(1.5 * RATE_HZ)
    assert (clip.original.source_start_s, clip.original.source_end_s) == (1.0, 2.5)
    kept, rate = soundfile.read(library.original_file(clip), dtype="float64")
    assert rate == RATE_HZ and np.array_equal(kept, sound[RATE_HZ : int(2.5 * RATE_HZ)])
    assert add(library, [path], start_s=1.0, end_s=2.5).already[0].clip == clip.name
    late = add(library, [path], start_s=10.0)
    assert "shorter than where the section starts" in late.refused[0].reason


def test_wrong_use_is_said_in_one_sentence(library: Library, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", tone())
    with pytest.raises(InputError, match="not there"):
        add(library, [tmp_path / "nowhere.wav"])
    with pytest.raises(InputError, match=r"did you mean CC-BY-4\.0"):
        add(library, [path], licence="CCBY-4.0")
    with pytest.raises(InputError, match="one word"):
        add(library, [path], tags=["two words"])
    with pytest.raises(InputError, match="swap them"):
        add(library, [path], start_s=2.0, end_s=1.0)
    assert library.catalogue.clips() == []


def test_many_files_through_worker_processes_in_order(library: Library, tmp_path: Path) -> None:
    for i in range(6):
        write(tmp_path / "in" / f"cue {i}.wav", tone(frequency_hz=300 + 40 * i, seconds=0.2))
    (tmp_path / "in" / "bad.wav").write_bytes(b"RIFF")
    seen: list[tuple[int, int]] = []
    report = add(library, [tmp_path / "in"], workers=2, progress=lambda done, total, text: seen.append((done, total)))
    assert [a.clip for a in report.added] == [f"cue-{i}" for i in range(6)]
    assert len(report.refused) == 1 and seen[-1] == (7, 7)


@pytest.mark.parametrize("workers", [1, 2])
def test_a_kill_in_the_middle_keeps_what_was_reported(tmp_path: Path, workers: int) -> None:
    for i in range(60):
        write(tmp_path / "in" / f"cue{i:02d}.wav", tone(frequency_hz=200 + 20 * i, seconds=0.3))
    script = (
        "import sys; from pathlib import Path; from padbank.store.library import Library; from padbank.workflow.add import add\n"
        "with Library(sys.argv[1]) as lib:\n"
        "    add(lib, [Path(sys.argv[2])], workers=int(sys.argv[3]), progress=lambda d, t, n: print(n, flush=True))\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "library"), str(tmp_path / "in"), str(workers)],
        stdout=subprocess.PIPE, text=True, cwd=Path(__file__).resolve().parents[2],
    )  # fmt: skip
    assert process.stdout
    reported = [process.stdout.readline().strip() for _ in range(7)]
    process.kill()
    process.wait()
    process.stdout.close()
    with Library(tmp_path / "library") as library:
        names = {c.name for c in library.catalogue.clips()}
        assert {r.removesuffix(".wav") for r in reported} <= names
        assert not [f for f in check_library(library) if f.severity == "error"]
        report = add(library, [tmp_path / "in"])  # goes on where it stopped
        assert len(report.added) + len(report.already) == 60
        assert not [f for f in check_library(library) if f.severity == "error" or f.code == "leftover"]


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C is sent to a process group only on POSIX systems")
def test_ctrl_c_while_adding_ends_in_one_sentence(tmp_path: Path) -> None:
    for i in range(80):
        write(tmp_path / "in" / f"cue{i:02d}.wav", tone(frequency_hz=200 + 20 * i, seconds=2.0))
    process = subprocess.Popen(
        [sys.executable, "-m", "padbank", "--library", str(tmp_path / "library"), "add", str(tmp_path / "in")],
        stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, start_new_session=True,
        cwd=Path(__file__).resolve().parents[2],
    )  # fmt: skip
    originals = tmp_path / "library" / "originals"
    end = time.monotonic() + 60
    while time.monotonic() < end and not (originals.is_dir() and any(originals.rglob("*.wav"))):
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers as well
    _, said = process.communicate(timeout=60)
    if process.returncode == 130:  # else all were in before the signal came
        assert said.strip().startswith("padbank: stopped") and said.strip().count("\n") == 0, said
    with Library(tmp_path / "library") as library:
        assert len(add(library, [tmp_path / "in"]).refused) == 0
        assert not [f for f in check_library(library) if f.severity == "error"]


def test_adding_again_brings_back_an_original_that_was_lost(library: Library, tmp_path: Path) -> None:
    source = write(tmp_path / "a.wav", tone(1.0))
    add(library, [source])
    kept = library.original_file(library.clip("a"))
    before = kept.read_bytes()
    kept.chmod(0o644)
    kept.unlink()
    with pytest.raises(StoreError, match=r"original of a is missing.*padbank add .*a\.wav"):
        library.original_file(library.clip("a"))
    assert [f.code for f in check_library(library) if f.severity == "error"] == ["original-missing"]
    assert [a.clip for a in add(library, [source]).already] == ["a"]
    assert library.original_file(library.clip("a")).read_bytes() == before
    assert not [f for f in check_library(library) if f.severity == "error"]


def test_edit_undo_tags_and_removal(library: Library, tmp_path: Path) -> None:
    add(library, [write(tmp_path / "a.wav", tone(1.0))])
    first = library.clip("a").recipe
    edit(library, "a", {"start_s": 0.3, "role": "phrase", "level_offset_lu": -3.0})
    assert library.clip("a").recipe.start_s == 0.3
    assert undo(library, "a").recipe == first
    with pytest.raises(InputError, match="no earlier edit"):
        undo(library, "a")
    with pytest.raises(InputError, match="past the end"):
        edit(library, "a", {"start_s": 9.0, "end_s": None})
    with pytest.raises(InputError, match="fades are longer"):
        edit(library, "a", {"fade_in_s": 3.0})
    with pytest.raises(InputError, match="lies outside the trim"):
        edit(library, "a", {"loop_start_s": 0.0, "loop_end_s": 0.5})
    edit(library, "a", {}, new_name="bell", licence="CC-BY-NC-4.0")
    assert "non-commercial" in (info(library, "bell").rights_caution or "")
    change_tags(library, ["bell"], ["+loud", "x", "-nothing"])
    assert [r.name for r in find(library, ["be"], ["loud"])] == ["bell"]
    assert find(library, ["be", "zz"]) == []
    remove(library, ["bell"])
    assert find(library) == []
    bring_back(library, ["bell"])
    assert library.clip("bell").tags == ("loud", "x")
    remove(library, ["bell"])
    assert add(library, [tmp_path / "a.wav"]).added[0].state == "brought back"  # adding it again is enough


def test_health_names_every_kind_of_harm(library: Library, tmp_path: Path) -> None:
    for i in range(3):
        write(tmp_path / "in" / f"c{i}.wav", tone(frequency_hz=300 + 100 * i))
    add(library, [tmp_path / "in"], licence="CC0-1.0")
    assert check_library(library) == []
    gone, changed = library.original_file(library.clip("c0")), library.original_file(library.clip("c1"))
    for path in (gone, changed):
        path.chmod(0o644)
    gone.unlink()
    data = bytearray(changed.read_bytes())
    data[-5] ^= 1
    changed.write_bytes(data)
    stray = library.originals / "ff" / ("f" * 64 + ".wav")
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"x")
    (library.originals / "incoming").mkdir(exist_ok=True)
    (library.originals / "incoming" / "half").write_bytes(b"x")
    (library.rigs / "bad.toml").write_text("name = ")
    codes = {f.code for f in check_library(library)}
    assert codes == {"original-missing", "original-changed", "original-unknown", "leftover", "rig-unreadable"}


def test_a_clip_is_found_by_each_file_that_holds_its_sound(library: Library, tmp_path: Path) -> None:
    first = write(tmp_path / "music" / "Hörner" / "bell.wav", tone())
    for name in ("🎺\ufe0f.wav", "Tür.wav", "Glocke (2).wav"):
        shutil.copy(first, tmp_path / "music" / "Hörner" / name)
    report = add(library, [tmp_path / "music"])
    (clip,) = {entry.clip for entry in (*report.added, *report.already)}
    for words in (["bell"], ["🎺"], ["tür"], ["Tu\u0308r"], ["glocke", "(2)"], ["hörner"]):  # a whole word, an emoji, parted accents
        assert [row.name for row in find(library, words)] == [clip], words
    assert find(library, ["music"]) == []  # a folder further up would be in every path
    for name in ("🎺\ufe0f", "Glocke (2).wav"):
        with pytest.raises(InputError, match=f"in the library as {clip}"):
            library.clip(name)


def test_find_files_goes_in_order_and_passes_over_the_rest(tmp_path: Path) -> None:
    for name in ("b.wav", "A.WAV", "sub/c.mp3", ".git/d.wav", "e.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    assert [p.relative_to(tmp_path).as_posix() for p in find_files([tmp_path])] == ["A.WAV", "b.wav", "sub/c.mp3"]
    others: list[str] = []
    assert len(list(find_files([tmp_path], others))) == 3
    assert others == ["e.txt"]


@pytest.mark.parametrize("most_bytes", [16_000_000, 10], ids=["in memory", "by a copy"])
def test_a_file_that_changes_while_it_is_read_is_left_for_later(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most_bytes: int
) -> None:
    path = write(tmp_path / "a.wav", tone())
    import padbank.workflow.ingest as module

    open_sound = module.open_sound

    def slowly(name: Path, *file: object) -> object:
        os.utime(path, (time.time() + 5, time.time() + 5))
        return open_sound(name, *file)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "open_sound", slowly)
    monkeypatch.setattr(module, "IN_MEMORY_BYTES", most_bytes)
    report = add(library, [path])
    assert "changed while it was read" in report.refused[0].reason
    assert library.catalogue.clips() == []
    assert not [p for p in library.originals.rglob("*") if p.is_file()]  # no copy is left


def test_info_reads_what_the_file_holds_and_what_a_pad_plays(library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A steady 997 Hz sine at -20 dBFS in both channels reads -20 LUFS (BS.1770-5: 0 dBFS in one channel is -3.01)."""
    n = np.arange(2 * RATE_HZ)
    sine = 0.1 * np.sin(2 * np.pi * 997 / RATE_HZ * n)
    write(tmp_path / "steady.wav", np.column_stack([sine, sine]), subtype="FLOAT")
    write(tmp_path / "late.wav", np.concatenate([np.zeros(RATE_HZ), sine]), subtype="FLOAT")
    add(library, [tmp_path / "steady.wav", tmp_path / "late.wav"])
    steady, late = info(library, "steady"), info(library, "late")
    assert steady.as_file and steady.as_played and late.as_file and late.as_played
    assert steady.as_file.integrated_lufs == pytest.approx(-20.0, abs=0.05)
    assert steady.as_played.integrated_lufs == pytest.approx(-20.0, abs=0.05)
    # one channel: -23.01; of its 20 gating blocks over the gate, 3 hold a quarter, a half and three quarters of sine
    assert late.as_file.integrated_lufs == pytest.approx(-23.01 + 10 * np.log10((17 + 1.5) / 20), abs=0.02)
    assert late.as_played.integrated_lufs == pytest.approx(-20.0, abs=0.05)  # trimmed, and on both sides
    assert late.as_file.frames == 3 * RATE_HZ

    import padbank.workflow.ingest as module

    monkeypatch.setattr(module, "IN_MEMORY_S", 0.5)  # as a long recording: measured while it streams by
    add(library, [write(tmp_path / "long.wav", np.column_stack([sine, 0.9 * sine]), subtype="FLOAT")])
    long = library.clip("long")
    kept = library.catalogue.measurement(long.original.sha256, "file", METHOD)
    assert kept and kept.frames == 2 * RATE_HZ and info(library, "long").as_played is None
    both_db = 10 * np.log10((1 + 0.9**2) / 2)
    assert kept.integrated_lufs == pytest.approx(-20.0 + both_db, abs=0.05)
