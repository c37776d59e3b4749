"""From a layout to a proved card with the real renderer: two meters that share no line agree on every file."""

from __future__ import annotations

import hashlib
import wave
from pathlib import Path

import numpy as np
import pytest

from padbank.domain import (
    Clip,
    Device,
    Layout,
    NameRules,
    Original,
    Pad,
    Place,
    Recipe,
    Rig,
    Segment,
    Show,
)
from padbank.dsp.render import finish, prepare
from padbank.export.plan import plan_export
from padbank.files.card import RenderedFile, write_set
from padbank.files.encode import write_wav
from padbank.files.verify import verify_set

SOURCE_HZ = 44_100
RIG = Rig(
    name="quay", title="Quay", banks=2,
    pads=(
        *(Pad(surface="front", number=n, x_mm=60.0 * n, y_mm=0, w_mm=50, h_mm=50) for n in range(1, 5)),
        *(Pad(surface="floor", number=n, x_mm=60.0 * n, y_mm=300, w_mm=50, h_mm=90, limb="foot", device="pedal box") for n in (1, 2)),
    ),
    devices=(
        Device(name="main", memory_bytes=4_000_000, voices=8, sample_rates_hz=(48_000,), bits=24, loop_chunk=True),
        Device(name="pedal box", memory_bytes=1_000_000, voices=4, sample_rates_hz=(44_100, 22_050), max_channels=1,
               mono_plays_both_sides=False),
    ),
    names=NameRules(upper_case=True, max_name_chars=16),
)  # fmt: skip
SHOW = Show(name="harbour-night", rig="quay", segments=(Segment(name="opening"),))


def sounds() -> dict[str, tuple[np.ndarray, Recipe]]:
    """Invented sounds that pull a meter in different ways."""
    rng = np.random.default_rng(20261128)
    t = np.arange(2 * SOURCE_HZ) / SOURCE_HZ
    swell = (0.2 + np.sin(2 * np.pi * 0.7 * t) ** 2)[:, None]
    click = np.zeros((SOURCE_HZ // 20, 1))
    click[100:160, 0] = rng.uniform(-1, 1, 60) * np.hanning(60)
    burst = (
        rng.normal(0, 0.3, (SOURCE_HZ // 5, 2)) * np.exp(-np.arange(SOURCE_HZ // 5) / 3000)[:, None]
    )
    return {
        "sea": (
            0.1 * swell * rng.normal(0, 1, (len(t), 2)),
            Recipe(fade_in_s=0.02, fade_out_s=0.2),
        ),
        "horn": (
            0.9 * np.sign(np.sin(2 * np.pi * 110 * t))[:, None],
            Recipe(start_s=0.1, end_s=1.5, fade_out_s=0.05),
        ),
        "bell": (burst, Recipe(role="hit")),
        "click": (click, Recipe(role="hit")),
        "hum": (
            0.3 * np.sin(2 * np.pi * 220 * t)[:, None] * [1.0, 0.8],
            Recipe(play_mode="loop", level_offset_lu=-6.0),
        ),
    }


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    made = sounds()
    clips = {
        name: Clip(
            name=name, recipe=recipe,
            original=Original(sha256=name, sound_sha256=name, suffix=".wav", n_bytes=1, frames=len(x),
                              sample_rate_hz=SOURCE_HZ, channels=x.shape[1], source=name),
        )
        for name, (x, recipe) in made.items()
    }  # fmt: skip

    def place(bank, pad, clip, channels, rate) -> Place:
        return Place(bank=bank, pad_id=pad, clip=clip, channels=channels, sample_rate_hz=rate)

    layout = Layout(
        show=SHOW.name, rig=RIG.name, number=1, bank_segments=(("opening",),),
        places=(
            place(1, "front/1", "sea", 2, 48_000), place(1, "front/2", "horn", 1, 48_000),
            place(1, "front/3", "bell", 2, 48_000), place(1, "front/4", "hum", 2, 48_000),
            place(2, "front/1", "sea", 2, 48_000), place(1, "floor/1", "bell", 1, 44_100),
            place(1, "floor/2", "click", 1, 22_050),
        ),
    )  # fmt: skip
    plan = plan_export(layout, RIG, SHOW, clips)
    assert plan.findings == ()

    rendered = tmp_path_factory.mktemp("rendered")

    def render(file) -> RenderedFile:
        samples, recipe = made[file.clip]
        prepared = prepare(
            samples, SOURCE_HZ, recipe, out_rate_hz=file.sample_rate_hz, channels=file.channels
        )
        target = SHOW.target_lufs + recipe.level_offset_lu
        done = finish(
            prepared, file.sample_rate_hz, role=recipe.role, target_lufs=target, ceiling_dbtp=SHOW.ceiling_dbtp,
            level_rule=SHOW.level_rule, limit_max_db=SHOW.limit_max_db, bits=file.bits,
            seed=hashlib.sha256(repr(file.rendering).encode()).digest(), as_played=file.mono_plays_both_sides,
        )  # fmt: skip
        wav = rendered / Path(file.path).name
        write_wav(wav, done.pcm, file.sample_rate_hz, file.bits, loop=(0, len(done.pcm) - 1) if file.loop_chunk else None)
        return RenderedFile(
            data=wav.read_bytes(),
            role=recipe.role, target_lufs=target, ceiling_dbtp=SHOW.ceiling_dbtp,
            level_lufs=done.measurement.loudness_lufs(recipe.role), true_peak_dbtp=done.measurement.true_peak_dbtp,
            gain_db=done.gain_db, limited_db=done.limited_db, short_lu=done.short_lu, reason=done.reason,
        )  # fmt: skip

    result = write_set(plan, render, tmp_path_factory.mktemp("card"))
    return plan, render, result


def test_the_second_meter_agrees_with_every_file(exported) -> None:
    plan, _, result = exported
    report = verify_set(result.folder, expected=plan)
    assert report.ok, [f.text for f in report.findings]
    for row, file in zip(report.files, result.card.files, strict=True):
        assert abs(row.level_lufs - file.level_lufs) <= 0.1
        assert row.short_lu > 0 or abs(row.off_lu) <= 0.1
        assert row.true_peak_dbtp <= -1.0 + 0.05
    assert sum(row.short_lu > 0 for row in report.files) < len(report.files)


def test_sizes_were_foreseen_to_the_byte(exported) -> None:
    plan, _, result = exported
    actual = {f.path: (f.frames, f.n_bytes) for f in result.card.files}
    assert actual == {f.path: (f.est_frames, f.est_bytes) for f in plan.files}


def test_names_and_forms_are_those_of_the_rig(exported) -> None:
    _, _, result = exported
    assert sorted(f.path for f in result.card.files)[:3] == [
        "MAIN/01_OPENING/01_SEA.WAV", "MAIN/01_OPENING/02_HORN.WAV", "MAIN/01_OPENING/03_BELL.WAV",
    ]  # fmt: skip
    assert result.folder.name == "HARBOUR-NIGHT"
    for file in result.card.files:
        with wave.open(str(result.folder / file.path)) as sound:
            assert sound.getsampwidth() == (2 if file.device == "pedal box" else 3)


def test_the_same_inputs_give_the_same_card(exported, tmp_path) -> None:
    plan, render, result = exported
    again = write_set(plan, render, tmp_path)
    listing = {
        p.relative_to(result.folder): p.read_bytes()
        for p in result.folder.rglob("*")
        if p.is_file()
    }
    assert {
        p.relative_to(again.folder): p.read_bytes() for p in again.folder.rglob("*") if p.is_file()
    } == listing
