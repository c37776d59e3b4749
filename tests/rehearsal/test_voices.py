"""The pure engine: every written case, and properties over random hits.

Truth: ``padbank/rehearsal/cases.json``, derived by hand with the arithmetic
beside each case. Properties: hypothesis. Rule order of stealing: see the
sources named in ``padbank/rehearsal/voices.py``.
"""

from __future__ import annotations

import json
from importlib import resources

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padbank.domain import Device
from padbank.errors import InputError
from padbank.rehearsal.voices import (
    Allocator,
    Event,
    Limits,
    PadSound,
    limits_of,
    perform,
    voices_in_use,
)

CASES = json.loads(resources.files("padbank.rehearsal").joinpath("cases.json").read_text("utf-8"))[
    "cases"
]


def sounds_of(case):
    return [
        PadSound(pad_id=s["pad"], **{k: v for k, v in s.items() if k != "pad"})
        for s in case["sounds"]
    ]


def event_of(row):
    time_s, kind, what = row
    place = {"bank": what} if kind == "bank" else {"pad_id": what or ""}
    return Event(time_s=time_s, kind=kind, **place)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_written_case(case):
    result = perform(
        Limits(**case["limits"]), sounds_of(case), [event_of(row) for row in case["events"]]
    )
    found = [(s.bank, s.pad_id, s.why) for s in result.soundings]
    assert found == [tuple(row[2:]) for row in case["expected"]]
    for sounding, row in zip(result.soundings, case["expected"], strict=True):
        assert sounding.start_s == pytest.approx(row[0], abs=1e-9)
        assert (sounding.stop_s is None) == (row[1] is None)
        if row[1] is not None:
            assert sounding.stop_s == pytest.approx(row[1], abs=1e-9)
    assert result.peak_voices == case["peak_voices"]
    empty = [f for f in result.findings if f.code == "empty-pad"]
    assert [(f.number, f.where) for f in empty] == [
        (row[0], f"bank {row[1]}, {row[2]}") for row in case["empty"]
    ]


def test_cases_cover_every_reason_mode_and_option():
    reasons = {row[4].split(" by ")[0] for case in CASES for row in case["expected"]}
    assert reasons == {
        "end", "cut", "released", "stolen", "hit again", "refused", "stopped", "still sounding",
    }  # fmt: skip
    assert {s["play_mode"] for c in CASES for s in c["sounds"]} == {"one-shot", "gate", "loop"}
    assert {c["limits"]["same_pad_again"] for c in CASES} == {"overlap", "self-cut"}
    assert {c["limits"]["when_full"] for c in CASES} == {"oldest", "refuse"}
    names = [case["name"] for case in CASES]
    assert len(names) == len(set(names))


def test_usage_is_steps_of_voices():
    # Mono 0-0.5 and stereo 0.2-0.4 (2 voices): 1, 3, 1, 0.
    sounds = [
        PadSound(bank=1, pad_id="kit/1", clip="gull", duration_s=0.5, channels=1),
        PadSound(bank=1, pad_id="kit/2", clip="bell", duration_s=0.2, channels=2),
    ]
    hits = [Event(time_s=0.2, kind="hit", pad_id="kit/2"), Event(time_s=0, kind="hit", pad_id="kit/1")]
    result = perform(Limits(voices=8), sounds, hits)
    assert result.usage == ((0, 1), (0.2, 3), (0.4, 1), (0.5, 0))
    assert result.peak_voices == 3
    assert voices_in_use(()) == ()


def test_findings_name_who_was_cut_and_what_was_refused():
    sounds = [
        PadSound(bank=1, pad_id="kit/1", clip="gull", duration_s=2.0, channels=1),
        PadSound(bank=1, pad_id="kit/2", clip="bell", duration_s=1.0, channels=1),
    ]
    hits = [Event(time_s=0, kind="hit", pad_id="kit/1"), Event(time_s=0.5, kind="hit", pad_id="kit/2")]
    (cut,) = perform(Limits(voices=1), sounds, hits).findings
    assert (cut.code, cut.severity, cut.where) == ("cut-by-voice-limit", "error", "bank 1, kit/1")
    assert "1.500 s of it were missing" in cut.text  # 2.0 - 0.5
    (refused,) = perform(Limits(voices=1, when_full="refuse"), sounds, hits).findings
    assert (refused.code, refused.where) == ("hit-refused", "bank 1, kit/2")
    assert (refused.number, refused.limit) == (1, 1)


def test_a_clip_of_no_length_takes_no_voice():
    sounds = [
        PadSound(bank=1, pad_id="kit/1", clip="gull", duration_s=1.0, channels=1),
        PadSound(bank=1, pad_id="kit/2", clip="nothing", duration_s=0.0),
    ]
    hits = [Event(time_s=0, kind="hit", pad_id="kit/1"), Event(time_s=0.5, kind="hit", pad_id="kit/2")]
    result = perform(Limits(voices=1), sounds, hits)
    assert [(s.clip, s.why, s.voices) for s in result.soundings] == [
        ("gull", "end", 1),
        ("nothing", "end", 0),
    ]
    assert result.findings == ()


def test_wrong_values_are_one_sentence():
    sound = PadSound(bank=1, pad_id="kit/1", clip="gull", duration_s=1.0)
    with pytest.raises(InputError, match="holds both gull and gull"):
        perform(Limits(voices=1), [sound, sound], [])
    with pytest.raises(InputError, match="voices"):
        Limits(voices=-1)
    with pytest.raises(InputError, match="release"):
        Limits(voices=1, release_s=float("nan"))
    with pytest.raises(InputError, match="when_full"):
        Limits(voices=1, when_full="newest")
    with pytest.raises(InputError, match="length"):
        PadSound(bank=1, pad_id="kit/1", clip="gull", duration_s=float("inf"))
    with pytest.raises(InputError, match="event kind"):
        Event(time_s=0, kind="tap")
    with pytest.raises(InputError, match="time"):
        Event(time_s=float("nan"), kind="hit")


