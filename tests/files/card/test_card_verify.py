"""Reading a card back: every kind of damage is found and named."""

from __future__ import annotations

import io
import json
import math
import shutil
import struct
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
import soundfile

from padbank.domain import ControlPlace, Device, ExportPlan, NameRules, Pad, PlannedFile, Rig
from padbank.errors import DecodeError
from padbank.files import second_meter
from padbank.files.card import RenderedFile, write_set
from padbank.files.second_meter import measure_again
from padbank.files.setfile import SetFile, from_bytes, to_bytes
from padbank.files.verify import VerifyReport, report_lines, verify_set
from padbank.files.wavfacts import inspect_wav, read_samples

RATE_HZ = 48_000
RIG = Rig(
    name="quay", title="Quay", banks=2,
    pads=tuple(Pad(surface="front", number=n, x_mm=60.0 * n, y_mm=0, w_mm=50, h_mm=50) for n in range(1, 5)),
    devices=(Device(name="main", memory_bytes=1_000_000, voices=8, sample_rates_hz=(RATE_HZ,), max_clip_s=4.0),),
    names=NameRules(max_name_chars=40, card_bytes=50_000_000),
)  # fmt: skip
CLIPS = ["foghorn", "bell", "winch", "gull"]


def sine(peak_dbfs: float, *, seconds: float = 0.5, seed: int = 0) -> bytes:
    """997 Hz, 16 bits, mono. BS.1770-5 Annex 1: 0 dBFS in one front channel reads −3.01 LKFS, so a
    mono clip that plays on both sides reads its peak level in dBFS as LUFS."""
    n = np.arange(round(seconds * RATE_HZ))
    ramp = (
        (2 + seed) * RATE_HZ // 1000
    )  # a sine that starts or stops at once has true peaks above its amplitude
    shape = np.minimum(1, np.minimum(n, n[::-1]) / ramp)
    x = 10 ** (peak_dbfs / 20) * shape * np.sin(2 * math.pi * 997 * n / RATE_HZ)
    out = io.BytesIO()
    soundfile.write(
        out, np.round(x * 32767).astype(np.int16), RATE_HZ, subtype="PCM_16", format="WAV"
    )
    return out.getvalue()


def planned(bank: int, number: int, clip: str) -> PlannedFile:
    return PlannedFile(
        path=f"{bank:02d}_opening/{number:02d}_{clip}.wav", bank=bank, pad_id=f"front/{number}", pad_number=number,
        clip=clip, channels=1, sample_rate_hz=RATE_HZ, bits=16, device="main", est_bytes=48_044, est_frames=24_000,
    )  # fmt: skip


PLAN = ExportPlan(
    show="harbour-night", rig=RIG, folder="harbour-night", layout_number=4,
    files=(*(planned(1, n + 1, c) for n, c in enumerate(CLIPS)), planned(2, 1, "foghorn")),
    controls=(ControlPlace(bank=2, pad_id="front/4", label="next slide"),),
)  # fmt: skip


def render(file: PlannedFile, peak_dbfs: float = -16.0, **more) -> RenderedFile:
    levels = {
        "role": "phrase",
        "target_lufs": -16.0,
        "ceiling_dbtp": -1.0,
        "level_lufs": peak_dbfs,
        "true_peak_dbtp": peak_dbfs,
    }
    return RenderedFile(data=sine(peak_dbfs, seed=CLIPS.index(file.clip)), **(levels | more))


@pytest.fixture(scope="module")
def master(tmp_path_factory) -> Path:
    """One sound set, copied for every test."""
    folder = tmp_path_factory.mktemp("master")
    return write_set(PLAN, render, folder, extra_files={"pads.pdf": b"%PDF sheet"}).folder


@pytest.fixture
def folder(master: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(master, tmp_path / "harbour-night"))


def silent_meter(samples, rate_hz, *, as_played):
    """Reads the target for everything: for tests where levels are not the question."""
    return type(
        "Reading",
        (),
        {"integrated_lufs": -16.0, "momentary_max_lufs": -16.0, "true_peak_dbtp": -16.0},
    )()


def check(folder: Path, **more) -> VerifyReport:
    return verify_set(folder, silent_meter, **more)


