"""Each finding of a rehearsal is found where it was planted, and good play has none."""

from __future__ import annotations

from dataclasses import replace

import pytest

from padbank.domain import Control, ControlPlace, Device, Layout, Pad, Place, Rig
from padbank.errors import InputError
from padbank.layout.facts import ClipFacts
from padbank.rehearsal.report import rehearse, report_lines
from padbank.rehearsal.voices import Event


def pad(number, device="main"):
    return Pad(
        surface="kit", number=number, x_mm=100 * number, y_mm=0, w_mm=80, h_mm=80, device=device
    )


RIG = Rig(
    name="harbour",
    title="Harbour",
    banks=2,
    pads=(pad(1), pad(2), pad(3, "second"), pad(4)),
    devices=(
        Device(name="main", memory_bytes=1, voices=2),
        Device(name="second", memory_bytes=1, voices=1),
    ),
    controls=(Control(label="lights", pad_id="kit/4", banks=(1,)),),
    bank_switch_s=0.5,
    min_rehit_s=0.1,
)
CLIPS = {
    clip.name: clip
    for clip in (
        ClipFacts(name="gull", duration_s=2.0),
        ClipFacts(name="bell", duration_s=2.0),
        ClipFacts(name="story", duration_s=10.0, mute_group="talk"),
        ClipFacts(name="whistle", duration_s=0.3, mute_group="talk"),
        ClipFacts(name="bed", duration_s=4.0, play_mode="loop"),
    )
}


def layout(*places, controls=()):
    return Layout(
        show="night",
        rig="harbour",
        places=tuple(
            Place(bank=b, pad_id=f"kit/{n}", clip=clip, channels=1, sample_rate_hz=44100)
            for b, n, clip in places
        ),
        controls=controls,
    )


def hit(time_s, number):
    return Event(time_s=time_s, kind="hit", pad_id=f"kit/{number}")


def bank(time_s, number):
    return Event(time_s=time_s, kind="bank", bank=number)


def found(places, events, **more):
    result = rehearse(RIG, layout(*places), CLIPS, events, **more)
    return [(f.code, f.severity, f.where) for f in result.findings]


def test_good_play_has_no_findings():
    result = rehearse(
        RIG,
        layout((1, 1, "gull"), (1, 2, "bell"), (2, 1, "bell")),
        CLIPS,
        [hit(0, 1), hit(1, 2), bank(3.5, 2), hit(3.6, 1)],
    )
    assert result.findings == ()
    assert result.hits == (((1, "bell"), 1), ((1, "gull"), 1), ((2, "bell"), 1))
    assert result.duration_s == pytest.approx(5.6)  # 3.6 + 2.0
    assert report_lines(result, RIG) == [
        "3 hits on clips and 0 control hits in 5.600 s",
        "main: at most 2 of 2 voices at once",
        "second: at most 0 of 1 voices at once",
        "nothing found that would spoil the show",
    ]


def test_voices_count_for_each_device_alone():
    places = [(1, 1, "gull"), (1, 2, "bell"), (1, 3, "bell")]
    assert found(places, [hit(0, 1), hit(0.5, 2), hit(1, 3)]) == []
    again = [hit(0, 1), hit(0.5, 2), hit(0.8, 1)]
    assert found(places, again) == [("cut-by-voice-limit", "error", "bank 1, kit/1")]
    assert found(places, again, when_full="refuse") == [("hit-refused", "error", "bank 1, kit/1")]
    refusing = replace(RIG, devices=tuple(replace(d, when_full="refuse") for d in RIG.devices))
    as_the_rig_says = rehearse(refusing, layout(*places), CLIPS, again)
    assert [f.code for f in as_the_rig_says.findings] == ["hit-refused"]


def test_findings_alike_are_told_once_with_how_often():
    events = [hit(t, 1) for t in (0, 0.5, 1.0, 1.5)]  # 2 voices: the third and fourth steal
    result = rehearse(RIG, layout((1, 1, "gull")), CLIPS, events)
    (finding,) = result.findings
    assert finding.text.endswith("(and once more)")
    assert "1.000 s of it were missing" in finding.text  # cut at 1.0 of 2.0
    assert f"error: {finding.text} (bank 1, kit/1)" in report_lines(result, RIG)


