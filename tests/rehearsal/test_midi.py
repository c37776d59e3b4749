"""Standard MIDI Files and control hits, against the standard's own bytes and a second reader.

Sources: worked bytes of Standard MIDI Files 1.0 (its table of variable-length
numbers and its example file of format 0, both from memory, with the
arithmetic shown); tempo 0A 2C 2B = 666,667 µs = 90 a minute (from a public
parser's bug report, phpmidiparser 2586); mido (MIT), an independent reader and
writer, in both directions.
"""

from __future__ import annotations

import io
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padbank.domain import Control, ControlPlace, Device, Pad, Rig
from padbank.errors import InputError
from padbank.midi import (
    TICKS_PER_SECOND,
    NoteMap,
    TakeEvent,
    control_bytes,
    note_bytes,
    read_take,
    write_take,
)

END = bytes.fromhex("00ff2f00")


def chunk(kind, body):
    return struct.pack(">4sI", kind, len(body)) + body


def smf(*tracks, division=96, file_format=None):
    file_format = (0 if len(tracks) == 1 else 1) if file_format is None else file_format
    header = chunk(b"MThd", struct.pack(">HHH", file_format, len(tracks), division))
    return header + b"".join(chunk(b"MTrk", track) for track in tracks)


def notes(take):
    return [(round(e.time_s, 6), e.kind, e.channel, e.note, e.velocity) for e in take.events]


def test_the_standards_example_file():
    """The standard's format 0 example: 96 ticks a quarter, 500,000 µs, three channels.

    Delta 0: programs 5, 46, 70 on channels 1-3; note 48 and 60 on channel 3 at 0,
    67 on channel 2 at 96 ticks = 0.5 s, 76 on channel 1 at 192 = 1.0 s, all let go at 384 = 2.0 s.
    """
    track = bytes.fromhex(
        "00ff580404021808"  # time signature
        "00ff510307a120"  # 500,000 µs
        "00c005 00c12e 00c246"
        "00923060 003c60"  # running status
        "60914340 60904c20"
        "8140 823040 003c40 00814340 00804c40"  # delta 81 40 = 1 * 128 + 64 = 192
        "00ff2f00"
    )
    take = read_take(smf(track))
    assert [(e.kind, e.channel, e.program) for e in take.events[:3]] == [
        ("program", 1, 5),
        ("program", 2, 46),
        ("program", 3, 70),
    ]
    assert notes(take)[3:] == [
        (0.0, "on", 3, 48, 96),
        (0.0, "on", 3, 60, 96),
        (0.5, "on", 2, 67, 64),
        (1.0, "on", 1, 76, 32),
        (2.0, "off", 3, 48, 0),
        (2.0, "off", 3, 60, 0),
        (2.0, "off", 2, 67, 0),
        (2.0, "off", 1, 76, 0),
    ]
    assert take.duration_s == 2.0
    assert take.warnings == ()


@pytest.mark.parametrize(
    ("data", "number"),
    [
        ("00", 0x00),
        ("40", 0x40),
        ("7f", 0x7F),
        ("8100", 0x80),
        ("c000", 0x2000),
        ("ff7f", 0x3FFF),
        ("818000", 0x4000),
        ("c08000", 0x100000),
        ("ffff7f", 0x1FFFFF),
        ("81808000", 0x200000),
        ("c0808000", 0x8000000),
        ("ffffff7f", 0xFFFFFFF),
    ],
)
def test_the_standards_variable_length_numbers(data, number):
    # 25 frames a second of 40 ticks: one tick is 1 ms whatever the tempo.
    take = read_take(smf(bytes.fromhex(data) + b"\x99\x26\x40" + END, division=0xE728))
    assert take.events[0].time_s == pytest.approx(number / 1000)


def test_tempo_of_ninety_a_minute():
    # 666,667 µs a quarter: 96 ticks last 0.666667 s, where 120 a minute gives 0.5 s.
    take = read_take(smf(bytes.fromhex("00ff51030a2c2b 60992640") + END))
    assert take.events[0].time_s == pytest.approx(0.666667, abs=1e-9)
    assert read_take(smf(bytes.fromhex("60992640") + END)).events[0].time_s == pytest.approx(0.5)


def test_tempo_of_the_first_track_holds_for_the_others():
    # 96 ticks at 500,000 (0.5 s), then 96 at 1,000,000 (1.0 s): the note lies at 1.5 s.
    tempo = bytes.fromhex("00ff510307a120 60ff51030f4240") + END
    hits = bytes.fromhex("814099264 0".replace(" ", "")) + END
    take = read_take(smf(tempo, hits))
    assert take.events[0].time_s == pytest.approx(1.5)
    assert (take.format, take.tracks) == (1, 2)


