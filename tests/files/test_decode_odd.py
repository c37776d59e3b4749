"""Odd, damaged and hostile files: what is there is read, what is wrong is said, nothing hangs."""

from __future__ import annotations

import io
import os
import struct
import sys
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from padbank.errors import DecodeError, InputError, PadbankError
from padbank.files.decode import is_sound_name, open_sound, read_sound
from padbank.files.mpeg import walk_mpeg
from padbank.files.ogg import checksum, walk_ogg
from padbank.files.sniff import mpeg_frame, sniff

RATE = 44100


def _samples(frames: int = 30_000, channels: int = 1) -> np.ndarray:
    rng = np.random.default_rng(1)
    return (np.rint(rng.uniform(-0.5, 0.5, (frames, channels)) * 32767) / 32768).astype(np.float32)


def _chunk(name: bytes, body: bytes, size: int | None = None, pad: bool = True) -> bytes:
    size = len(body) if size is None else size
    return name + struct.pack("<I", size) + body + (b"\0" if pad and len(body) % 2 else b"")


def _fmt(channels: int = 1, rate: int = RATE, bits: int = 16, tag: int = 1) -> bytes:
    align = channels * bits // 8 & 0xFFFF
    return _chunk(
        b"fmt ", struct.pack("<HHIIHH", tag, channels, rate, rate * align & 0xFFFFFFFF, align, bits)
    )


def _wav(*chunks: bytes, head: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return head + struct.pack("<I", len(body)) + body


def _pcm(samples: np.ndarray) -> bytes:
    return np.rint(samples * 32768).astype("<i2").tobytes()


def _coded(samples: np.ndarray, format: str, rate: int = RATE, **options: object) -> bytes:
    buffer = io.BytesIO()
    with soundfile.SoundFile(
        buffer, "w", samplerate=rate, channels=samples.shape[1], format=format, **options
    ) as file:
        for at in range(0, len(samples), 8192):
            file.write(samples[at : at + 8192])
    return buffer.getvalue()


@pytest.fixture
def save(tmp_path: Path) -> Callable[..., Path]:
    def write(data: bytes, name: str = "clip.wav") -> Path:
        path = tmp_path / name
        path.write_bytes(data)
        return path

    return write


def _read(path: Path) -> tuple[np.ndarray, list[str]]:
    with open_sound(path) as reader:
        return np.concatenate(list(reader.blocks(1000))), reader.warnings


# ---------------------------------------------------------------- what is no sound file


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "is empty"),
        (bytes(5000), "nothing but zeros"),
        (b"ffconcat version 1.0\nfile 'other.wav'\n", "is a text"),
        (b"#EXTM3U\n/etc/passwd\n", "is a text"),
        (b"RIFF\x10\0\0\0WAVE", "cannot be decoded"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9, "is not a kind"),
        (b"\x00\x00\x00\x18ftypM4A \x00\x00\x00\x00M4A mp42isom", "cannot be decoded"),
    ],
)
def test_no_sound_is_refused_with_its_reason(save: Callable[..., Path], data: bytes, reason: str) -> None:
    with pytest.raises(DecodeError) as caught:
        _read(save(data))
    assert reason in caught.value.reason


def test_only_ordinary_files_are_opened(tmp_path: Path) -> None:
    with pytest.raises(DecodeError, match="is not there"):
        open_sound(tmp_path / "missing.wav")
    with pytest.raises(DecodeError, match="is a folder"):
        open_sound(tmp_path)
    with pytest.raises(DecodeError, match="name that no file can have"):
        open_sound(tmp_path / "a\0b.wav")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipes_and_devices_do_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(DecodeError, match="pipe, socket or device"):
        open_sound(tmp_path / "pipe.wav")
    with pytest.raises(DecodeError, match="pipe, socket or device"):
        open_sound("/dev/zero")


@pytest.mark.skipif(sys.platform == "win32", reason="links need special rights there")
def test_links(tmp_path: Path, save: Callable[..., Path]) -> None:
    path = save(_wav(_fmt(), _chunk(b"data", _pcm(_samples(100)))))
    (tmp_path / "link.wav").symlink_to(path)
    assert len(_read(tmp_path / "link.wav")[0]) == 100
    (tmp_path / "broken.wav").symlink_to(tmp_path / "gone.wav")
    with pytest.raises(DecodeError, match="link to a file that is not there"):
        open_sound(tmp_path / "broken.wav")
    (tmp_path / "loop.wav").symlink_to(tmp_path / "loop.wav")
    with pytest.raises(DecodeError):
        open_sound(tmp_path / "loop.wav")