def test_a_late_switch_that_met_an_empty_pad():
    places = [(2, 1, "gull")]
    events = [hit(0, 1), bank(0.3, 2), hit(3.0, 1)]
    result = rehearse(RIG, layout(*places), CLIPS, events)
    (finding,) = result.findings
    assert (finding.code, finding.where) == ("late-bank-switch", "bank 1, kit/1")
    assert "0.300 s before the switch to bank 2" in finding.text and "gull" in finding.text
    # Far from any switch it is a plain empty pad.
    assert found(places, [hit(0, 1), bank(9, 2), hit(12, 1)]) == [
        ("empty-pad", "warning", "bank 1, kit/1")
    ]


def test_a_late_switch_that_played_the_old_bank():
    places = [(1, 1, "bell"), (2, 1, "gull")]
    meant_new = [hit(0, 1), bank(0.3, 2), hit(0.8, 1)]
    assert found(places, meant_new) == [("late-bank-switch", "note", "bank 1, kit/1")]
    # Another pad first: both hits of kit/1 may well have been meant.
    between = [(1, 1, "bell"), (2, 1, "gull"), (2, 2, "whistle")]
    assert found(between, [hit(0, 1), bank(0.3, 2), hit(0.8, 2), hit(1.2, 1)]) == []
    # Not hit again after it: the old bank's clip was meant.
    assert found(places, [hit(0, 1), bank(0.3, 2), hit(3.0, 1)]) == []


def test_a_rushed_switch():
    places = [(1, 1, "gull"), (2, 2, "bell")]
    events = [hit(0, 1), bank(0.1, 2), hit(0.2, 2)]
    assert found(places, events) == [("rushed-bank-switch", "note", "bank 1 to 2")]


def test_mute_group_surprises():
    inside = [(1, 1, "story"), (1, 2, "whistle")]
    assert found(inside, [hit(0, 1), hit(2, 2)]) == [("cut-early", "note", "bank 1, kit/1")]
    assert found(inside, [hit(0, 1), hit(8, 2)]) == []  # 2 s of 10 left: that is its use
    assert found(inside, [hit(0, 2), hit(0.1, 1)]) == []  # under a second left
    across = [(1, 1, "story"), (2, 2, "whistle")]
    assert found(across, [hit(0, 1), bank(8.5, 2), hit(9, 2)]) == [
        ("cut-across-banks", "warning", "bank 1, kit/1")
    ]


def test_a_loop_that_a_mute_group_stops():
    clips = {**CLIPS, "bed": replace(CLIPS["bed"], mute_group="talk")}
    result = rehearse(
        RIG, layout((1, 1, "bed"), (1, 2, "whistle")), clips, [hit(0, 1), hit(9, 2)]
    )
    assert [(f.code, f.where) for f in result.findings] == [("cut-early", "bank 1, kit/1")]


def test_hits_faster_than_the_rig_says():
    events = [hit(0, 1), hit(0.012, 1)]  # 12 ms: a double trigger
    result = rehearse(RIG, layout((1, 1, "gull")), CLIPS, events)
    (finding,) = result.findings
    assert (finding.code, finding.limit) == ("faster-than-rig", 0.1)
    assert finding.number == pytest.approx(0.012)


def test_loops_left_on_and_out_of_reach():
    places = [(1, 1, "bed"), (2, 2, "bell")]
    assert found(places, [hit(0, 1)]) == [("loop-left-on", "warning", "bank 1, kit/1")]
    away_and_back = [hit(0, 1), bank(1, 2), bank(2, 1), hit(3, 1)]
    assert found(places, away_and_back) == [("loop-out-of-reach", "note", "bank 1, kit/1")]
    at_hand = [(1, 1, "bed"), (2, 1, "bed")]
    assert found(at_hand, [hit(0, 1), bank(1, 2), hit(2, 1)]) == []


def test_control_hits_are_no_empty_pads():
    placed = layout((1, 1, "gull"), controls=(ControlPlace(bank=2, pad_id="kit/2", label="talk"),))
    result = rehearse(RIG, placed, CLIPS, [hit(0, 4), bank(1, 2), hit(2, 2), hit(3, 4)])
    assert [(c.time_s, c.bank, c.pad_id, c.label) for c in result.controls] == [
        (0, 1, "kit/4", "lights"),
        (2, 2, "kit/2", "talk"),
    ]
    assert [(f.code, f.where) for f in result.findings] == [("empty-pad", "bank 2, kit/4")]


def test_pads_that_the_rig_lacks_are_refused():
    with pytest.raises(InputError, match="kit/9"):
        rehearse(RIG, layout(), CLIPS, [hit(0, 9)])