@pytest.mark.parametrize(
    ("division", "tick_s"),
    [
        (0xE828, 1 / (24 * 40)),
        (0xE728, 1 / 1000),
        (0xE350, 1 / (30000 / 1001 * 80)),  # -29: 30 drop-frame runs at 30000/1001
        (0xE250, 1 / (30 * 80)),
    ],
)
def test_division_in_frames(division, tick_s):
    tempo_is_ignored = bytes.fromhex("00ff51030f4240")
    take = read_take(smf(tempo_is_ignored + b"\x87\x68\x99\x26\x40" + END, division=division))
    assert take.events[0].time_s == pytest.approx(1000 * tick_s)  # 87 68 = 7 * 128 + 104 = 1000


def test_velocity_zero_lets_go_and_running_status_goes_on():
    take = read_take(smf(bytes.fromhex("00992640 602600 602640 608926 40".replace(" ", "")) + END))
    assert [e.kind for e in take.events] == ["on", "off", "on", "off"]
    assert [e.time_s for e in take.events] == pytest.approx([0, 0.5, 1.0, 1.5])


def test_other_messages_are_passed_over():
    body = bytes.fromhex(
        "00f0047e0903f7"  # system exclusive, 4 bytes
        "00f7023c40"  # escape, 2 bytes
        "00ff0304676f6c64"  # name
        "00b90764 00d940 00e90040 00a92640"  # controller, pressures, bend
        "00992640"
    )
    take = read_take(smf(body + END))
    assert notes(take) == [(0.0, "on", 10, 38, 64)]
    assert take.warnings == ()


def test_unknown_chunks_and_longer_headers_are_skipped():
    header = chunk(b"MThd", struct.pack(">HHH", 0, 1, 96) + b"more")
    data = header + chunk(b"XYZ ", b"abc") + chunk(b"MTrk", b"\x00\x99\x26\x40" + END)
    assert len(read_take(data).events) == 1


def test_odd_but_readable_files_are_read_with_a_warning():
    no_end = read_take(smf(bytes.fromhex("00992640")))
    assert len(no_end.events) == 1 and "no end-of-track" in no_end.warnings[0]
    trailing = read_take(smf(bytes.fromhex("00992640") + END) + b"\0\0\0")
    assert "3 bytes after the last track" in trailing.warnings[0]
    after_end = read_take(smf(bytes.fromhex("00992640") + END + b"\x00\x99\x27\x40"))
    assert len(after_end.events) == 1 and "4 bytes after its end" in after_end.warnings[0]
    after_meta = read_take(smf(bytes.fromhex("00992640 00ff0100 002740".replace(" ", "")) + END))
    assert len(after_meta.events) == 2 and "running status" in after_meta.warnings[0]


GOOD = smf(bytes.fromhex("00992640602600") + END)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "cut short"),
        (b"RIFF" + GOOD[4:], "not a Standard MIDI File"),
        (GOOD[:12], "cut short"),
        (GOOD[:20], "cut short"),
        (GOOD[:-3], "cut short"),
        (smf(END, END, division=96)[:26], "1 of its 2 tracks"),
        (smf(END, file_format=2), "format 2"),
        (smf(END, file_format=7), "unknown format 7"),
        (smf(END, END, file_format=0), "format 0 with 2 tracks"),
        (smf(END, division=0), "0 ticks"),
        (smf(END, division=0xE700), "25 frames a second of 0 ticks"),
        (smf(END, division=0x8004), "128 frames"),
        (chunk(b"MThd", b"\0\0\0\1"), "header is 4 bytes"),
        (smf(b"\x00\x26\x40" + END), "begins with the data byte 26"),
        (smf(b"\x00\x99\x26\x99" + END), "cut by the byte 99"),
        (smf(b"\x00\x99\x26"), "cut short in its message"),
        (smf(b"\xff\xff\xff\xff\x00\x99\x26\x40" + END), "more than 4 bytes"),
        (smf(b"\x00\xf8" + END), "the byte F8"),
        (smf(b"\x00\xf0\x7f\x01" + END), "cut short"),
        (smf(b"\x00\xff\x51\x02\x07\xa1" + END), "tempo"),
        (smf(b"\x00\xff\x51\x03\x00\x00\x00" + END), "tempo"),
    ],
)
def test_damaged_files_are_one_sentence(data, words):
    with pytest.raises(InputError, match=words) as caught:
        read_take(data, "evening.mid")
    assert str(caught.value).startswith("evening.mid")
    assert "\n" not in str(caught.value)