NAMES = ["-y.wav", "héllo wörld ♫.wav", "%d.wav", "pipe.mp4", "a" * 200 + ".wav"]
if sys.platform != "win32":
    NAMES += ["concat:x.wav", "http:x.wav", "file,options.wav", "pipe:0", 'quo"te\n.wav']


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", ["wav", "mp3", "wavpack"])
def test_names_are_only_names(
    tmp_path: Path, encode_sound: Callable[..., Path], name: str, kind: str
) -> None:
    if kind == "wavpack":
        data = encode_sound(tmp_path / "x", _samples(9000), RATE, "wv", "wavpack").read_bytes()
    else:
        data = _coded(_samples(9000), kind.upper())
    path = tmp_path / name
    path.write_bytes(data)
    got, _ = _read(path)
    assert len(got) == 9000


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names there are always Unicode")
def test_names_that_are_no_unicode(tmp_path: Path) -> None:
    path = os.fsencode(tmp_path) + b"/caf\xe9.wav"
    with open(path, "wb") as file:
        file.write(_wav(_fmt(), _chunk(b"data", _pcm(_samples(100)))))
    [found] = tmp_path.iterdir()
    assert len(_read(found)[0]) == 100
    assert is_sound_name(found)


def test_which_names_a_folder_walk_tries() -> None:
    for name in ("a.WAV", "b.Mp3", "c.m4a", "d.mkv", "e.ulaw", "f.opus", "x/y.aif"):
        assert is_sound_name(name)
    for name in ("a.txt", "wav", "._a.wav", ".DS_Store", "a.mid", "a.d.ts", "a.raw", "a.toml"):
        assert not is_sound_name(name)


# ---------------------------------------------------------------- WAV


def test_a_truncated_wav_says_so(save: Callable[..., Path]) -> None:
    samples = _samples(RATE * 2)
    data = _wav(_fmt(), _chunk(b"data", _pcm(samples)))
    got, warnings = _read(save(data[: 44 + RATE * 2]))
    assert np.array_equal(got, samples[:RATE])
    assert warnings == ["claims 2.000 s, holds 1.000 s"]


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_unfinished_sizes_are_read_to_the_end(save: Callable[..., Path], size: int) -> None:
    samples = _samples(RATE)
    data = _wav(_fmt(), _chunk(b"data", _pcm(samples), size=size))
    got, warnings = _read(save(data[:4] + struct.pack("<I", size) + data[8:]))
    assert np.array_equal(got, samples)
    assert any("claims to be empty, holds 1.000 s" in w for w in warnings) == (size == 0)


def test_an_empty_data_chunk_is_empty(save: Callable[..., Path]) -> None:
    path = save(_wav(_fmt(), _chunk(b"data", b""), _chunk(b"LIST", b"INFOabcd")))
    with open_sound(path) as reader:
        assert list(reader.blocks()) == []
        assert reader.warnings == []


def test_an_odd_chunk_without_its_pad_byte(save: Callable[..., Path]) -> None:
    samples = _samples(500)
    data = _wav(_fmt(), _chunk(b"LIST", b"INFOabc", pad=False), _chunk(b"data", _pcm(samples)))
    assert np.array_equal(_read(save(data))[0], samples)
    padded = _wav(_fmt(), _chunk(b"LIST", b"INFOabc"), _chunk(b"data", _pcm(samples)))
    assert np.array_equal(_read(save(padded))[0], samples)


def test_two_data_chunks_are_read_in_a_row(save: Callable[..., Path]) -> None:
    samples = _samples(1001, 2)
    parts = [_chunk(b"data", _pcm(samples[:301])), _chunk(b"junk", b"123"), _chunk(b"data", _pcm(samples[301:]))]
    path = save(_wav(_fmt(2), *parts))
    got, warnings = _read(path)
    assert np.array_equal(got, samples)
    assert warnings == ["holds more than one data chunk: read one after the other"]
    with open_sound(path) as reader:
        assert np.array_equal(reader.seek_read(290, 20), samples[290:310])