def errors(report: VerifyReport) -> list[tuple[str, str]]:
    return sorted((f.code, f.where) for f in report.findings if f.severity == "error")


def reseal(folder: Path, change) -> None:
    """Change the list of a set and seal it again, as a careful forger would."""
    path = folder / "set.json"
    path.write_bytes(to_bytes(change(from_bytes(path.read_bytes(), path))))


def with_row(index: int, **changes):
    def change(card):
        rows = list(card.files)
        rows[index] = replace(rows[index], **changes)
        return replace(card, files=tuple(rows))

    return change


FOGHORN, BELL, WINCH = (
    "01_opening/01_foghorn.wav",
    "01_opening/02_bell.wav",
    "01_opening/03_winch.wav",
)


# ---------------------------------------------------------------- a sound set


def test_a_sound_set_passes_by_the_second_meter(folder) -> None:
    report = verify_set(folder)
    assert report.ok and report.state == "whole" and report.findings == ()
    assert [r.path for r in report.files] == sorted(f.path for f in PLAN.files)
    for row in report.files:
        # BS.1770-5 Annex 1: the 997 Hz fact, ±0.1; a sine's true peak is its amplitude
        assert row.ok and row.frames == 24_000 and row.n_bytes == 48_044
        assert row.off_lu is not None and abs(row.off_lu) <= 0.05
        assert row.true_peak_dbtp == pytest.approx(-16.0, abs=0.02)
    total = report.totals[0]
    # four sounds of 24,000 frames of two bytes; the fifth file is one of them again
    assert (total.files, total.memory_bytes, total.memory_limit_bytes) == (5, 4 * 48_000, 1_000_000)
    assert "5 files read back, no faults" in report_lines(report)[0]
    assert verify_set(folder, measure_again).files == report.files  # in one piece or in parts


def test_the_report_is_plain_json(folder) -> None:
    (folder / BELL).unlink()
    body = json.loads(json.dumps(verify_set(folder).as_json(), allow_nan=False))
    assert (
        body["ok"] is False
        and body["files"][1]["level_lufs"] is None
        and body["files"][1]["faults"] == ["file-missing"]
    )
    assert body["findings"][0]["where"] == BELL


def test_files_may_be_read_in_parallel_and_progress_is_told(folder) -> None:
    told = []
    with ThreadPoolExecutor(2) as pool:
        report = verify_set(
            folder, run=pool.map, progress=lambda done, total, label: told.append((done, total))
        )
    assert report == verify_set(folder)
    assert told[-1] == (10, 10) and [d for d, _ in told] == sorted(d for d, _ in told)


def test_nothing_is_changed_by_looking(folder) -> None:
    before = {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.rglob("*") if p.is_file()}
    verify_set(folder)
    assert {
        p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.rglob("*") if p.is_file()
    } == before


# ---------------------------------------------------------------- damage


