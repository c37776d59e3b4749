"""The set as it would be written: names, places, sizes and every broken limit at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from padbank.cardlimits import card_room_bytes, memory_bytes
from padbank.domain import (
    Clip,
    Control,
    ControlPlace,
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
from padbank.export.plan import plan_export, stored_sizes


def clip(name: str, frames: int = 48_000, rate: int = 48_000, channels: int = 2, **recipe) -> Clip:
    original = Original(
        sha256=name * 4, sound_sha256=name * 4, suffix=".wav", n_bytes=1, frames=frames,
        sample_rate_hz=rate, channels=channels, source=f"{name}.wav",
    )  # fmt: skip
    return Clip(name=name, original=original, recipe=Recipe(**recipe))


def pad(number: int, **more) -> Pad:
    return Pad(surface="front", number=number, x_mm=60.0 * number, y_mm=0, w_mm=50, h_mm=50, **more)


RIG = Rig(
    name="quay", title="Quay", banks=4, pads=tuple(pad(n) for n in range(1, 5)),
    devices=(Device(name="main", memory_bytes=10_000_000, voices=8),),
)  # fmt: skip
SHOW = Show(
    name="harbour-night",
    rig="quay",
    segments=(Segment(name="opening"),),
    title="Harbour night",
    date=date(2026, 11, 28),
)
CLIPS = {
    c.name: c for c in (clip("foghorn"), clip("bell", frames=24_001), clip("bed", play_mode="loop"))
}


def place(bank: int, number: int, name: str, channels: int = 2, rate: int = 44_100) -> Place:
    return Place(
        bank=bank, pad_id=f"front/{number}", clip=name, channels=channels, sample_rate_hz=rate
    )


def layout(*places: Place, segments=(("opening",), ("song-1", "talk"))) -> Layout:
    return Layout(
        show=SHOW.name, rig=RIG.name, places=tuple(places), bank_segments=segments, number=3
    )


def plan(*places: Place, rig: Rig = RIG, clips=CLIPS):
    return plan_export(layout(*places), rig, SHOW, clips)


def codes(made) -> list[str]:
    return sorted(f.code for f in made.findings)


def test_files_are_numbered_and_named_by_bank_and_pad() -> None:
    made = plan(place(2, 1, "foghorn"), place(1, 3, "bell"), place(1, 1, "foghorn"))
    assert [f.path for f in made.files] == [
        "01_opening/01_foghorn.wav",
        "01_opening/03_bell.wav",
        "02_song-1-talk/01_foghorn.wav",
    ]
    assert made.folder == "harbour-night" and made.layout_number == 3 and made.findings == ()
    assert [(f.bank, f.pad_id, f.pad_number, f.clip, f.segments) for f in made.files][2] == (
        2,
        "front/1",
        1,
        "foghorn",
        ("song-1", "talk"),
    )


def test_sizes_are_those_of_the_resampled_wav() -> None:
    made = plan(place(1, 1, "foghorn"), place(1, 2, "bell", channels=1))
    # 48,000 frames at 48 kHz are 44,100 at 44.1 kHz; two channels of two bytes, and 44 bytes of head
    assert (made.files[0].est_frames, made.files[0].est_data_bytes, made.files[0].est_bytes) == (
        44_100,
        176_400,
        176_444,
    )
    # round(24,001 · 44,100 / 48,000 = 22,050.92) = 22,051 frames of two bytes
    assert (made.files[1].est_frames, made.files[1].est_bytes) == (22_051, 44_102 + 44)


def test_memory_counts_each_version_once_and_room_counts_every_copy() -> None:
    made = plan(place(1, 1, "foghorn"), place(2, 1, "foghorn"), place(3, 1, "foghorn", channels=1))
    assert memory_bytes(stored_sizes(made.files), "main") == 176_400 + 88_200
    # 176,444 bytes take six clusters of 32 KiB, 88,244 take three; three folders and the set's own,
    # one cluster for set.json and ten for the sheet
    assert (
        card_room_bytes(stored_sizes(made.files), [5_000, 300_000])
        == (6 + 6 + 3 + 4 + 1 + 10) * 32_768
    )


def test_every_broken_limit_is_found_at_once() -> None:
    rig = replace(
        RIG,
        pads=(pad(1, max_clip_s=0.5), pad(2, max_clip_bytes=100_000), *RIG.pads[2:]),
        devices=(Device(name="main", memory_bytes=500_000, voices=8, max_channels=2),),
        names=NameRules(max_files_per_folder=3, card_bytes=1_000_000),
        controls=(Control(label="next slide", pad_id="front/4"),),
    )
    made = plan(
        place(1, 1, "foghorn"), place(1, 2, "foghorn"), place(1, 3, "bed"), place(1, 3, "bell"),
        place(1, 4, "bell"), place(2, 1, "gone"), place(9, 1, "bell"), place(2, 3, "bell", rate=96_000),
        place(2, 2, "bed", channels=3), Place(bank=1, pad_id="left/9", clip="bell", channels=1, sample_rate_hz=44_100),
        rig=rig,
    )  # fmt: skip
    assert codes(made) == [
        "card-room", "control-pad", "device-format", "device-format", "memory",
        "no-such-place", "no-such-place", "no-such-place", "pad-limit", "pad-limit", "pad-limit", "two-on-pad",
    ]  # fmt: skip
    length = next(f for f in made.findings if f.code == "pad-limit")
    assert (length.number, length.limit, length.where) == (1.0, 0.5, "bank 1 pad front/1")
    assert all(f.severity == "error" and ";" in f.text for f in made.findings)


def test_several_devices_have_a_folder_each() -> None:
    devices = (
        Device(name="left box", memory_bytes=10**7, voices=4),
        Device(name="floor", memory_bytes=10**7, voices=4, bits=24),
    )
    rig = replace(RIG, devices=devices, pads=(pad(1, device="left box"), pad(2, device="floor")))
    made = plan(place(1, 1, "foghorn"), place(1, 2, "foghorn"), rig=rig)
    assert [f.path for f in made.files] == [
        "left_box/01_opening/01_foghorn.wav",
        "floor/01_opening/02_foghorn.wav",
    ]
    assert [f.bits for f in made.files] == [16, 24]
    assert memory_bytes(stored_sizes(made.files), "floor") == 44_100 * 2 * 3


def test_device_folders_stay_apart() -> None:
    devices = (
        Device(name="left box", memory_bytes=10**7, voices=4),
        Device(name="Left_Box", memory_bytes=10**7, voices=4),
    )
    rig = replace(RIG, devices=devices, pads=(pad(1, device="left box"), pad(2, device="Left_Box")))
    made = plan(place(1, 1, "foghorn"), place(1, 2, "foghorn"), rig=rig)
    assert made.findings == () and len({f.path.split("/")[0].upper() for f in made.files}) == 2


def test_a_control_hit_that_the_planner_placed_holds_no_sound() -> None:
    held = replace(
        layout(place(1, 1, "foghorn"), place(2, 1, "bell")),
        controls=(ControlPlace(bank=1, pad_id="front/1", label="next slide"),),
    )
    made = plan_export(held, RIG, SHOW, CLIPS)
    assert codes(made) == ["control-pad"] and [f.bank for f in made.files] == [2]


def test_loops_carry_a_chunk_only_where_the_device_wants_it() -> None:
    wants = replace(
        RIG, devices=(Device(name="main", memory_bytes=10**7, voices=4, loop_chunk=True),)
    )
    assert [
        f.loop_chunk for f in plan(place(1, 1, "bed"), place(1, 2, "bell"), rig=wants).files
    ] == [True, False]
    assert (
        plan(place(1, 1, "bed"), rig=wants).files[0].est_bytes
        - plan(place(1, 1, "bed")).files[0].est_bytes
        == 8 + 36 + 24
    )
    assert not plan(place(1, 1, "bed")).files[0].loop_chunk


def test_trim_shortens_and_an_empty_trim_is_found() -> None:
    clips = {"short": clip("short", start_s=0.25, end_s=0.75), "none": clip("none", start_s=2.0)}
    made = plan(place(1, 1, "short"), place(1, 2, "none"), clips=clips)
    assert [f.est_frames for f in made.files] == [22_050, 0]
    assert codes(made) == ["clip-empty"]


def test_a_bad_pattern_is_a_finding_and_nothing_is_raised() -> None:
    rig = replace(RIG, names=NameRules(file="{pad:02d}:{clip}.wav", bank_folder="{bank"))
    assert codes(plan(place(1, 1, "bell"), rig=rig)) == ["name-pattern", "name-pattern"]


def test_upper_case_and_flat_rigs() -> None:
    rig = replace(
        RIG,
        names=NameRules(
            upper_case=True, bank_folder="", file="{bank}{pad:02d}_{clip}.wav", max_name_chars=12
        ),
    )
    made = plan(place(1, 1, "foghorn"), place(2, 1, "foghorn"), rig=rig)
    assert made.folder == "HARBOUR-NIGHT"
    assert [f.path for f in made.files] == ["101_FOGH.WAV", "201_FOGH.WAV"] and made.findings == ()


def test_same_inputs_same_plan_whatever_the_order() -> None:
    places = [
        place(b, n, name) for b in (1, 2) for n, name in ((1, "foghorn"), (2, "bell"), (3, "bed"))
    ]
    assert plan(*places) == plan(*places[::-1])