@pytest.mark.parametrize("head", [b"RF64", b"BW64"])
@pytest.mark.parametrize("cut", [0, 300])
def test_long_sizes(save: Callable[..., Path], head: bytes, cut: int) -> None:
    """ITU-R BS.2088 (and EBU Tech 3306): sizes of 0xFFFFFFFF, the true ones in a first ``ds64`` chunk."""
    samples = _samples(1000)
    data = _pcm(samples)
    ds64 = _chunk(b"ds64", struct.pack("<QQQI", 0, len(data), len(samples), 0))
    body = _wav(ds64, _fmt(), _chunk(b"data", data, size=0xFFFFFFFF), head=head)
    body = body[:4] + b"\xff" * 4 + body[8 : len(body) - 2 * cut]
    got, warnings = _read(save(body))
    assert np.array_equal(got, samples[: 1000 - cut])
    assert warnings == (["claims 0.023 s, holds 0.016 s"] if cut else [])


def test_twelve_bits_in_sixteen(save: Callable[..., Path]) -> None:
    """Multimedia Programming Interface 1.0: samples sit at the top of their container."""
    samples = np.rint(_samples(300) * 2048) / 2048
    fmt = _chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, RATE, RATE * 2, 2, 12))
    assert np.array_equal(_read(save(_wav(fmt, _chunk(b"data", _pcm(samples)))))[0], samples)


@pytest.mark.parametrize(
    ("fmt", "reason"),
    [
        (_fmt(rate=0), "0 Hz|cannot be decoded"),
        (_fmt(rate=1), "1 Hz"),
        (_fmt(rate=0xFFFFFFFF), "Hz|cannot be decoded"),
        (_fmt(channels=0), "channels|cannot be decoded"),
        (_fmt(channels=9), "9 channels"),
        (_fmt(channels=65535, bits=8), "channels|cannot be decoded"),
        (_fmt(tag=0x7777), "cannot be decoded"),
        (b"", "cannot be decoded"),
    ],
)
def test_absurd_headers_are_refused(save: Callable[..., Path], fmt: bytes, reason: str) -> None:
    with pytest.raises(DecodeError, match=reason):
        _read(save(_wav(fmt, _chunk(b"data", bytes(range(256)) * 40))))


@pytest.mark.parametrize(("value", "reason"), [(np.nan, "NaN"), (np.inf, "NaN"), (1e30, "600 dBFS"), (32768.0, "90 dBFS")])
def test_values_that_are_no_sound_are_refused(save: Callable[..., Path], value: float, reason: str) -> None:
    samples = _samples(5000).astype("<f4")
    samples[4321] = value
    path = save(_wav(_fmt(bits=32, tag=3), _chunk(b"data", samples.tobytes())))
    with pytest.raises(DecodeError, match=reason):
        _read(path)
    with open_sound(path) as reader:
        assert len(reader.seek_read(0, 4000)) == 4000
        with pytest.raises(DecodeError, match=reason):
            reader.seek_read(4000, 400)


def test_up_to_eight_channels_are_read_as_they_are(save: Callable[..., Path]) -> None:
    samples = _samples(700, 8)
    assert np.array_equal(_read(save(_wav(_fmt(8), _chunk(b"data", _pcm(samples)))))[0], samples)


def test_hot_sound_is_kept(save: Callable[..., Path]) -> None:
    samples = (_samples(5000) * 4).astype("<f4")
    got, warnings = _read(save(_wav(_fmt(bits=32, tag=3), _chunk(b"data", samples.tobytes()))))
    assert np.array_equal(got, samples)
    assert warnings == [f"peaks {20 * np.log10(np.abs(samples).max()):.1f} dB above full scale: kept, not clipped"]


def test_a_hot_lossy_file_is_not_clipped(save: Callable[..., Path]) -> None:
    """A square wave at full scale overshoots when it is coded with losses (Gibbs)."""
    square = np.sign(np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)).astype(np.float32)[:, None]
    for format in ("MP3", "OGG"):
        got, _ = _read(save(_coded(square, format)))
        assert np.abs(got).max() > 1.02
        assert np.count_nonzero(np.abs(got) == 1.0) < 50


# ---------------------------------------------------------------- other headers


def test_an_aiff_of_one_hertz_is_refused(save: Callable[..., Path]) -> None:
    data = bytearray(_coded(_samples(100), "AIFF"))
    at = data.index(b"COMM") + 16  # the rate: an 80-bit float
    data[at : at + 10] = bytes(10)
    with pytest.raises(DecodeError, match=r"sample rate of [01] Hz"):
        _read(save(bytes(data), "x.aiff"))