def test_any_flipped_byte_is_found(folder) -> None:
    """A bit anywhere in any file of the set; the file is named (or the list, which names the rest)."""
    for path in [FOGHORN, "02_opening/01_foghorn.wav", "pads.pdf", "set.json"]:
        data = (folder / path).read_bytes()
        places = {*range(min(44, len(data))), len(data) // 2, len(data) - 1}
        for place in sorted(places):
            broken = bytearray(data)
            broken[place] ^= 0x10
            (folder / path).write_bytes(broken)
            found = errors(check(folder))
            if path == "set.json":
                assert [c for c, _ in found] == ["set-list"], (path, place)
            else:
                assert ("file-changed", path) in found, (path, place)
                assert {w for _, w in found} <= {
                    path,
                    "bank 1 pad front/1",
                    "bank 2 pad front/1",
                    "main",
                }, (path, place)
        (folder / path).write_bytes(data)
    assert check(folder).ok


@pytest.mark.parametrize("keep", [0, 20, 44, 45, 30_000, 48_043])
def test_a_truncated_file_is_found(folder, keep) -> None:
    path = folder / BELL
    path.write_bytes(path.read_bytes()[:keep])
    found = errors(check(folder))
    assert ("file-size", BELL) in found and ("wav-form", BELL) in found
    assert check(folder).state == "incomplete"


def test_bytes_put_behind_are_found(folder) -> None:
    with open(folder / BELL, "ab") as file:
        file.write(b"more")
    assert {("file-size", BELL), ("wav-form", BELL)} <= set(errors(check(folder)))


def test_two_swapped_files_are_found(folder) -> None:
    bell, winch = (folder / BELL).read_bytes(), (folder / WINCH).read_bytes()
    (folder / BELL).write_bytes(winch)
    (folder / WINCH).write_bytes(bell)
    report = check(folder)
    assert errors(report) == [("file-swapped", BELL), ("file-swapped", WINCH)]
    assert f"holds the sound of {WINCH}" in report.findings[0].text


def test_a_renamed_file_is_found_with_its_new_name(folder) -> None:
    (folder / BELL).rename(folder / "01_opening/09_bell.wav")
    report = check(folder)
    assert errors(report) == [("file-extra", "01_opening/09_bell.wav"), ("file-missing", BELL)]
    assert any("its sound is in 01_opening/09_bell.wav" in f.text for f in report.findings)


def test_another_spelling_is_found(folder) -> None:
    (folder / BELL).rename(folder / "01_opening/02_BELL.wav")
    report = check(folder)
    assert errors(report) == [("file-renamed", BELL)] and "02_BELL.wav" in report.findings[0].text


def test_a_missing_file_is_found(folder) -> None:
    (folder / BELL).unlink()
    (folder / "pads.pdf").unlink()
    assert errors(check(folder)) == [("file-missing", BELL), ("file-missing", "pads.pdf")]


def test_an_added_sound_is_found_and_other_files_are_only_noted(folder) -> None:
    (folder / "01_opening/05_mine.WAV").write_bytes(b"mine")
    assert errors(check(folder)) == [("file-extra", "01_opening/05_mine.WAV")]
    (folder / "01_opening/05_mine.WAV").unlink()
    (folder / "01_opening/notes.txt").write_bytes(b"notes")
    (folder / "01_opening/._01_foghorn.wav").write_bytes(b"system")
    (folder / "Takes").mkdir()
    (folder / "Takes/one.wav").write_bytes(b"a take")
    report = check(folder)
    assert report.ok
    assert sorted((f.code, f.severity) for f in report.findings) == [
        ("not-ours", "note"),
        ("not-ours", "note"),
        ("system-file", "warning"),
    ]


def test_a_half_copied_set_is_found(folder) -> None:
    shutil.rmtree(folder / "02_opening")
    assert errors(check(folder)) == [("file-missing", "02_opening/01_foghorn.wav")]


def test_folders_without_a_sound_list(folder, tmp_path) -> None:
    assert [f.code for f in check(tmp_path / "nothing").findings] == ["set-missing"]
    (folder / "set.json").unlink()
    assert [f.code for f in check(folder).findings] == ["set-missing"]
    (folder / "set.json").write_bytes(b"{}")
    assert [f.code for f in check(folder).findings] == ["set-list"]


def test_an_interrupted_set_is_never_good(folder) -> None:
    folder.rename(folder.with_name("harbour-night.padbank-old"))
    report = check(folder)
    assert not report.ok and [f.code for f in report.findings] == ["set-interrupted"]
    assert "rename harbour-night.padbank-old to harbour-night" in report.text


# ---------------------------------------------------------------- lists that were changed with care


def rewritten(folder: Path, path: str, data: bytes) -> None:
    """Put other bytes in a file and make the list agree with them."""
    import hashlib

    (folder / path).write_bytes(data)

    def change(card):
        rows = tuple(
            replace(r, n_bytes=len(data), sha256=hashlib.sha256(data).hexdigest())
            if r.path == path
            else r
            for r in card.files
        )
        return replace(card, files=rows)

    reseal(folder, change)


def test_a_wrong_rate_is_found_though_the_hash_fits(folder) -> None:
    data = bytearray((folder / BELL).read_bytes())
    data[24:28] = struct.pack("<I", 44_100)
    rewritten(folder, BELL, bytes(data))
    report = check(folder)
    assert errors(report) == [("device-format", "bank 1 pad front/2"), ("wav-form", BELL)]
    fault = next(f for f in report.findings if f.code == "wav-form")
    assert (fault.number, fault.limit) == (44_100, 48_000)


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"subtype": "PCM_24"}, "bits 24"),
        ({"subtype": "FLOAT"}, "not plain PCM"),
        ({"format": "WAVEX"}, "not plain PCM"),
        ({"format": "FLAC"}, "no RIFF WAVE head"),
    ],
)
def test_another_form_is_found_though_the_hash_fits(folder, form, says) -> None:
    out = io.BytesIO()
    samples, rate = soundfile.read(folder / BELL)
    soundfile.write(out, samples, rate, **({"format": "WAV", "subtype": "PCM_16"} | form))
    rewritten(folder, BELL, out.getvalue())
    report = check(folder)
    assert ("wav-form", BELL) in errors(report) and any(says in f.text for f in report.findings)


