"""Real clips that nobody here made, through the whole job: add, plan, export, verify.

Sources (fetched by ``.ci/fetch-sounds`` with the registries' own clients, never
committed): Debian's sound-theme-freedesktop, oxygen-sounds, frozen-bubble-data,
lbreakout2-data and asterisk-core-sounds-en-wav; the CC0 sounds in the PyPI
wheel arcade 3.3.3; audio-lena from npm (MIT).

Levels are judged here by two meters that share nothing with the one that
levelled: pyloudnorm's BS.1770-matching filters (``files.second_meter``) and
scipy's polyphase interpolation for the true peak, at 4 and 8 times.
"""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest
import scipy.signal

from padbank.files.second_meter import measure_again
from padbank.store.library import Library
from padbank.workflow.export import export
from padbank.workflow.ingest import IngestJob
from padbank.workflow.intake import take_in
from padbank.workflow.plan import plan
from padbank.workflow.verify import verify

pytestmark = pytest.mark.registry

PER_BANK = 12
MOST_CLIPS = 360
MOST_BYTES = 300_000
"""Longer pieces of music are left out to keep the suite quick."""

RIG = f"""
name = "big-table"
title = "A big invented table"
banks = 40

[[devices]]
name = "table"
memory = "900 MB"
voices = 64
sample_rates_hz = [44100, 22050]
bits = 16
same_pad_again = "self-cut"

[names]
file = "{{pad:02d}}_{{clip}}.wav"
max_name_chars = 40

[[surfaces]]
name = "deck"
channel = 10
grid = {{ rows = 2, columns = {PER_BANK // 2}, pitch_x_mm = 92, pitch_y_mm = 82, w_mm = 86, h_mm = 76, first_note = 36 }}
"""


def samples_of(path: Path) -> tuple[np.ndarray, int]:
    """Read with the standard library alone: ``(frames, channels)`` in ±1.0."""
    with wave.open(str(path)) as file:
        assert file.getsampwidth() == 2 and file.getcomptype() == "NONE"
        raw = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
        return raw.reshape(-1, file.getnchannels()) / 32768, file.getframerate()


def peak_dbtp(samples: np.ndarray, factor: int) -> float:
    up = scipy.signal.resample_poly(samples, factor, 1, axis=0, window=("kaiser", 12.0))
    return float(20 * np.log10(max(np.abs(up).max(), np.abs(samples).max())))


def chosen(paths: dict[str, tuple[Path, ...]]) -> list[Path]:
    """Up to MOST_CLIPS clips, from every package, the small packages whole."""
    paths = {name: tuple(p for p in files if p.stat().st_size <= MOST_BYTES) for name, files in paths.items()}
    rest, picked = MOST_CLIPS, []
    for left, (_, files) in enumerate(sorted(paths.items(), key=lambda item: len(item[1]))):
        share = rest // (len(paths) - left)
        step = max(1, -(-len(files) // share))
        picked += files[::step][:share]
        rest = MOST_CLIPS - len(picked)
    return picked


def test_three_hundred_real_clips_from_folder_to_proved_card(registry_sounds, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    sources = chosen(registry_sounds.by_package)
    with Library(tmp_path / "library") as library:
        jobs = [
            IngestJob(
                path=str(path), tags=(f"lot-{index // PER_BANK:02d}",),
                licence="LicenseRef-test",
            )
            for index, path in enumerate(sources)
        ]  # fmt: skip
        report = take_in(library, jobs, workers=2)
        print(f"\n{len(sources)} files: {len(report.added)} added, {len(report.already)} known, {len(report.refused)} refused")
        for refusal in report.refused:
            print("refused", Path(refusal.path).name, refusal.reason)
        assert all(r.reason for r in report.refused)
        lots = sorted({t for c in library.catalogue.clips() for t in c.tags})
        counts = {lot: sum(lot in c.tags for c in library.catalogue.clips()) for lot in lots}
        (library.rigs / "big-table.toml").write_text(RIG, encoding="utf-8")
        segments = "\n".join(
            f'[[segments]]\nname = "{lot}"\nwants = [ {{ tag = "{lot}", count = {counts[lot]}, hits = 2 }} ]' for lot in lots
        )
        (library.shows / "all-of-it.toml").write_text(
            f'name = "all-of-it"\nrig = "big-table"\n{segments}\n', encoding="utf-8"
        )
        planned = plan(library, "all-of-it", seconds=30)
        placed = {p.clip for p in planned.layout.places}
        assert not [f for f in planned.findings if f.severity == "error"]
        exported = export(library, "all-of-it", tmp_path / "card")
    if sum(len(p) for p in registry_sounds.by_package.values()) >= 400:
        assert len(placed) >= 300, f"only {len(placed)} clips found a pad"

    found = verify(exported.folder)
    assert found.all_as_planned, found.findings[:5]

    off, over, short = [], [], 0
    for row in exported.written.card.files:
        samples, rate_hz = samples_of(exported.folder / row.path)
        again = measure_again(samples, rate_hz, as_played=True)
        level = again.integrated_lufs if row.role == "phrase" and again.integrated_lufs is not None else again.momentary_max_lufs
        if row.short_lu > 0:
            short += 1
            assert row.reason
        if row.target_lufs is not None:
            assert level is not None
            off.append(abs(level - (row.target_lufs - row.short_lu)))
        over.append(max(peak_dbtp(samples, 4), again.true_peak_dbtp or -99) - row.ceiling_dbtp)  # the second meter: 8 times
    print(f"{len(off)} files: worst level {max(off):.3f} LU off, {short} reported short, worst peak {max(over):+.3f} dB over the ceiling")
    assert max(off) <= 0.1
    assert max(over) <= 0.05


def test_one_clip_in_many_encodings_is_heard_alike(registry_sounds, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """audio-lena (npm, MIT): one clip of 12.3 s in many encodings. All must measure alike."""
    from padbank.workflow.measure import measure_file

    found = [measure_file(path) for path in registry_sounds.package("audio-lena")]
    read = [f for f in found if f.reason is None and f.integrated_lufs is not None and f.channels == 1]
    assert len(read) >= 10
    levels = np.array([f.integrated_lufs for f in read if f.sample_rate_hz and f.sample_rate_hz >= 44100])
    print(f"\n{len(read)} of {len(found)} read; {np.ptp(levels):.2f} LU apart at 44.1 kHz and up")
    assert np.ptp(levels) < 0.5  # lossy encoders may change the level by a little
