"""Invented shows of any size, from a seed: for the bench, the tests and trying things out.

All of it is invented: rigs, clips, segments and figures belong to no real
show or hardware. The same seed gives the same pack on every machine.

Functions: ``random_pack`` (sizes of ``SIZES``), ``request_pack`` (a
12-hour request show). Class: ``Pack``.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

from padbank.domain import (
    Control,
    Device,
    Home,
    Pad,
    Pin,
    Rig,
    Segment,
    Show,
    Want,
    Weights,
)
from padbank.layout.facts import ClipFacts, Version

SIZES: dict[str, tuple[int, int, int]] = {
    "small": (30, 4, 8),
    "medium": (150, 12, 10),
    "large": (600, 40, 16),
    "extreme": (3000, 100, 16),
}
"""clips, banks, pads a bank"""
VOICES_A_PAD = 24
TIGHT_VOICES_A_PAD = 16
"""voices of the invented rigs for each pad of a bank: filling pads by frequency breaks the
limit in some banks, and in nearly all"""

_TAGS = ("gull", "bell", "laugh", "drum", "choir", "steam", "gong", "crowd", "wind", "riff")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """A rig, a show and the facts of its clips."""

    rig: Rig
    show: Show
    clips: dict[str, ClipFacts]


class _Dice:
    """Numbers from SHA-256 of a seed and a counter: alike on every Python and platform."""

    def __init__(self, seed: str) -> None:
        self.seed, self.count = seed, 0

    def unit(self) -> float:
        self.count += 1
        digest = hashlib.sha256(f"{self.seed}/{self.count}".encode()).digest()
        return int.from_bytes(digest[:7], "big") / 2.0**56

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self.unit()

    def whole(self, low: int, high: int) -> int:
        return low + int(self.unit() * (high - low + 1))

    def pick(self, count: int) -> int:
        """A number below ``count``."""
        return int(self.unit() * count)

    def skewed(self, count: int, power: float) -> int:
        """A number below ``count``, small ones the likelier the greater ``power``."""
        return min(count - 1, int(count * self.unit() ** power))


def _grid_rig(name: str, banks: int, pads: int, voices: int, memory_bytes: int) -> Rig:
    """A surface of two or four rows, and with ten pads two pedals beside eight pads."""
    hand = 8 if pads == 10 else pads
    columns = 4
    made = [
        Pad(
            surface="deck",
            number=i + 1,
            x_mm=40.0 + 68.0 * (i % columns),
            y_mm=40.0 + 68.0 * (i // columns),
            w_mm=64.0,
            h_mm=64.0,
        )
        for i in range(hand)
    ]
    made += [
        Pad(
            surface="pedal",
            number=i + 1,
            x_mm=80.0 + 140.0 * i,
            y_mm=520.0,
            w_mm=90.0,
            h_mm=200.0,
            limb="foot",
        )
        for i in range(pads - hand)
    ]
    middle_mm = 40.0 + 68.0 * (columns - 1) / 2
    return Rig(
        name=name,
        title=f"Invented rig, {banks} banks of {pads}",
        banks=banks,
        pads=tuple(made),
        devices=(
            Device(
                name="main",
                memory_bytes=memory_bytes,
                voices=voices,
                sample_rates_hz=(44100, 22050),
            ),
        ),
        controls=(Control(label="next scene", pad_id=f"deck/{hand}", note=60, channel=1),),
        homes=(
            Home(limb="hand", x_mm=middle_mm - 34.0, y_mm=40.0 + 68.0 * (hand / columns)),
            Home(limb="hand", x_mm=middle_mm + 34.0, y_mm=40.0 + 68.0 * (hand / columns)),
            Home(limb="foot", x_mm=80.0, y_mm=560.0),
        ),
        bank_switch_s=0.5,
        min_rehit_s=0.1,
    )


def _clip(dice: _Dice, name: str, tags: tuple[str, ...]) -> ClipFacts:
    hit = dice.unit() < 0.6
    duration_s = round(dice.between(0.15, 0.9) if hit else dice.between(1.0, 4.0), 3)
    kind = dice.unit()
    mode = "one-shot" if hit or kind < 0.4 else "loop" if kind < 0.7 else "gate"
    group = None
    if not hit and dice.unit() < 0.8:
        group = ("talk", "bed")[dice.pick(2)]
    mono = int(duration_s * 44100) * 2
    side_db = round(dice.between(0.0, 3.0), 2)
    treble_db = round(dice.between(0.1, 4.0), 2)
    versions = (
        Version(channels=2, sample_rate_hz=44100, n_bytes=2 * mono),
        Version(channels=1, sample_rate_hz=44100, n_bytes=mono, loss_db=side_db),
        Version(channels=2, sample_rate_hz=22050, n_bytes=mono, loss_db=treble_db),
        Version(
            channels=1,
            sample_rate_hz=22050,
            n_bytes=mono // 2,
            loss_db=round(side_db + treble_db, 2),
        ),
    )
    moment = dice.unit()
    mood = ("loud",) if moment < 0.2 else ("quiet",) if moment < 0.4 else ()
    return ClipFacts(
        name=name,
        duration_s=duration_s,
        tags=tags + mood,
        versions=versions,
        play_mode=mode,  # type: ignore[arg-type]
        mute_group=group,
        uses=float(dice.whole(0, 40)),
    )


def _fit_memory(rig: Rig, clips: dict[str, ClipFacts], wanted: set[str], part: float) -> Rig:
    total = sum(clips[n].versions[0].n_bytes for n in sorted(wanted))
    device = replace(rig.devices[0], memory_bytes=int(total * part))
    return replace(rig, devices=(device,))


def random_pack(size: str, seed: int) -> Pack:
    """A pack of a size of ``SIZES``: more wanted than there is room for, memory for half of it.

    With ``-tight`` behind the size there are a third fewer voices.
    """
    plain = size.removesuffix("-tight")
    n_clips, banks, pads = SIZES[plain]
    each = VOICES_A_PAD if plain == size else TIGHT_VOICES_A_PAD
    return sized_pack(n_clips, banks, pads, f"{plain}/{seed}", each)


def sized_pack(
    n_clips: int, banks: int, pads: int, seed: str, voices_a_pad: int = VOICES_A_PAD
) -> Pack:
    """A pack of any size."""
    dice = _Dice(seed)
    clips: dict[str, ClipFacts] = {}
    names = []
    for i in range(n_clips):
        tag = _TAGS[dice.pick(len(_TAGS))]
        name = f"{tag}-{i + 1:04d}"
        names.append(name)
        clips[name] = _clip(dice, name, (tag,))
    rig = _grid_rig(f"invented-{banks}x{pads}", banks, pads, max(10, pads) * voices_a_pad, 1)
    segments = []
    wanted: set[str] = set()
    per_segment = round(1.15 * n_clips / banks)
    for s in range(banks):
        any_time = s == banks - 1
        chosen: dict[str, Want] = {}
        count = dice.whole(per_segment - 2, per_segment + 2)
        while len(chosen) < count:
            if dice.unit() < 0.25:  # favourites turn up in many songs
                clip = names[dice.skewed(n_clips, 3.0)]
            else:
                clip = names[dice.pick(n_clips)]
            hits = float(1 + dice.skewed(12, 2.5))
            chosen[clip] = Want(
                clip=clip,
                hits=hits,
                must=dice.unit() < 0.15,
                value=round(dice.between(0.2, 2.0), 2),
            )
        wants = list(chosen.values())
        if dice.unit() < 0.4:
            wants.append(
                Want(tag=_TAGS[dice.pick(len(_TAGS))], count=dice.whole(1, 2), hits=1.0, value=0.4)
            )
        wanted |= set(chosen)
        segments.append(
            Segment(
                name="any-time" if any_time else f"song-{s + 1:02d}",
                wants=tuple(wants),
                any_time=any_time,
            )
        )
    show = Show(
        name="invented",
        rig=rig.name,
        segments=tuple(segments),
        title="Invented show",
        always_bank=banks,
        weights=Weights(),
    )
    room = min(1.0, banks * (pads - 1) / len(wanted))
    return Pack(rig=_fit_memory(rig, clips, wanted, 0.7 * room), show=show, clips=clips)


_MOODS = ("slow-night", "uproar", "shanties", "heckling", "lanterns", "rain-break")
_KINDS = ("sea-song", "ballad", "polka", "march", "lullaby", "anything-fast")


def request_pack(seed: int = 1, n_clips: int = 400) -> Pack:
    """An invented 12-hour request show: nine songs in ten unknown beforehand.

    Segments are moods and kinds of request rather than songs, most wants go by
    tag and can come at any time, some clips belong under the same pad always.
    """
    dice = _Dice(f"requests/{seed}")
    rig = replace(
        _grid_rig("invented-request-deck", 16, 16, 256, 1),
        title="Invented deck for a 12-hour request show",
    )
    topics = (*_MOODS, *_KINDS)
    clips: dict[str, ClipFacts] = {}
    for i in range(n_clips):
        tag = _TAGS[dice.pick(len(_TAGS))]
        topic = topics[dice.skewed(len(topics), 1.3)]
        name = f"{tag}-{i + 1:03d}"
        clips[name] = _clip(dice, name, (tag, topic))
    names = list(clips)
    segments = []
    for topic in topics:
        mine = [n for n in names if topic in clips[n].tags]
        wants = [
            Want(clip=mine[dice.skewed(len(mine), 1.5)], hits=float(dice.whole(2, 14)), value=1.0)
            for _ in range(min(len(mine), dice.whole(4, 7)))
        ]
        unique = {w.clip: w for w in wants}
        wants = list(unique.values())
        wants.append(Want(tag=topic, count=dice.whole(2, 4), hits=2.0, value=0.5))
        segments.append(Segment(name=topic, wants=tuple(wants)))
    always = []
    for tag in _TAGS:
        always.append(Want(tag=tag, count=dice.whole(1, 2), hits=float(dice.whole(3, 9)), value=0.8))
    favourites = sorted(names, key=lambda n: (-clips[n].uses, n))[:6]
    always += [Want(clip=n, hits=20.0, must=True, value=2.0) for n in favourites[:3]]
    segments.append(Segment(name="any-time", wants=tuple(always), any_time=True))
    segments.append(
        Segment(
            name="hecklers",
            wants=(
                *(Want(clip=n, hits=4.0, value=0.7) for n in favourites[3:]),
                Want(tag="laugh", count=3, hits=3.0, value=0.6),
            ),
            any_time=True,
        )
    )
    show = Show(
        name="request-night",
        rig=rig.name,
        segments=tuple(segments),
        title="Invented 12-hour request show",
        always_bank=16,
        pins=(Pin(clip=favourites[0], pad_id="deck/13"),),
    )
    wanted = {w.clip for s in segments for w in s.wants if w.clip is not None}
    wanted |= set(favourites) | set(names[::3])
    return Pack(rig=_fit_memory(rig, clips, wanted, 0.6), show=show, clips=clips)