def test_two_data_chunks_are_found(folder) -> None:
    data = bytearray((folder / BELL).read_bytes())
    data += b"data" + struct.pack("<I", 4) + b"\x00" * 4
    data[4:8] = struct.pack("<I", len(data) - 8)
    rewritten(folder, BELL, bytes(data))
    assert any("more than one" in f.text and f.where == BELL for f in check(folder).findings)


def test_numbers_that_do_not_fit_their_names_are_found(folder) -> None:
    reseal(folder, with_row(1, pad_number=3, pad="front/3"))
    # the name says 02; and the winch is on the same pad already
    assert errors(check(folder)) == [("numbering", BELL), ("place-twice", WINCH)]


def test_a_number_that_is_not_the_pads_is_found(folder) -> None:
    reseal(folder, with_row(1, pad="front/4"))
    found = errors(check(folder))
    assert ("numbering", BELL) in found and ("place-twice", "01_opening/04_gull.wav") in found


def test_a_sound_on_a_control_hit_is_found(folder) -> None:
    def change(card):
        return replace(
            card, controls=(*card.controls, replace(card.controls[0], bank=1, pad="front/2"))
        )

    reseal(folder, change)
    assert errors(check(folder)) == [("place-twice", BELL)]


def test_limits_are_worked_out_from_the_files(folder) -> None:
    tight = replace(
        RIG,
        devices=(
            replace(RIG.devices[0], memory_bytes=191_999, max_clip_bytes=47_999, max_clip_s=0.4),
        ),
        names=replace(RIG.names, max_files_per_folder=3, card_bytes=400_000, max_name_chars=12),
    )
    report = check(folder, expected=replace(PLAN, rig=tight))
    assert {c for c, _ in errors(report)} == {
        "memory",
        "card-room",
        "pad-limit",
        "folder-files",
        "name-too-long",
    }
    memory = next(f for f in report.findings if f.code == "memory")
    assert (memory.number, memory.limit) == (192_000, 191_999)
    # and with the limits that travel in the list, when the library is not at hand
    reseal(folder, lambda card: replace(card, limits=replace(card.limits, devices=tight.devices)))
    assert {c for c, _ in errors(check(folder))} == {"memory", "pad-limit"}


def test_limits_that_were_accepted_are_warnings_and_damage_never_is(folder) -> None:
    device = replace(RIG.devices[0], memory_bytes=1_000)

    def change(card):
        return replace(
            card,
            accepted=("file-missing", "memory"),
            limits=replace(card.limits, devices=(device,)),
        )

    reseal(folder, change)
    report = check(folder)
    assert report.ok and [(f.code, f.severity) for f in report.findings] == [("memory", "warning")]
    assert report.findings[0].text.endswith("(accepted at the export)")
    (folder / BELL).unlink()
    assert errors(check(folder)) == [("file-missing", BELL)]


def test_a_set_that_is_not_the_plan_is_found(folder) -> None:
    assert check(folder, expected=PLAN).ok
    other = replace(PLAN, files=(*PLAN.files[:1], planned(1, 2, "winch"), *PLAN.files[3:]))
    found = [f for f in check(folder, expected=other).findings if f.code == "not-as-planned"]
    assert [f.where for f in found] == ["01_opening/02_winch.wav", BELL, WINCH]
    assert [f.code for f in check(folder, expected=replace(PLAN, show="ferry-day")).findings] == [
        "not-as-planned"
    ]


# ---------------------------------------------------------------- levels