@settings(max_examples=250, deadline=None)
@given(
    st.sampled_from((GOOD, smf(END, bytes.fromhex("00ff51030a2c2b 8140c905 00f00201f7") + END))),
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 255)), max_size=4),
    st.integers(0, 80),
)
def test_any_damage_is_an_input_error_or_a_take(data, changes, length):
    damaged = bytearray(data)
    for at, value in changes:
        if at < len(damaged):
            damaged[at] = value
    try:
        take = read_take(bytes(damaged[:length]))
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert all(e.time_s <= take.duration_s + 1e-9 for e in take.events)


# ------------------------------------------------------------------ writing

event_strategy = st.one_of(
    st.builds(
        TakeEvent,
        time_s=st.floats(0, 4000),
        kind=st.just("on"),
        channel=st.integers(1, 16),
        note=st.integers(0, 127),
        velocity=st.integers(1, 127),
    ),
    st.builds(
        TakeEvent,
        time_s=st.floats(0, 4000),
        kind=st.just("off"),
        channel=st.integers(1, 16),
        note=st.integers(0, 127),
    ),
    st.builds(
        TakeEvent,
        time_s=st.floats(0, 4000),
        kind=st.just("program"),
        channel=st.integers(1, 16),
        program=st.integers(0, 127),
    ),
)


def plain(event):
    return (event.kind, event.channel, event.note, event.velocity, event.program)


@settings(max_examples=150, deadline=None)
@given(st.lists(event_strategy, max_size=30))
def test_what_is_written_is_read_back(events):
    in_order = sorted(events, key=lambda e: e.time_s)
    data = write_take(events)
    take = read_take(data)
    assert [plain(e) for e in take.events] == [plain(e) for e in in_order]
    for back, event in zip(take.events, in_order, strict=True):
        assert abs(back.time_s - event.time_s) <= 0.5 / TICKS_PER_SECOND + 1e-9
    assert take.warnings == ()
    assert write_take(take.events) == data  # once on the grid, the bytes stay


def test_written_bytes_by_hand():
    # 0.5 s = 5000 ticks = 39 * 128 + 8: A7 08; the note-off runs on as velocity 0.
    on = TakeEvent(time_s=0, kind="on", channel=10, note=38, velocity=64)
    off = TakeEvent(time_s=0.5, kind="off", channel=10, note=38)
    assert write_take([off, on]) == smf(
        bytes.fromhex("00ff510307a120 00992640 a7082600") + END, division=5000
    )


def test_letting_go_with_a_velocity_is_no_hit():
    off = TakeEvent(time_s=0.5, kind="off", channel=10, note=38, velocity=64)
    (back,) = read_take(write_take([off])).events
    assert (back.kind, back.velocity) == ("off", 0)


def test_a_gap_too_long_for_the_format_is_refused():
    late = TakeEvent(time_s=30_000, kind="on", channel=10, note=38, velocity=64)
    with pytest.raises(InputError, match="split the take"):
        write_take([late])


@settings(max_examples=150, deadline=None)
@given(st.lists(event_strategy, max_size=20))
def test_a_second_reader_reads_what_is_written(events):
    mido = pytest.importorskip("mido", reason="mido is not installed: pip install 'padbank[test]'")
    file = mido.MidiFile(file=io.BytesIO(write_take(events)))
    assert (file.type, len(file.tracks)) == (0, 1)
    now, seen = 0.0, []
    for message in file:
        now += message.time
        if message.type == "program_change":
            seen.append((now, "program", message.channel + 1, 0, 0, message.program))
        elif not message.is_meta:
            kind = "on" if message.type == "note_on" and message.velocity else "off"
            seen.append((now, kind, message.channel + 1, message.note, message.velocity, 0))
    in_order = sorted(events, key=lambda e: e.time_s)
    assert [row[1:] for row in seen] == [plain(e) for e in in_order]
    for row, event in zip(seen, in_order, strict=True):
        assert abs(row[0] - event.time_s) <= 0.5 / TICKS_PER_SECOND + 1e-6


