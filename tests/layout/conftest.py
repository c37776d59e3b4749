"""Small random rigs, shows and clips, and a search through every layout there is."""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass

import pytest

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
from padbank.layout.evaluate import evaluate_problem
from padbank.layout.facts import ClipFacts, Version
from padbank.layout.held import copy_held, empty_held, put, to_layout
from padbank.layout.problem import build_problem


@dataclass
class Case:
    rig: Rig
    show: Show
    clips: dict
    known: object = None


def random_case(seed: int) -> Case:
    """A rig of 2 banks with 2 or 3 pads and 3 or 4 clips: every feature now and then."""
    rng = random.Random(seed)
    two_devices = rng.random() < 0.3
    n_pads = 3 if rng.random() < 0.35 else 2
    n_clips = rng.choice((3, 3, 4)) if n_pads == 2 else 3
    devices = tuple(
        Device(
            name=name,
            memory_bytes=rng.choice((150, 250, 10_000)),
            voices=rng.choice((4, 8, 64)),
            voices_per_stereo=rng.choice((1, 2)),
            sample_rates_hz=(44100, 22050) if rng.random() < 0.5 else (44100,),
            same_pad_again=rng.choice(("overlap", "self-cut")),
            release_s=rng.choice((0.01, 0.3)),
        )
        for name in (("main", "second") if two_devices else ("main",))
    )
    pads = tuple(
        Pad(
            surface="s",
            number=i + 1,
            x_mm=i * 60.0 + rng.random() * 5,
            y_mm=rng.random() * 20,
            w_mm=rng.choice((50.0, 58.0)),
            h_mm=50.0,
            limb="foot" if rng.random() < 0.15 else "hand",
            device=devices[i % len(devices)].name,
            max_clip_s=0.5 if rng.random() < 0.1 else None,
            max_clip_bytes=60 if rng.random() < 0.15 else None,
        )
        for i in range(n_pads)
    )
    controls = []
    if rng.random() < 0.25:
        controls.append(Control(label="scene", pad_id="s/1", banks=rng.choice((None, (1,), (2,)))))
    if n_pads == 3 and rng.random() < 0.3:
        controls.append(Control(label="next", pad_id=None, banks=rng.choice((None, (2,)))))
    rig = Rig(
        name="tiny",
        title="Tiny",
        banks=2,
        pads=pads,
        devices=devices,
        controls=tuple(controls),
        homes=(Home(limb="hand", x_mm=20.0, y_mm=80.0),) if rng.random() < 0.5 else (),
        bank_switch_s=rng.choice((0.1, 0.5)),
        min_rehit_s=0.1,
    )
    clips = {}
    for i in range(n_clips):
        name = f"clip-{i}"
        size = rng.choice((40, 80, 120))
        versions = [Version(channels=1, sample_rate_hz=44100, n_bytes=size, loss_db=rng.choice((0.0, 0.5, 3.0)))]
        if rng.random() < 0.5:
            versions.append(Version(channels=2, sample_rate_hz=44100, n_bytes=2 * size, loss_db=0.0))
        if rng.random() < 0.3:
            versions.append(Version(channels=1, sample_rate_hz=22050, n_bytes=size // 2, loss_db=6.0))
        tags = [t for t in ("laugh", "bell") if rng.random() < 0.4]
        tags += [t for t in (rng.choice(("loud", "quiet", "")),) if t]
        clips[name] = ClipFacts(
            name=name,
            duration_s=rng.choice((0.15, 0.35, 0.9)),
            tags=tuple(tags),
            versions=tuple(versions),
            play_mode=rng.choice(("one-shot", "one-shot", "gate", "loop")),
            mute_group="talk" if rng.random() < 0.25 else None,
            cleared=rng.random() > 0.05,
            uses=rng.choice((0, 3, 10)),
        )
    names = list(clips)
    segments = []
    for s in range(rng.choice((1, 2, 2, 3))):
        wants = []
        for name in rng.sample(names, rng.randint(0, min(3, n_clips))):
            wants.append(
                Want(
                    clip=name,
                    hits=rng.choice((0, 1, 4)),
                    must=rng.random() < 0.2,
                    value=rng.choice((0.02, 0.3, 1.0)),
                )
            )
        if rng.random() < 0.5:
            wants.append(
                Want(
                    tag=rng.choice(("laugh", "bell")),
                    count=rng.choice((1, 2)),
                    hits=rng.choice((1, 3)),
                    must=rng.random() < 0.1,
                    value=rng.choice((0.05, 0.5)),
                )
            )
        if rng.random() < 0.2:
            wants.append(Want(tag="laugh", count=1, hits=2, value=0.4))
        segments.append(
            Segment(name=f"seg-{s}", wants=tuple(wants), any_time=rng.random() < 0.3)
        )
    pins = []
    if rng.random() < 0.2:
        pins.append(Pin(clip=rng.choice(names), pad_id="s/2", bank=rng.choice((None, 1, 2))))
    show = Show(
        name="show",
        rig="tiny",
        segments=tuple(segments),
        pins=tuple(pins),
        apart=((names[0], names[1]),) if rng.random() < 0.2 else (),
        together=((names[1], names[2]),) if rng.random() < 0.15 else (),
        always_bank=1 if rng.random() < 0.1 else None,
        weights=Weights(mishit=rng.choice((5.0, 20.0)), moved=rng.choice((0.5, 2.0))),
    )
    known = None
    if rng.random() < 0.4:
        problem = build_problem(rig, show, clips)
        held = empty_held(problem)
        for b in range(2):
            for q in range(n_pads):
                if rng.random() < 0.5 and problem.clips:
                    c = rng.randrange(len(problem.clips))
                    if all(bb != b for bb, _ in held.where.get(c, ())):
                        put(held, b, q, (c, 1, 44100))
        known = to_layout(problem, held)
    return Case(rig, show, clips, known)


def every_layout(problem):
    """Every layout of a problem: contents, one version for each clip and device, control hits."""
    spots = [
        (b, q)
        for b in range(problem.banks)
        for q in range(len(problem.pads))
        if q not in problem.blocked[b]
    ]
    clips = range(len(problem.clips))
    ways = [
        [
            (control, banks, q)
            for q in range(len(problem.pads))
            if all(q not in problem.blocked[b] for b in banks)
        ]
        for control, banks in problem.free_controls
    ]
    for placing in itertools.product(*ways):
        base = empty_held(problem)
        ok = True
        for control, banks, q in placing:
            for b in banks:
                ok = ok and q not in base.control_pads[b]
                base.control_pads[b].add(q)
                base.free_pads[(control.label, b)] = q
        if not ok:
            continue
        open_spots = [(b, q) for b, q in spots if q not in base.control_pads[b]]
        choices = [[None, *(c for c in clips if problem.pad_ok[c][q])] for _, q in open_spots]
        for content in itertools.product(*choices):
            seen = {(b, c) for (b, _), c in zip(open_spots, content, strict=True) if c is not None}
            if len(seen) != sum(c is not None for c in content):
                continue
            stored = sorted(
                {
                    (c, problem.device_of[q])
                    for (_, q), c in zip(open_spots, content, strict=True)
                    if c is not None
                }
            )
            for picked in itertools.product(*(problem.versions[c][d] for c, d in stored)):
                version = dict(zip(stored, picked, strict=True))
                held = copy_held(base)
                for (b, q), c in zip(open_spots, content, strict=True):
                    if c is not None:
                        v = version[(c, problem.device_of[q])]
                        put(held, b, q, (c, v.channels, v.sample_rate_hz))
                yield to_layout(problem, held)


def search_all(problem):
    """The least objective of any layout that keeps every limit, or None."""
    best = None
    for layout in every_layout(problem):
        found = evaluate_problem(problem, layout)
        if found.feasible and (best is None or found.objective < best):
            best = found.objective
    return best


@pytest.fixture
def make_case():
    return random_case


@pytest.fixture
def brute_force():
    return search_all