def written(tmp_path: Path, peak_dbfs: float, **more) -> VerifyReport:
    made = write_set(PLAN, lambda f: render(f, peak_dbfs, **more), tmp_path / "levels")
    return verify_set(made.folder)


def test_a_level_off_its_target_is_found(tmp_path) -> None:
    assert written(tmp_path, -16.05).ok
    report = written(tmp_path, -15.85)
    assert {c for c, _ in errors(report)} == {"level"} and not any(r.ok for r in report.files)
    assert (
        report.findings[0].number == pytest.approx(-15.85, abs=0.03)
        and report.findings[0].limit == -16.0
    )


def test_a_level_reported_short_is_noted_and_held_to_what_was_reported(tmp_path) -> None:
    report = written(tmp_path, -19.0, short_lu=3.0)
    assert report.ok and {(f.code, f.severity) for f in report.findings} == {("short", "note")}
    assert report.findings[0].text.endswith(": 3.0 LU short: its peaks allow no more")
    told = written(tmp_path, -19.0, short_lu=3.0, reason="3.0 LU short: its peaks would pass −1.0 dBTP")
    assert told.findings[0].text.endswith(": 3.0 LU short: its peaks would pass −1.0 dBTP")
    lied = written(tmp_path, -19.0, short_lu=2.0, level_lufs=-18.0)
    assert {c for c, _ in errors(lied)} == {"level"}


def test_a_true_peak_above_the_ceiling_is_found(tmp_path) -> None:
    assert written(tmp_path, -16.0, ceiling_dbtp=-16.04).ok
    assert {c for c, _ in errors(written(tmp_path, -16.0, ceiling_dbtp=-16.08))} == {"true-peak"}


def test_silence_is_told_from_a_level(tmp_path) -> None:
    quiet = {"data": sine(-math.inf), "level_lufs": None, "true_peak_dbtp": None}
    made = write_set(PLAN, lambda f: replace(render(f), **quiet), tmp_path / "a")
    assert {c for c, _ in errors(verify_set(made.folder))} == {"level"}
    made = write_set(PLAN, lambda f: replace(render(f), **quiet, target_lufs=None), tmp_path / "b")
    assert verify_set(made.folder).ok
    made = write_set(
        PLAN, lambda f: replace(render(f), target_lufs=None, level_lufs=None), tmp_path / "c"
    )
    assert {c for c, _ in errors(verify_set(made.folder))} == {"level"}


def test_each_distinct_sound_is_measured_once_as_its_role_wants(folder) -> None:
    calls = []

    def meter(samples, rate_hz, *, as_played):
        calls.append((samples.shape, rate_hz, as_played))
        return type(
            "Reading",
            (),
            {"integrated_lufs": -16.0, "momentary_max_lufs": -9.0, "true_peak_dbtp": -10.0},
        )()

    assert verify_set(folder, meter).ok and calls == [((24_000, 1), RATE_HZ, True)] * 4
    reseal(folder, with_row(1, role="hit"))
    assert errors(verify_set(folder, meter)) == [("level", BELL)]