message_strategy = st.one_of(
    st.tuples(st.just("note_on"), st.integers(0, 15), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.just("note_off"), st.integers(0, 15), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.just("program_change"), st.integers(0, 15), st.integers(0, 127)),
    st.tuples(st.just("control_change"), st.integers(0, 15), st.integers(0, 127)),
    st.tuples(st.just("set_tempo"), st.integers(1, 0xFFFFFF)),
    st.tuples(st.just("sysex"), st.integers(0, 127)),
    st.tuples(st.just("text"), st.sampled_from(("", "go", "x" * 200))),
)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 3000), message_strategy), max_size=15),
        min_size=1,
        max_size=3,
    ),
    st.integers(1, 0x7FFF),
)
def test_what_a_second_writer_writes_is_read(tracks, ticks):
    mido = pytest.importorskip("mido", reason="mido is not installed: pip install 'padbank[test]'")
    file = mido.MidiFile(type=0 if len(tracks) == 1 else 1, ticks_per_beat=ticks)
    for rows in tracks:
        track = mido.MidiTrack()
        for delta, (kind, *values) in rows:
            if kind in ("note_on", "note_off"):
                channel, note, velocity = values
                message = mido.Message(
                    kind, channel=channel, note=note, velocity=velocity, time=delta
                )
            elif kind == "program_change":
                message = mido.Message(kind, channel=values[0], program=values[1], time=delta)
            elif kind == "control_change":
                message = mido.Message(kind, channel=values[0], control=7, value=values[1], time=delta)
            elif kind == "set_tempo":
                message = mido.MetaMessage(kind, tempo=values[0], time=delta)
            elif kind == "sysex":
                message = mido.Message(kind, data=(values[0],), time=delta)
            else:
                message = mido.MetaMessage(kind, text=values[0], time=delta)
            track.append(message)
        file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    take = read_take(out.getvalue())
    now, expected = 0.0, []
    for message in mido.MidiFile(file=io.BytesIO(out.getvalue())):
        now += message.time
        if message.type == "program_change":
            expected.append((now, "program", message.channel + 1, 0, 0, message.program))
        elif message.type in ("note_on", "note_off"):
            on = message.type == "note_on" and message.velocity > 0
            expected.append(
                (now, "on" if on else "off", message.channel + 1, message.note,
                 message.velocity if on else 0, 0)
            )  # fmt: skip
    assert [plain(e) for e in take.events] == [row[1:] for row in expected]
    assert [e.time_s for e in take.events] == pytest.approx([row[0] for row in expected], rel=1e-9)
    assert take.duration_s == pytest.approx(now, rel=1e-9)
    assert take.warnings == ()


# ------------------------------------------------------------------ rigs


def pad(number, **more):
    return Pad(surface="kit", number=number, x_mm=100 * number, y_mm=0, w_mm=80, h_mm=80, **more)


def rig(*pads, controls=()):
    device = Device(name="main", memory_bytes=1, voices=8)
    return Rig(name="r", title="r", banks=2, pads=pads, devices=(device,), controls=controls)


def test_notes_find_their_pads():
    notes_of = NoteMap(
        rig(
            pad(1, note=36),
            pad(2, note=38, channel=10),
            pad(3, note=38, channel=2),
            pad(4, note=36, channel=5),
            pad(5),
            controls=(
                Control(label="lights", pad_id="kit/5", note=70, channel=16),
                Control(label="talk", note=71),
            ),
        ),
        placed=[ControlPlace(bank=2, pad_id="kit/5", label="talk")],
    )
    assert notes_of.pad(3, 36) == "kit/1"  # no channel of its own: any
    assert notes_of.pad(5, 36) == "kit/4"  # the message's own channel goes first
    assert notes_of.pad(10, 38) == "kit/2"
    assert notes_of.pad(2, 38) == "kit/3"
    assert notes_of.pad(1, 38) is None
    assert notes_of.pad(16, 70) == "kit/5"
    assert notes_of.pad(1, 71) == "kit/5"
    assert len(notes_of) == 6


def test_two_pads_with_one_note_are_refused():
    with pytest.raises(InputError, match="kit/1 and kit/2 both answer to note 36 on channel 10"):
        NoteMap(rig(pad(1, note=36, channel=10), pad(2, note=36, channel=10)))


def test_control_hits_send_their_own_note_else_their_pads():
    # 9n kk vv: note-on of channel n + 1 (MIDI 1.0 Detailed Specification).
    assert control_bytes(Control(label="lights", note=60, channel=1)).hex() == "903c64"
    assert control_bytes(Control(label="talk"), pad(1, note=38, channel=3)).hex() == "922664"
    assert control_bytes(Control(label="talk", note=61), pad(1, note=38)).hex() == "993d64"
    assert note_bytes(16, 127, 0) == b"\x9f\x7f\x00"
    with pytest.raises(InputError, match="no note"):
        control_bytes(Control(label="talk"), pad(1))


@pytest.mark.parametrize(
    "values",
    [
        {"channel": 0, "note": 1},
        {"channel": 17, "note": 1},
        {"channel": 1, "note": 128},
        {"channel": 1, "note": 1, "velocity": 0},
        {"channel": 1, "note": 1.5},
        {"channel": 1, "note": 1, "time_s": -1.0},
        {"channel": 1, "note": 1, "kind": "tap"},
    ],
)
def test_values_out_of_range_are_refused(values):
    with pytest.raises(InputError):
        TakeEvent(**{"time_s": 0.0, "kind": "on", "velocity": 64, **values})
