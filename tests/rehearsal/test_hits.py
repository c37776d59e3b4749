"""Hits from takes and from what a show expects. Times and counts derived beside each check."""

from __future__ import annotations

import pytest

from padbank.domain import Control, Device, Layout, Pad, Place, Rig, Segment, Show, Want
from padbank.errors import InputError
from padbank.layout.facts import ClipFacts
from padbank.midi import NoteMap, TakeEvent, read_take, write_take
from padbank.rehearsal.hits import count_hits, events_of_take, expected_events, pad_sounds
from padbank.rehearsal.voices import Limits, perform


def pad(number, **more):
    return Pad(surface="kit", number=number, x_mm=100 * number, y_mm=0, w_mm=80, h_mm=80, **more)


RIG = Rig(
    name="harbour",
    title="Harbour",
    banks=3,
    pads=(pad(1, note=36), pad(2, note=37), pad(3, note=38, device="second"), pad(4, note=39)),
    devices=(
        Device(name="main", memory_bytes=1, voices=4),
        Device(name="second", memory_bytes=1, voices=2),
    ),
    controls=(Control(label="lights", pad_id="kit/4"),),
    bank_switch_s=0.5,
    min_rehit_s=0.1,
)
CLIPS = {
    clip.name: clip
    for clip in (
        ClipFacts(name="gull", duration_s=1.0, tags=("bird",)),
        ClipFacts(name="tern", duration_s=0.5, tags=("bird",)),
        ClipFacts(name="foghorn", duration_s=3.0, play_mode="gate"),
        ClipFacts(name="bed", duration_s=4.0, play_mode="loop"),
    )
}


def place(bank, number, clip, channels=1):
    return Place(
        bank=bank, pad_id=f"kit/{number}", clip=clip, channels=channels, sample_rate_hz=44100
    )


LAYOUT = Layout(
    show="night",
    rig="harbour",
    places=(place(1, 1, "gull"), place(1, 2, "foghorn", 2), place(2, 1, "tern"), place(2, 3, "bed")),
    bank_segments=(("dusk",), ("dawn",), ()),
)


def on(time_s, note, velocity=127):
    return TakeEvent(time_s=time_s, kind="on", channel=10, note=note, velocity=velocity)


def off(time_s, note):
    return TakeEvent(time_s=time_s, kind="off", channel=10, note=note)


def program(time_s, number):
    return TakeEvent(time_s=time_s, kind="program", channel=10, program=number)


def rows(events):
    return [(e.time_s, e.kind, e.pad_id or e.bank) for e in events]


def test_a_take_becomes_hits_releases_and_switches():
    take = [on(0.0, 36), off(0.2, 36), program(1.0, 1), on(1.5, 36, 64), program(2.0, 1)]
    result = events_of_take(take, NoteMap(RIG).pad, banks=3)
    assert rows(result.events) == [
        (0.0, "hit", "kit/1"),
        (0.2, "release", "kit/1"),
        (1.0, "bank", 2),  # program 1, counted from 0, is bank 2; the second changes nothing
        (1.5, "hit", "kit/1"),
    ]
    assert result.events[-1].velocity == pytest.approx(64 / 127)
    assert result.findings == ()


def test_a_take_from_a_file_keeps_its_times():
    data = write_take([on(0.25, 36), off(0.5, 36), program(1.0, 2)])
    result = events_of_take(read_take(data).events, NoteMap(RIG).pad, banks=3)
    assert rows(result.events) == [(0.25, "hit", "kit/1"), (0.5, "release", "kit/1"), (1.0, "bank", 3)]


def test_pads_may_step_through_the_banks():
    take = [on(t, 39) for t in (1.0, 2.0, 3.0)] + [on(4.0, 38)]
    result = events_of_take(take, NoteMap(RIG).pad, banks=3, steps={"kit/4": 1, "kit/3": -1})
    # 1 -> 2 -> 3, then the last bank is reached, then back to 2.
    assert rows(result.events) == [(1.0, "bank", 2), (2.0, "bank", 3), (4.0, "bank", 2)]