def test_a_hit_is_held_to_its_momentary_level_and_a_phrase_to_its_integrated_one(tmp_path) -> None:
    """By definition (BS.1770-5): half a second of tone, then 1.5 s of it 6 dB lower. The loudest 400 ms
    read the first level, -16 LUFS. Integrated: blocks of 400 ms every 100 ms, all above both gates; the
    first two hold loud sound alone, three have 3/4, 1/2 and 1/4 of it, the other twelve none."""
    powers = [1.0] * 2 + [p + (1.0 - p) * 10**-0.6 for p in (0.75, 0.5, 0.25)] + [10**-0.6] * 12
    integrated = -16.0 + 10 * math.log10(sum(powers) / len(powers))
    n = np.arange(2 * RATE_HZ)
    x = 10 ** (-16 / 20) * np.where(n < RATE_HZ // 2, 1.0, 10**-0.3) * np.sin(2 * math.pi * 997 * n / RATE_HZ)
    out = io.BytesIO()
    soundfile.write(out, np.round(x * 32767).astype(np.int16), RATE_HZ, subtype="PCM_16", format="WAV")
    for role, level in (("hit", -16.0), ("phrase", integrated)):
        more = {"data": out.getvalue(), "role": role, "target_lufs": level, "level_lufs": level}
        made = write_set(PLAN, lambda f, more=more: replace(render(f), **more), tmp_path / role)
        report = verify_set(made.folder)
        assert report.ok and [r.level_lufs for r in report.files] == pytest.approx([level] * 5, abs=0.05)
    # the same bytes under two roles are measured for both
    reseal(made.folder, with_row(1, role="hit"))
    assert errors(verify_set(made.folder)) == [("level", BELL)]


def test_a_long_phrase_is_measured_in_sections_by_several_processes(tmp_path, monkeypatch) -> None:
    """Tone at -16 LUFS (see ``sine``); with its last section 6 dB louder it is no longer as listed."""
    monkeypatch.setattr(second_meter, "SECTION_S", 1)
    long = sine(-16.0, seconds=2.4)
    made = write_set(PLAN, lambda f: replace(render(f), data=long), tmp_path / "long")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        told = []
        report = verify_set(made.folder, run=pool.map, progress=lambda *step: told.append(step))
    assert report.ok and told[-1][:2] == (10, 10) and [step[0] for step in told] == sorted(step[0] for step in told)
    samples, rate = soundfile.read(io.BytesIO(long), dtype="int16")
    samples[2 * rate :] *= 2
    out = io.BytesIO()
    soundfile.write(out, samples, rate, subtype="PCM_16", format="WAV")
    made = write_set(PLAN, lambda f: replace(render(f), data=out.getvalue()), tmp_path / "louder")
    assert {c for c, _ in errors(verify_set(made.folder))} == {"level"}


# ---------------------------------------------------------------- the plain reader


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24), ("PCM_32", 32)])
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_are_those_of_a_reference_library(tmp_path, subtype, bits, channels) -> None:
    """Against soundfile (libsndfile), which shares nothing with this reader."""
    rng = np.random.default_rng(7)
    path = tmp_path / "x.wav"
    soundfile.write(path, rng.uniform(-1, 1, (1001, channels)), 44_100, subtype=subtype)
    facts = inspect_wav(path)
    assert (facts.channels, facts.sample_rate_hz, facts.bits, facts.frames, facts.faults) == (
        channels,
        44_100,
        bits,
        1001,
        (),
    )
    wanted, _ = soundfile.read(path, always_2d=True, dtype="float64")
    np.testing.assert_array_equal(read_samples(path, facts), wanted)
    np.testing.assert_array_equal(read_samples(path, facts, 990, 500), wanted[990:])
    assert read_samples(path, facts, 5000, 10).shape == (0, channels)


def test_loops_are_read_and_must_lie_inside(folder, tmp_path) -> None:
    plain = (folder / BELL).read_bytes()
    # nine fields, then one loop: id, type, start, end (inclusive), fraction, count
    for start, end, fits in [(0, 23_999, True), (100, 24_000, False), (900, 100, False)]:
        chunk = struct.pack("<9I", 0, 0, 20_833, 60, 0, 0, 0, 1, 0) + struct.pack(
            "<6I", 0, 0, start, end, 0, 0
        )
        data = bytearray(plain[:36] + b"smpl" + struct.pack("<I", len(chunk)) + chunk + plain[36:])
        data[4:8] = struct.pack("<I", len(data) - 8)
        (tmp_path / "loop.wav").write_bytes(data)
        assert inspect_wav(tmp_path / "loop.wav").loop == (start, end)
        rewritten(folder, BELL, bytes(data))
        assert errors(check(folder)) == ([] if fits else [("loop", BELL)])
    rewritten(folder, BELL, plain)
    reseal(folder, with_row(1, loop_chunk=True))
    assert errors(check(folder)) == [("loop", BELL)]


def test_what_is_no_wav_is_refused(tmp_path) -> None:
    path = tmp_path / "x.wav"
    for data in (b"", b"RIFF", b"RIFF\x04\x00\x00\x00WAVE", b"fLaC" + bytes(60)):
        path.write_bytes(data)
        with pytest.raises(DecodeError):
            inspect_wav(path)


def test_rows_hold_what_was_planned() -> None:
    assert {f.name for f in SetFile.__dataclass_fields__.values()} >= {
        "path",
        "sha256",
        "target_lufs",
        "short_lu",
    }
