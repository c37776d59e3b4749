"""The demo's scenario: a variety night on a quay that does not exist.

Everything here is invented: Lantern Quay, its variety night and the Breakwater
ball, their songs, quiz and announcer. All clips are synthesised by
``padbank.demo.synth``, so nobody's recording is in them; the licences beside
them are those of the demo. One clip is *marked* as borrowed without rights, so
that the demo shows what padbank does with such a clip; it is synthesised too.

On purpose the clips are what a drummer's folder is: many formats and rates,
silent heads and tails, some far too loud or too soft, some shorter than 400 ms,
one cut off in the middle, one of which almost nothing was copied, one silent,
one twice in two formats.

Functions: ``write_demo``. Data: ``CLIPS``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from padbank.demo import music, sounds, synth
from padbank.files import demo_write
from padbank.progress import Progress, silent

OWN = "CC0-1.0"
CREDIT = "CC-BY-4.0"

RIG_FILES = ("crate-eight.toml", "quay-twin.toml")
SHOW_FILES = ("lantern-quay.toml", "breakwater-ball.toml")

ROOM_TONE = 10 ** (-72 / 20)
"""Noise under a clip's head and tail: an ordinary recording is never digital silence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoClip:
    """One demo file: what it is made of and what is wrong with it.

    ``gain_db`` is on top of the synth's peak of ±0.8; integer formats clip.
    ``head_s`` and ``tail_s`` are silence before and after, with room tone when
    ``room_tone`` is set.
    """

    name: str
    make: Callable[[int], synth.Sound]
    form: str
    rate_hz: int
    tags: tuple[str, ...]
    licence: str | None = OWN
    head_s: float = 0.0
    tail_s: float = 0.0
    gain_db: float = 0.0
    room_tone: bool = False
    keep_share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoFiles:
    """What ``write_demo`` wrote: clips with their tags and licence, rigs, shows, one long reel,
    and the recipe changes that a drummer would have made next."""

    clips: tuple[tuple[Path, tuple[str, ...], str | None], ...]
    rigs: tuple[Path, ...]
    shows: tuple[Path, ...]
    reel: Path
    edits: tuple[tuple[str, dict[str, float | str | None]], ...] = ()
    """changes to the recipes of some clips, by name: loops whole, verdicts that cut each other"""


# ---------------------------------------------------------------- pieces with parts

_VERSE = ((57, 60, 64), (53, 57, 60), (55, 59, 62), (57, 60, 64))
_CHORUS = ((60, 64, 67), (55, 59, 62), (57, 60, 64), (53, 57, 60))
_LOW = ((62, 65, 69), (58, 62, 65), (60, 64, 67))
_TAR = (69, None, 72, 71, 69, None, 64, None, 65, None, 69, 67, 65, 64, 62, None)
_SING = (76, 76, 74, 72, 74, None, 71, None, 72, 72, 71, 69, 69, None, 67, None)
_EBB = (74, None, None, 72, 70, None, 69, None, 67, None, 65, None)
_WALTZ = (72, 74, 76, 77, None, 76, 74, 72, 70, 72, None, None)  # fmt: skip

_Syllables = tuple[tuple[str, str, float], ...]
_WELCOME: _Syllables = (
    ("m", "ue", 0.24), ("t", "o", 0.18), (" ", "", 0.1), ("s", "a", 0.22), ("-", "ia", 0.26), ("m", "o", 0.4),
)  # fmt: skip
_THANKS: _Syllables = (("s", "a", 0.25), ("t", "iu", 0.3), (" ", "", 0.08), ("m", "ae", 0.35))
_NEXT: _Syllables = (("-", "a", 0.16), ("t", "e", 0.2), ("s", "i", 0.18), ("-", "uo", 0.4))
_STEP: _Syllables = (("m", "ai", 0.3), ("t", "o", 0.2), ("s", "e", 0.35))
_ORDERS: _Syllables = (
    ("-", "a", 0.22), ("s", "o", 0.25), (" ", "", 0.12), ("m", "oa", 0.28), ("t", "e", 0.2), ("s", "i", 0.35),
)  # fmt: skip
_RADIO: _Syllables = (("t", "a", 0.16), ("-", "io", 0.24), ("s", "e", 0.16), (" ", "", 0.1), ("m", "ea", 0.32))