@pytest.mark.parametrize("claimed", [0, 68_000_000_000])
def test_flac_lengths_are_not_trusted(save: Callable[..., Path], claimed: int) -> None:
    samples = _samples(RATE)
    data = bytearray(_coded(samples, "FLAC", subtype="PCM_16"))
    field = int.from_bytes(data[18:26], "big") & ~0xFFFFFFFFF | claimed  # RFC 9639, 8.2
    data[18:26] = field.to_bytes(8, "big")
    got, warnings = _read(save(bytes(data), "x.flac"))
    assert np.array_equal(got, samples)
    assert len(warnings) == (1 if claimed else 0)
    with open_sound(save(bytes(data), "x.flac")) as reader:
        assert np.array_equal(reader.seek_read(1000, 500), samples[1000:1500])


@pytest.mark.parametrize("damage", ["cut", "zeros", "noise"])
def test_a_damaged_flac_is_read_up_to_the_damage(save: Callable[..., Path], damage: str) -> None:
    samples = _samples(RATE * 3)
    data = _coded(samples, "FLAC", subtype="PCM_16")
    half = len(data) // 2
    hole = {"cut": b"", "zeros": bytes(3000), "noise": np.random.default_rng(4).bytes(3000)}[damage]
    damaged = data[:half] + hole + (data[half + 3000 :] if hole else b"")
    path = save(damaged, "x.flac")
    got, warnings = _read(path)
    assert 0.45 * len(samples) < len(got) < 0.55 * len(samples)
    assert np.array_equal(got, samples[: len(got)])
    assert any(w.startswith("damaged after 1.") for w in warnings) == (damage != "cut")
    assert any(w.startswith("claims 3.000 s, holds 1.") for w in warnings)
    with open_sound(path) as reader:
        for start in (20_000, 0, 50_000):
            assert np.array_equal(reader.seek_read(start, 1000), samples[start : start + 1000])


# ---------------------------------------------------------------- MP3


def _frames_of(data: bytes) -> list[int]:
    """Offsets of the frames of a clean MP3."""
    at, offsets = 0, []
    while at + 4 <= len(data) and (frame := mpeg_frame(data[at : at + 4])) is not None:
        offsets.append(at)
        at += frame.n_bytes
    assert at == len(data)
    return offsets


