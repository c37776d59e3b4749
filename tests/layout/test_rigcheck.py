"""A rig's own sense: each fault is found where it was planted, and a good rig has none."""

from __future__ import annotations

from dataclasses import replace

import pytest

from padbank.domain import Control, Device, Home, NameRules, Pad, Rig
from padbank.layout.rigcheck import check_rig, overlap_mm
from padbank.layout.voices import instances


def pad(number, x_mm, y_mm=40.0, **more):
    values = {"surface": "deck", "w_mm": 80.0, "h_mm": 80.0, "device": "main", **more}
    return Pad(number=number, x_mm=x_mm, y_mm=y_mm, **values)


def rig(**more):
    values = {
        "name": "r",
        "title": "r",
        "banks": 2,
        "pads": (pad(1, 40, note=36), pad(2, 130, note=37), pad(3, 220, note=38)),
        "devices": (Device(name="main", memory_bytes=10_000_000, voices=8, same_pad_again="self-cut"),),
        "homes": (Home(limb="hand", x_mm=130, y_mm=40),),
    }
    return Rig(**{**values, **more})


def codes(found):
    return [finding.code for finding in found]


def test_a_good_rig_has_no_findings():
    assert check_rig(rig()) == []


def test_overlap_is_the_shallower_reach():
    # 80 mm wide pads with middles 70 mm apart share 10 mm across and 80 mm down.
    assert overlap_mm(pad(1, 40), pad(2, 110)) == pytest.approx(10)
    assert overlap_mm(pad(1, 40), pad(2, 120)) == 0
    assert overlap_mm(pad(1, 40), pad(2, 40, 200)) == 0


@pytest.mark.parametrize(
    ("changes", "code", "where"),
    [
        ({"pads": (pad(1, 40), pad(2, 110))}, "pads-overlap", "deck/1"),
        ({"pads": (pad(1, 40), pad(1, 140))}, "pad-number-twice", "deck/1"),
        ({"pads": (pad(1, 40, w_mm=12.0),)}, "pad-small", "deck/1"),
        ({"pads": (pad(1, 40, device="gone"), pad(2, 140))}, "pad-unknown-device", "deck/1"),
        ({"pads": (pad(1, 40, note=36), pad(2, 140, note=36))}, "note-twice", "deck/1"),
        ({"controls": (Control(label="Go", pad_id="deck/9"),)}, "control-pad-missing", "Go"),
        ({"controls": (Control(label="Go", pad_id="deck/1", banks=(3,)),)}, "control-bank-missing", "Go"),
        ({"controls": (Control(label="Go", pad_id="deck/1", note=37),)}, "note-twice", "Go"),
        (
            {"controls": (Control(label="Go", note=60), Control(label="Stop", note=60))},
            "note-twice",
            "Stop",
        ),
        (
            {
                "controls": (
                    Control(label="Go", pad_id="deck/1", banks=(1,)),
                    Control(label="Stop", pad_id="deck/1", banks=(1, 2)),
                )
            },
            "controls-clash",
            "deck/1",
        ),
        ({"controls": tuple(Control(label=str(n)) for n in range(3))}, "no-room-for-clips", "bank 1"),
        ({"names": NameRules(file="{pad:02d}_{title}.wav")}, "pattern-broken", "names.file"),
        ({"names": NameRules(file="{pad:02d}_{clip}.aif")}, "pattern-broken", "names.file"),
        ({"names": NameRules(file="{clip:02d}.wav")}, "pattern-broken", "names.file"),
        ({"names": NameRules(bank_folder="a/{bank}")}, "pattern-broken", "names.bank_folder"),
        ({"names": NameRules(bank_folder="set")}, "pattern-ambiguous", "names"),
        ({"names": NameRules(file="{clip}.wav")}, "pattern-ambiguous", "names"),
        ({"pads": (pad(1, 40), pad(1, 140, surface="wing"))}, "pattern-ambiguous", "names"),
        ({"homes": ()}, "home-missing", "hand"),
        ({"homes": (Home(limb="hand", x_mm=9000, y_mm=0),)}, "home-far", "hand"),
        ({"pads": ()}, "no-pads", ""),
        ({"devices": ()}, "no-devices", ""),
    ],
)  # fmt: skip
def test_each_fault_is_found(changes, code, where):
    found = check_rig(rig(**changes))
    assert (code, where) in [(finding.code, finding.where) for finding in found]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"sample_rates_hz": (1,)}, "rate-impossible"),
        ({"sample_rates_hz": (44100, 31250)}, "rate-unusual"),
        ({"bits": 12}, "bits-impossible"),
        ({"memory_bytes": 64}, "memory-tiny"),
        ({"voices": 1}, "voices-few"),
        ({"release_s": 5.0}, "release-long"),
    ],
)
def test_device_limits(changes, code):
    device = replace(Device(name="main", memory_bytes=10_000_000, voices=8, same_pad_again="self-cut"), **changes)
    assert code in codes(check_rig(rig(devices=(device,))))


def test_linked_devices_clash_by_channel_only():
    two = (
        Device(name="main", memory_bytes=10_000_000, voices=8, same_pad_again="self-cut"),
        Device(name="side", memory_bytes=10_000_000, voices=8, same_pad_again="self-cut"),
    )
    same = (pad(1, 40, note=36, channel=10), pad(2, 140, note=36, channel=10, device="side"))
    apart = (same[0], replace(same[1], channel=11))
    assert "note-twice" in codes(check_rig(rig(pads=same, devices=two)))
    assert check_rig(rig(pads=apart, devices=two)) == []


def test_frames_that_touch_are_no_overlap():
    assert check_rig(rig(pads=(pad(1, 40), pad(2, 120.0), pad(3, 40, 120.0)))) == []


def test_errors_come_first_and_have_their_numbers():
    found = check_rig(rig(pads=(pad(1, 40, w_mm=12.0), pad(2, 110), pad(3, 150))))
    assert codes(found) == ["pads-overlap", "pad-small"]
    assert found[0].number == pytest.approx(40)
    assert (found[1].number, found[1].limit) == (12, 20)


def test_voices_that_one_clip_would_use_up_are_told_with_the_way_out():
    few = rig(devices=(Device(name="main", memory_bytes=10_000_000, voices=6),), min_rehit_s=0.1)
    (told,) = check_rig(few)
    # 0.6 s hit again every 0.1 s sounds six times at once: voices.instances, ceil(0.6 / 0.1)
    assert (told.code, told.severity, told.number) == ("voices-overlap", "warning", pytest.approx(0.6))
    assert instances(0.6, "one-shot", "overlap", 0.1, 0.0) == 6 and instances(0.61, "one-shot", "overlap", 0.1, 0.0) == 7
    assert 'no one-shot longer than 0.6 s can be placed' in told.text and 'same_pad_again = "self-cut"' in told.text
    assert check_rig(replace(few, min_rehit_s=1.0)) == []  # 6 s of overlapping hits are enough