def _radio_call(rate_hz: int) -> synth.Sound:
    return sounds.over_radio(sounds.speech(rate_hz, _RADIO, 140), rate_hz)


def _silence(rate_hz: int) -> synth.Sound:
    return np.zeros(2 * rate_hz)


def _shanty(rate_hz: int) -> synth.Sound:
    tune = (67, None, 67, 69, 71, None, 69, 67, 64, None, 67, None)
    return music.band_music(rate_hz, ((55, 59, 62), (60, 64, 67), (55, 59, 62)), tune, 0.34)


def _raffle(rate_hz: int) -> synth.Sound:
    """Wooden balls in a drum, then one bell."""
    out = np.zeros(synth.frames(3.2, rate_hz))
    when = (synth.noise(70, 15) + 1) * 1.05
    for index, at_s in enumerate(when):
        ball = sounds.click(rate_hz, 0.04, 900 + 60 * (index % 7), 400 + index % 9)
        synth.place(out, 0.4 * ball, float(at_s), rate_hz)
    synth.place(out, sounds.bell(rate_hz, 880, 1.1), 2.15, rate_hz)
    return synth.at_peak(out)


CLIPS: tuple[DemoClip, ...] = (
    # harbour
    DemoClip(name="foghorn", make=sounds.foghorn, form="wav16", rate_hz=44100,
             tags=("harbour", "horn"), head_s=0.45, tail_s=0.9, room_tone=True),
    DemoClip(name="foghorn-far", make=lambda r: synth.room(sounds.foghorn(r, 74, 2.2), r, 1.2, 31, 0.8),
             form="flac24", rate_hz=48000, tags=("harbour", "horn"), gain_db=-34, head_s=0.3),
    DemoClip(name="ship-bell", make=sounds.bell, form="wav24", rate_hz=48000,
             tags=("harbour", "bell"), head_s=0.25, tail_s=0.5),
    DemoClip(name="ship-bell-again", make=sounds.bell, form="flac24", rate_hz=48000,
             tags=("harbour", "bell"), head_s=0.25, tail_s=0.5),
    DemoClip(name="two-bells", make=sounds.double_bell, form="mp3", rate_hz=44100,
             tags=("harbour", "bell")),
    DemoClip(name="bell-buoy", make=sounds.bell_buoy, form="ogg", rate_hz=44100,
             tags=("harbour", "bell"), tail_s=0.6),
    DemoClip(name="gull-one", make=sounds.gull, form="wav16", rate_hz=22050,
             tags=("harbour", "gull"), head_s=0.12, room_tone=True),
    DemoClip(name="gulls-many", make=sounds.gulls, form="m4a", rate_hz=48000, tags=("harbour", "gull")),
    DemoClip(name="chain-drop", make=sounds.chain, form="flac", rate_hz=44100, tags=("harbour", "hit")),
    DemoClip(name="splash", make=sounds.splash, form="ogg", rate_hz=48000, tags=("harbour", "hit")),
    DemoClip(name="anvil", make=sounds.anvil, form="wav24", rate_hz=96000,
             tags=("harbour", "hit"), gain_db=-12),
    DemoClip(name="bosun-whistle", make=sounds.bosun, form="flac", rate_hz=48000,
             tags=("harbour", "whistle"), head_s=0.6, tail_s=0.3),
    # hits
    DemoClip(name="rim-click", make=sounds.click, form="wav16", rate_hz=48000, tags=("hit",)),
    DemoClip(name="rim-click-dry", make=lambda r: sounds.click(r, 0.04, 2050, 6), form="wavfloat",
             rate_hz=96000, tags=("hit",), gain_db=-6),
    DemoClip(name="wood-knock", make=sounds.knock, form="wav16", rate_hz=22050, tags=("hit",)),
    DemoClip(name="barrel-thump", make=sounds.thump, form="wav16", rate_hz=44100, tags=("hit",),
             head_s=0.08),
    DemoClip(name="shaker-short", make=sounds.shaker, form="wav24", rate_hz=44100, tags=("hit",)),
    DemoClip(name="tambourine", make=sounds.tambourine, form="flac", rate_hz=44100, tags=("hit",)),
    DemoClip(name="cork-pop", make=sounds.cork, form="wav16", rate_hz=32000, tags=("hit", "joke")),
    DemoClip(name="drum-roll", make=sounds.drum_roll, form="wav24", rate_hz=44100,
             tags=("hit", "tension")),
    DemoClip(name="crash", make=sounds.crash, form="ogg", rate_hz=48000, tags=("hit", "joke"),
             gain_db=1.5),
    # quiz and jokes
    DemoClip(name="buzzer-wrong", make=sounds.buzzer, form="wav16", rate_hz=44100,
             tags=("quiz", "buzzer"), gain_db=14),
    DemoClip(name="buzzer-time", make=lambda r: sounds.buzzer(r, 98, 1.3), form="mp3", rate_hz=32000,
             tags=("quiz", "buzzer"), gain_db=4),
    DemoClip(name="ding-right", make=sounds.ding, form="wavfloat", rate_hz=48000,
             tags=("quiz",), gain_db=8),
    DemoClip(name="quiz-clock", make=sounds.ticking, form="wav16", rate_hz=44100,
             tags=("quiz", "loop", "tension"), gain_db=-8),
    DemoClip(name="sorry-horn", make=sounds.slide, form="mp3", rate_hz=44100, tags=("quiz", "joke"),
             head_s=0.2),
    DemoClip(name="raffle-drum", make=_raffle, form="flac", rate_hz=44100, tags=("raffle", "tension")),
    # people
    DemoClip(name="laugh-low", make=lambda r: sounds.laugh(r, 108, 6, 0.21, "o", 0.93), form="wav16",
             rate_hz=44100, tags=("laugh",), head_s=0.3, tail_s=0.4, room_tone=True),
    DemoClip(name="laugh-bright", make=lambda r: sounds.laugh(r, 205, 8, 0.16, "a", 1.12), form="m4a",
             rate_hz=44100, tags=("laugh",)),
    DemoClip(name="laugh-cackle", make=lambda r: sounds.laugh(r, 260, 9, 0.13, "e", 1.2, 52),
             form="ogg", rate_hz=44100, tags=("laugh",)),
    DemoClip(name="giggle", make=lambda r: sounds.laugh(r, 310, 5, 0.12, "i", 1.25, 53), form="flac",
             rate_hz=22050, tags=("laugh",), gain_db=-20),
    DemoClip(name="laugh-crowd", make=sounds.crowd_laugh, form="mp3", rate_hz=44100,
             tags=("laugh", "crowd"), licence=CREDIT),
    DemoClip(name="applause-few", make=lambda r: sounds.applause(r, 3.2, 45), form="wav16",
             rate_hz=44100, tags=("applause", "crowd")),
    DemoClip(name="applause-big", make=lambda r: sounds.applause(r, 5.0, 170, 62), form="ogg",
             rate_hz=48000, tags=("applause", "crowd"), licence=CREDIT),
    DemoClip(name="crowd-ooh", make=lambda r: sounds.crowd_vowel(r, "u", 1.35), form="flac",
             rate_hz=44100, tags=("crowd",)),
    DemoClip(name="crowd-aww", make=lambda r: sounds.crowd_vowel(r, "o", 0.72), form="m4a",
             rate_hz=44100, tags=("crowd",)),
    # speech
    DemoClip(name="say-welcome", make=lambda r: sounds.speech(r, _WELCOME), form="mp3", rate_hz=22050,
             tags=("speech",), head_s=0.5, tail_s=0.7),
    DemoClip(name="say-thanks", make=lambda r: sounds.speech(r, _THANKS, 175, 1.15), form="wav16",
             rate_hz=8000, tags=("speech",)),
    DemoClip(name="say-next-act", make=lambda r: sounds.speech(r, _NEXT, 128), form="m4a",
             rate_hz=48000, tags=("speech",), head_s=0.35),
    DemoClip(name="say-mind-the-step", make=lambda r: sounds.speech(r, _STEP, 105, 0.95), form="wav24",
             rate_hz=48000, tags=("speech", "joke"), gain_db=-30),
    DemoClip(name="say-last-orders", make=lambda r: sounds.speech(r, _ORDERS, 98, 0.92), form="mp4",
             rate_hz=44100, tags=("speech",), tail_s=0.6),
    DemoClip(name="radio-call", make=_radio_call, form="wav16", rate_hz=8000,
             tags=("speech", "harbour"), licence=CREDIT),
    # songs
    DemoClip(name="tar-verse", make=lambda r: music.band_music(r, _VERSE, _TAR, 0.42), form="flac",
             rate_hz=44100, tags=("song", "tar"), licence=CREDIT),
    DemoClip(name="tar-chorus", make=lambda r: music.band_music(r, _CHORUS, _SING, 0.42), form="mp3",
             rate_hz=44100, tags=("song", "tar"), licence=CREDIT),
    DemoClip(name="low-water-intro",
             make=lambda r: music.band_music(r, _LOW, _EBB, 0.5, 3, drums=False), form="wav16",
             rate_hz=44100, tags=("song", "low-water"), gain_db=-16, head_s=0.8),
    DemoClip(name="low-water-out", make=lambda r: music.band_music(r, _LOW[::-1], _EBB[::-1], 0.46, 3),
             form="ogg", rate_hz=44100, tags=("song", "low-water")),
    DemoClip(name="barrel-organ", make=lambda r: music.organ(r, _WALTZ * 2, 0.27), form="wav16",
             rate_hz=32000, tags=("song", "interval")),
    DemoClip(name="fanfare", make=music.fanfare, form="wav24", rate_hz=48000, tags=("song", "raffle"),
             gain_db=1.9),
    # loops and drones
    DemoClip(name="waves-loop", make=music.waves, form="flac", rate_hz=44100, tags=("loop", "harbour")),
    DemoClip(name="engine-loop", make=music.engine, form="wav16", rate_hz=44100,
             tags=("loop", "harbour"), gain_db=-10),
    DemoClip(name="rain-loop", make=music.rain, form="ogg", rate_hz=44100, tags=("loop",),
             gain_db=-14),
    DemoClip(name="deep-drone", make=music.drone, form="wav24", rate_hz=48000, tags=("loop", "drone")),
    DemoClip(name="glass-drone", make=music.glass, form="flac24", rate_hz=96000,
             tags=("loop", "drone"), gain_db=-18),
    # what goes wrong
    DemoClip(name="borrowed-shanty", make=_shanty, form="wav16", rate_hz=44100,
             tags=("song", "joke"), licence=None),
    DemoClip(name="nothing-at-all", make=_silence, form="wav16", rate_hz=44100, tags=("joke",)),
    DemoClip(name="winch-damaged", make=lambda r: music.engine(r, 3.0), form="flac", rate_hz=44100,
             tags=("harbour",), keep_share=0.6),
    DemoClip(name="card-pulled", make=sounds.chain, form="flac", rate_hz=44100, tags=("harbour",),
             keep_share=0.001),
)  # fmt: skip