def _changing(frames: int) -> np.ndarray:
    """Quiet, then dense: a coder of changing bit rate spends little, then much."""
    samples = _samples(frames)
    samples[: frames // 3] *= 1e-4
    return samples


def test_an_mp3_of_changing_bit_rate_without_its_header(save: Callable[..., Path]) -> None:
    samples = _changing(RATE * 4)
    data = _coded(samples, "MP3", bitrate_mode="VARIABLE")
    offsets = _frames_of(data)
    got, _ = _read(save(data[offsets[1] :], "x.mp3"))
    # Every frame after the information frame, 1152 each: counted from the headers.
    assert abs(len(got) - 1152 * (len(offsets) - 1)) <= 1152
    assert len(got) >= len(samples)


def test_joined_mp3s_are_read_to_the_end(save: Callable[..., Path]) -> None:
    one, two = 0.5 * _samples(RATE), 0.5 * _samples(RATE * 2)[::-1]
    path = save(_coded(one, "MP3") + _coded(two, "MP3"), "x.mp3")
    got, warnings = _read(path)
    assert len(got) == len(one) + len(two)
    assert warnings == ["is 2 MP3s joined: read one after the other"]
    with open_sound(path) as reader:
        for start in (RATE - 500, 5, 2 * RATE, RATE):
            part = reader.seek_read(start, 1000)
            assert np.abs(part - got[start : start + 1000]).max() < 1e-4


def test_damage_inside_an_mp3_is_left_out_without_a_bang(save: Callable[..., Path]) -> None:
    samples = 0.1 * _samples(RATE * 4)
    data = _coded(samples, "MP3")
    clean, _ = _read(save(data, "clean.mp3"))
    half = len(data) // 2
    damaged = data[:half] + np.random.default_rng(8).bytes(2000) + data[half + 2000 :]
    got, warnings = _read(save(damaged, "x.mp3"))
    assert 0.9 * len(samples) < len(got) < len(samples)
    assert np.abs(got).max() < 2 * np.abs(clean).max()
    assert any("no whole MP3 frames" in w for w in warnings)
    cut, warnings = _read(save(data[:half], "x.mp3"))
    assert 0.4 * len(samples) < len(cut) < 0.6 * len(samples)
    assert any(w.startswith("claims 4.000 s") for w in warnings)


def test_tags_around_an_mp3(save: Callable[..., Path]) -> None:
    data = _coded(0.5 * _samples(RATE), "MP3")
    plain, _ = _read(save(data))
    for before, after in ((b"ID3\x04\0\0\0\0\x02\x01" + bytes(257), b""), (b"", b"TAG" + bytes(125))):
        got, warnings = _read(save(before + data + after, "x.mp3"))
        assert np.array_equal(got, plain)
        assert warnings == []
    big_tag = b"ID3\x04\0\0\0\x08\0\0" + b"\xaa" * (1 << 17)  # longer than what is sniffed
    assert np.array_equal(_read(save(big_tag + data, "x.mp3"))[0], plain)


def test_frames_counted_by_hand() -> None:
    """MPEG-1 layer III, 128 kbit/s, 44.1 kHz: 144 * 128000 / 44100 = 417 bytes, 418 padded."""
    assert mpeg_frame(bytes([0xFF, 0xFB, 0x90, 0x00])).n_bytes == 417  # type: ignore[union-attr]
    assert mpeg_frame(bytes([0xFF, 0xFB, 0x92, 0x00])).n_bytes == 418  # type: ignore[union-attr]
    assert mpeg_frame(bytes([0xFF, 0xFB, 0xF0, 0x00])) is None  # bit rate 15 is not allowed
    data = _coded(_samples(RATE), "MP3")
    facts = walk_mpeg(io.BytesIO(data), len(data))
    assert facts is not None
    [run] = facts.runs
    assert run.frames == 1152 * (len(_frames_of(data)) - 1)
    assert run.frames - run.trimmed == run.claimed == RATE


# ---------------------------------------------------------------- Ogg


def test_ogg_checksum_of_a_known_page() -> None:
    """Every page that libogg has written carries the checksum that we compute."""
    data = _coded(_samples(RATE), "OGG", subtype="VORBIS")
    at, pages = 0, 0
    while at < len(data):
        segments = data[at + 27 : at + 27 + data[at + 26]]
        page = data[at : at + 27 + len(segments) + sum(segments)]
        stated = struct.unpack("<I", page[22:26])[0]
        assert checksum(page[:22] + bytes(4) + page[26:]) == stated
        at, pages = at + len(page), pages + 1
    facts = walk_ogg(io.BytesIO(data), len(data))
    assert (facts.pages, facts.bad_pages, facts.codec, facts.ended) == (pages, 0, "vorbis", True)


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_chained_cut_and_damaged_ogg(save: Callable[..., Path], subtype: str) -> None:
    rate = 48000
    samples = 0.5 * _samples(rate * 6)
    data = _coded(samples, "OGG", rate=rate, subtype=subtype)
    path = save(data + data, "x.ogg")
    got, warnings = _read(path)
    assert len(got) == 2 * len(samples)
    assert np.abs(got).max() < 1.0
    assert warnings == ["holds 2 sounds in a row: read one after the other"]
    with open_sound(path) as reader:
        part = reader.seek_read(len(samples) - 100, 200)
        assert np.abs(part - got[len(samples) - 100 : len(samples) + 100]).max() < 1e-5
    _, warnings = _read(save(data[: len(data) // 2], "x.ogg"))
    assert "was cut off before its end" in warnings
    middle = data.index(b"OggS", len(data) // 2) + 600
    damaged = data[:middle] + b"damage!!" + data[middle + 8 :]
    got, warnings = _read(save(damaged, "x.ogg"))
    assert any("damaged or lost" in w for w in warnings)
    assert 0 < len(got) <= len(samples)


# ---------------------------------------------------------------- the rest


@pytest.mark.parametrize("law", ["alaw", "ulaw"])
def test_headerless_telephone_sound(save: Callable[..., Path], law: str) -> None:
    """ITU-T G.711: code 0xD5 (A-law) is the smallest positive step, 0xFF (mu-law) zero;
    0x2A and 0x00 are the largest negative values, -32256/32768 and -32124/32768."""
    quiet, loud = {"alaw": (0xD5, 0x2A), "ulaw": (0xFF, 0x00)}[law]
    path = save(bytes([quiet] * 100 + [loud] * 60), f"prompt.{law}")
    with open_sound(path) as reader:
        got = np.concatenate(list(reader.blocks()))
        assert (reader.info.sample_rate_hz, reader.info.channels, len(got)) == (8000, 1, 160)
        assert reader.warnings == ["has no header: taken for telephone sound, mono at 8000 Hz"]
    assert np.abs(got[:100]).max() <= 8 / 32768
    expected = {"alaw": 32256, "ulaw": 32124}[law] / 32768
    assert np.abs(got[100:]) == pytest.approx(expected)
    with pytest.raises(DecodeError, match="no header that says its format"):
        _read(save(bytes([quiet, loud] * 100), "prompt.raw"))


def test_an_m4a_whose_recording_was_cut_off(
    tmp_path: Path, encode_sound: Callable[..., Path], save: Callable[..., Path]
) -> None:
    data = encode_sound(tmp_path / "x", _samples(RATE * 3), RATE, "ipod", "aac").read_bytes()
    with pytest.raises(DecodeError, match="looks like mp4 but cannot be decoded"):
        _read(save(data[: len(data) // 2], "x.m4a"))  # its index comes last


def test_a_film_without_sound(tmp_path: Path) -> None:
    import av

    path = tmp_path / "silent.mp4"
    with av.open(str(path), "w", format="mp4") as container:
        stream = container.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        image = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        container.mux(stream.encode(image))
        container.mux(stream.encode(None))
    with pytest.raises(DecodeError, match="holds no sound"):
        open_sound(path)


def test_a_cut_matroska_says_so(
    tmp_path: Path, encode_sound: Callable[..., Path], save: Callable[..., Path]
) -> None:
    data = encode_sound(tmp_path / "x", _samples(RATE * 4, 2), RATE, "matroska", "aac").read_bytes()
    got, warnings = _read(save(data[: len(data) // 2], "x.mkv"))
    assert RATE < len(got) < 3 * RATE
    assert any(w.startswith("claims 4.") for w in warnings)


def test_sections_that_cannot_be(save: Callable[..., Path]) -> None:
    path = save(_wav(_fmt(), _chunk(b"data", _pcm(_samples(RATE)))))
    with pytest.raises(InputError, match="end has to come after"):
        read_sound(path, 0.5, 0.5)
    with pytest.raises(DecodeError, match=r"more than 0\.500 s"):
        read_sound(path, max_s=0.5)
    assert len(read_sound(path, 0.75, max_s=0.5)[0]) == RATE // 4
    assert len(read_sound(path, max_s=1.0)[0]) == RATE
    with open_sound(path) as reader, pytest.raises(InputError):
        reader.seek_read(-1, 10)


def test_errors_are_ours_and_one_sentence(save: Callable[..., Path]) -> None:
    path = save(b"hello, this is no sound")
    with pytest.raises(PadbankError) as caught:
        open_sound(path)
    assert str(caught.value) == f"{path}: is a text, not a sound file"


def test_magic_numbers_decide_before_names() -> None:
    assert sniff(b"OggS" + bytes(60), ".wav").name == "ogg"  # type: ignore[union-attr]
    assert sniff(b"fLaC" + bytes(60), ".ulaw").name == "flac"  # type: ignore[union-attr]
    assert sniff(b"\x01\x02\x03\x04" * 20, ".wav") is None
    assert sniff(b"", ".ulaw") is None


def test_tags_in_another_encoding_are_no_reason_to_refuse(tmp_path: Path) -> None:
    """Older recorders write tags in their country's code page; ISO/IEC 14496-12 asks for UTF-8."""
    path = tmp_path / "titled.m4a"
    with av.open(str(path), "w", format="mp4") as out:
        out.metadata["title"] = "T" * 10
        stream = out.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(np.full((1, 44100), 0.1, np.float32), format="fltp", layout="mono")
        frame.sample_rate = 44100
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            out.mux(packet)
    data = path.read_bytes()
    assert b"T" * 10 in data
    path.write_bytes(data.replace(b"T" * 10, b"\xff\xfe\xe4\xf6" + b"T" * 6))
    assert len(read_sound(path)[0]) == pytest.approx(44100, abs=2048)