def test_limits_come_from_the_device():
    device = Device(
        name="main", memory_bytes=1, voices=7, voices_per_stereo=1, same_pad_again="self-cut",
        release_s=0.2, when_full="refuse",
    )  # fmt: skip
    assert limits_of(device) == Limits(
        voices=7, voices_per_stereo=1, same_pad_again="self-cut", release_s=0.2, when_full="refuse"
    )
    assert limits_of(device, when_full="oldest").when_full == "oldest"


# ------------------------------------------------------------------ properties

PADS = ("kit/1", "kit/2", "kit/3", "pedal/1")

limits_strategy = st.builds(
    Limits,
    voices=st.integers(0, 6),
    voices_per_stereo=st.integers(1, 2),
    same_pad_again=st.sampled_from(("overlap", "self-cut")),
    release_s=st.sampled_from((0.0, 0.01, 0.3)),
    when_full=st.sampled_from(("oldest", "refuse")),
)
sound_strategy = st.fixed_dictionaries(
    {
        "clip": st.sampled_from(("gull", "bell", "rope", "foghorn")),
        "duration_s": st.sampled_from((0.0, 0.1, 0.35, 1.0, 4.0)),
        "channels": st.integers(1, 2),
        "play_mode": st.sampled_from(("one-shot", "gate", "loop")),
        "mute_group": st.sampled_from((None, None, "ropes", "horns")),
    }
)
sounds_strategy = st.dictionaries(
    st.tuples(st.integers(1, 2), st.sampled_from(PADS)), sound_strategy, max_size=8
).map(lambda pads: [PadSound(bank=b, pad_id=p, **s) for (b, p), s in pads.items()])
event_strategy = st.one_of(
    st.builds(
        Event,
        time_s=st.integers(0, 60).map(lambda n: n / 10),
        kind=st.sampled_from(("hit", "hit", "hit", "release")),
        pad_id=st.sampled_from(PADS),
    ),
    st.builds(
        Event,
        time_s=st.integers(0, 60).map(lambda n: n / 10),
        kind=st.just("bank"),
        bank=st.integers(1, 2),
    ),
)


@settings(max_examples=120, deadline=None)
@given(limits_strategy, sounds_strategy, st.lists(event_strategy, max_size=40))
def test_never_more_voices_than_the_device_has(limits, sounds, events):
    result = perform(limits, sounds, events)
    assert result.peak_voices <= limits.voices
    # The same, counted afresh at every start instead of by the running steps.
    for sounding in result.soundings:
        now = sum(
            other.voices
            for other in result.soundings
            if other.start_s <= sounding.start_s + 1e-9
            and (other.stop_s is None or other.stop_s > sounding.start_s + 1e-9)
        )
        assert now <= limits.voices


@settings(max_examples=120, deadline=None)
@given(limits_strategy, sounds_strategy, st.lists(event_strategy, max_size=40))
def test_every_hit_is_accounted_for_once(limits, sounds, events):
    result = perform(limits, sounds, events)
    lengths = {(s.bank, s.pad_id): s for s in sounds}
    hits = sum(e.kind == "hit" for e in events)
    empty = sum(f.code == "empty-pad" for f in result.findings)
    looped = {s.pad_id for s in sounds if s.play_mode == "loop"}
    loop_stops = sum(s.pad_id in looped and s.reason == "hit again" for s in result.soundings)
    assert hits - loop_stops <= len(result.soundings) + empty <= hits
    for s in result.soundings:
        sound = lengths[s.bank, s.pad_id]
        if s.reason == "end":
            assert s.stop_s == pytest.approx(s.start_s + sound.duration_s)
        elif s.reason == "still sounding":
            assert sound.play_mode == "loop" and s.stop_s is None
        elif s.reason == "released":
            assert sound.play_mode == "gate" and s.stop_s < s.start_s + sound.duration_s
        elif s.reason == "refused":
            assert s.voices == 0 and s.stop_s == s.start_s
        elif s.reason == "cut":
            assert sound.mute_group is not None and s.by != s.pad_id
        elif s.reason == "stolen":
            assert limits.when_full == "oldest"


@settings(max_examples=100, deadline=None)
@given(limits_strategy, sounds_strategy, st.lists(event_strategy, max_size=30))
def test_a_machine_fed_step_by_step_agrees(limits, sounds, events):
    """The page feeds the machine as hits come; the whole-take function must not differ."""
    allocator, pads, bank = Allocator(limits), {(s.bank, s.pad_id): s for s in sounds}, 1
    for event in sorted(events, key=lambda e: e.time_s):
        allocator.advance(event.time_s)
        assert allocator.in_use <= limits.voices
        if event.kind == "bank":
            bank = event.bank
        elif event.kind == "release":
            allocator.release(event.pad_id, event.time_s)
        elif (bank, event.pad_id) in pads:
            started = allocator.hit(pads[bank, event.pad_id], event.time_s)
            assert started == any(
                v.sound.pad_id == event.pad_id and v.start_s == event.time_s
                for v in allocator.sounding
            ) or not started
    allocator.close()
    key = lambda s: (s.start_s, s.bank, s.pad_id, s.voices, str(s.stop_s))  # noqa: E731
    whole = perform(limits, sounds, events).soundings
    assert sorted(allocator.finished, key=key) == sorted(whole, key=key)