REEL = ("wood-knock", "gull-one", "laugh-bright", "cork-pop", "say-thanks", "barrel-thump", "giggle")
"""Cues of the long reel that ``padbank split`` cuts up again, in order."""


_WHOLE_LOOP: dict[str, float | str | None] = {
    "play_mode": "loop",
    "start_s": 0.0,
    "end_s": None,
    "fade_in_s": 0.0,
    "fade_out_s": 0.0,
}
_VERDICT: dict[str, float | str | None] = {"mute_group": "verdict"}

EDITS: tuple[tuple[str, dict[str, float | str | None]], ...] = (
    *((clip.name, _WHOLE_LOOP) for clip in CLIPS if "loop" in clip.tags),
    *((name, _VERDICT) for name in ("buzzer-wrong", "buzzer-time", "ding-right")),
)
"""Loops join end to end only when nothing is trimmed; a verdict stops the one before it."""


def write_demo(folder: Path, progress: Progress = silent) -> DemoFiles:
    """Synthesise the demo's clips and put them, its rigs and its shows into ``folder``.

    Returns
    -------
    DemoFiles : clips lie in ``folder/clips``, rigs in ``folder/rigs``, shows in
        ``folder/shows``, the long recording at ``folder/reel.flac``.

    Raises
    ------
    InputError : the folder cannot be made.
    """
    clips_folder = demo_write.make_folder(folder / "clips")
    written = []
    for index, clip in enumerate(CLIPS):
        progress(index, len(CLIPS) + 1, clip.name)
        written.append((_write_clip(clip, clips_folder), clip.tags, clip.licence))
    progress(len(CLIPS), len(CLIPS) + 1, "reel")
    reel = demo_write.write_sound(folder / "reel", _reel(22050), 22050, "flac")
    rigs = tuple(_copy("rigs", name, folder / "rigs") for name in RIG_FILES)
    shows = tuple(_copy("demo", name, folder / "shows") for name in SHOW_FILES)
    progress(len(CLIPS) + 1, len(CLIPS) + 1, "done")
    return DemoFiles(clips=tuple(written), rigs=rigs, shows=shows, reel=reel, edits=EDITS)


