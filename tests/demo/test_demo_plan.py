"""The demo's evening fits the small rig, but not with everything that it wishes for."""

from __future__ import annotations

from importlib.resources import files

from padbank.demo.scenario import CLIPS, clip_sound
from padbank.files.rigfile import rig_from_toml
from padbank.files.showfile import show_from_toml
from padbank.layout.facts import ClipFacts, Version
from padbank.layout.solve import solve

UNUSABLE = ("nothing-at-all", "card-pulled", "winch-damaged", "ship-bell-again")


def facts(rig):
    """What the planner must know, from the synthesised clips: losses are plain guesses here."""
    found = {}
    device = rig.devices[0]
    for clip in CLIPS:
        if clip.name in UNUSABLE:
            continue
        sound = clip_sound(clip)
        length_s = len(sound) / clip.rate_hz - clip.head_s - clip.tail_s
        versions = [
            Version(
                channels=channels,
                sample_rate_hz=rate_hz,
                n_bytes=int(length_s * rate_hz) * channels * device.bits // 8,
                loss_db=1.0 * (channels < sound.ndim) + 2.0 * (rate_hz < min(clip.rate_hz, 44100)),
            )
            for rate_hz in device.sample_rates_hz
            for channels in range(1, sound.ndim + 1)
        ]
        found[clip.name] = ClipFacts(
            name=clip.name,
            duration_s=length_s,
            tags=clip.tags,
            versions=tuple(versions),
            play_mode="loop" if "loop" in clip.tags else "one-shot",
            loudness_lufs=-16.0,
            cleared=clip.licence is not None,
        )
    return found


def test_the_evening_fits_the_crate_with_some_wishes_left_out():
    rig = rig_from_toml((files("padbank") / "rigs" / "crate-eight.toml").read_text("utf-8"))
    show = show_from_toml((files("padbank") / "demo" / "lantern-quay.toml").read_text("utf-8"))
    result = solve(rig, show, facts(rig), seconds=120)
    assert not [finding for finding in result.findings if finding.severity == "error"]
    left = {each.want for each in result.left_out}
    assert "borrowed-shanty" in left and len(left) > 1
    assert not any(each.must for each in result.left_out)
    placed = {place.clip for place in result.layout.places}
    musts = {w.clip for s in show.segments for w in s.wants if w.must and w.clip}
    assert musts <= placed
    assert {p.pad_id for p in result.layout.places if p.clip == "foghorn"} == {"lid/2"}
    assert any(c.label == "Lanterns" and c.bank == 1 for c in result.layout.controls)