def test_switches_may_be_listed_and_go_before_hits_of_their_instant():
    result = events_of_take(
        [on(1.0, 36), program(2.0, 2)],
        NoteMap(RIG).pad,
        banks=3,
        first_bank=3,
        program_is_bank=False,
        switches=[(1.0, 2)],
    )
    assert rows(result.events) == [(0.0, "bank", 3), (1.0, "bank", 2), (1.0, "hit", "kit/1")]


def test_what_a_take_has_too_much_is_told():
    take = [on(0, 99), on(1, 99), off(2, 98), program(3, 7)]
    findings = events_of_take(take, NoteMap(RIG).pad, banks=3).findings
    assert [(f.code, f.where, f.number) for f in findings] == [
        ("unknown-note", "channel 10, note 99", 2),  # letting go of an unknown note is no hit
        ("bank-out-of-range", "bank 8", 8),
    ]


def test_pad_sounds_of_one_device_or_all():
    assert [s.clip for s in pad_sounds(LAYOUT, CLIPS, rig=RIG)] == ["gull", "foghorn", "tern", "bed"]
    assert [s.clip for s in pad_sounds(LAYOUT, CLIPS, rig=RIG, device="second")] == ["bed"]
    (foghorn,) = [s for s in pad_sounds(LAYOUT, CLIPS, rig=RIG) if s.clip == "foghorn"]
    assert (foghorn.channels, foghorn.play_mode, foghorn.duration_s) == (2, "gate", 3.0)
    with pytest.raises(InputError, match="tern"):
        pad_sounds(LAYOUT, {"gull": CLIPS["gull"], "foghorn": CLIPS["foghorn"]}, rig=RIG)


SHOW = Show(
    name="night",
    rig="harbour",
    segments=(
        Segment(name="dusk", wants=(Want(clip="gull", hits=20), Want(clip="foghorn", hits=2.5))),
        Segment(
            name="dawn",
            wants=(Want(clip="bed", hits=1), Want(tag="bird", count=1, hits=4), Want(clip="left-out")),
        ),
        Segment(name="calls", any_time=True, wants=(Want(clip="tern", hits=0.2),)),
    ),
)


def test_expected_events_hit_what_the_wants_say():
    events = expected_events(LAYOUT, RIG, SHOW, CLIPS, segment_s=60, loop_s=5)
    result = perform(Limits(voices=99), pad_sounds(LAYOUT, CLIPS, rig=RIG), events)
    # 2.5 rounds half up to 3; the tag takes the bird of its own bank; 0.2 is tried once.
    assert count_hits(result.soundings) == {
        (1, "foghorn"): 3,
        (1, "gull"): 20,
        (2, "bed"): 1,
        (2, "tern"): 4 + 1,
    }
    assert all(s.reason != "still sounding" for s in result.soundings)
    assert not [f for f in result.findings if f.code == "empty-pad"]
    (bed,) = [s for s in result.soundings if s.clip == "bed"]
    assert bed.reason == "hit again" and bed.stop_s - bed.start_s >= 5
    held = [s for s in result.soundings if s.clip == "foghorn"]
    assert all(s.stop_s - s.start_s == pytest.approx(1.0 + 0.01) for s in held)  # hold + release


def test_expected_events_can_be_played():
    events = expected_events(LAYOUT, RIG, SHOW, CLIPS, segment_s=3, loop_s=0.7)
    assert list(events) == sorted(events, key=lambda e: e.time_s)
    bank, last_hit, last_bank_hit = 1, {}, None
    for event in events:
        if event.kind == "bank":
            bank = event.bank
        elif event.kind == "hit":
            assert event.time_s - last_hit.get(event.pad_id, -9) >= RIG.min_rehit_s - 1e-9
            if last_bank_hit and last_bank_hit[0] != bank:
                assert event.time_s - last_bank_hit[1] >= RIG.bank_switch_s - 1e-9
            last_hit[event.pad_id], last_bank_hit = event.time_s, (bank, event.time_s)
    assert events == expected_events(LAYOUT, RIG, SHOW, CLIPS, segment_s=3, loop_s=0.7)


def test_a_segment_needs_a_length():
    with pytest.raises(InputError, match="segment"):
        expected_events(LAYOUT, RIG, SHOW, CLIPS, segment_s=0)