def clip_sound(clip: DemoClip) -> synth.Sound:
    """The clip's samples with its head, tail, room tone and gain, before its format clips them."""
    sound = clip.make(clip.rate_hz) * 10 ** (clip.gain_db / 20)
    shape = [(synth.frames(clip.head_s, clip.rate_hz), synth.frames(clip.tail_s, clip.rate_hz))]
    sound = np.pad(sound, shape + [(0, 0)] * (sound.ndim - 1))
    if clip.room_tone:
        tone = ROOM_TONE * synth.noise(len(sound), 7)
        sound = sound + (tone if sound.ndim == 1 else tone[:, None])
    return sound


def _write_clip(clip: DemoClip, folder: Path) -> Path:
    sound = clip_sound(clip)
    stem = folder / clip.name
    if clip.form == "mp4":
        path = demo_write.write_video(
            stem, sound, clip.rate_hz, _lantern(int(12 * len(sound) / clip.rate_hz) + 1)
        )
    else:
        path = demo_write.write_sound(stem, sound, clip.rate_hz, clip.form)
    if clip.keep_share < 1:
        demo_write.cut_short(path, clip.keep_share)
    return path


def _lantern(count: int) -> Iterator[NDArray[np.uint8]]:
    """A picture for the video: a lantern's beam that turns over a dark quay."""
    y, x = np.mgrid[0:120, 0:160]
    angle = np.arctan2(y - 40, x - 80)
    for index in range(count):
        beam = np.cos(angle - 2 * np.pi * index / 36) ** 12 * 180
        lamp = 255 * np.exp(-((x - 80) ** 2 + (y - 40) ** 2) / 40)
        sea = np.where(y > 90, 40 + 12 * np.sin(x / 6 + index / 3), 15)
        grey = np.clip(np.maximum(np.maximum(beam * (y < 90), lamp), sea), 0, 255)
        yield np.stack([grey, 0.86 * grey, 0.6 * grey + 20], axis=2).clip(0, 255).astype(np.uint8)


def _reel(rate_hz: int) -> synth.Sound:
    made = {clip.name: clip for clip in CLIPS}
    gap = np.zeros(synth.frames(0.9, rate_hz))
    pieces: list[synth.Sound] = [gap]
    for name in REEL:
        sound = made[name].make(rate_hz)
        pieces += [sound if sound.ndim == 1 else sound.mean(axis=1), gap]
    out = np.concatenate(pieces)
    return out + ROOM_TONE * synth.noise(len(out), 9)


def _copy(part: str, name: str, folder: Path) -> Path:
    text = (files("padbank") / part / name).read_text(encoding="utf-8")
    return demo_write.copy_text(text, folder / name)
