"""A show against a rig and a library: each doubt is found where it was planted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import pytest

from padbank.domain import Control, Device, Pad, Pin, Rig, Segment, Show, Want
from padbank.layout.showcheck import check_show


@dataclass(frozen=True)
class Known:
    tags: tuple[str, ...] = ()
    cleared: bool = True


CLIPS = {
    "foghorn": Known(("harbour",)),
    "ship-bell": Known(("harbour",)),
    "giggle": Known(("laugh",)),
    "chuckle": Known(("laugh",), cleared=False),
}
RIG = Rig(
    name="r",
    title="r",
    banks=2,
    pads=tuple(
        Pad(surface="deck", number=n, x_mm=n * 100.0, y_mm=0, w_mm=80, h_mm=80) for n in (1, 2, 3)
    ),
    devices=(Device(name="main", memory_bytes=10_000_000, voices=8),),
    controls=(
        Control(label="Go", pad_id="deck/3"),
        Control(label="Stop", pad_id="deck/2", banks=(1,)),
    ),
)
SHOW = Show(
    name="night",
    rig="r",
    date=date(1999, 1, 1),
    segments=(
        Segment(name="opening", wants=(Want(clip="foghorn", must=True), Want(tag="laugh"))),
    ),
)


def with_wants(*wants):
    return replace(SHOW, segments=(Segment(name="opening", wants=wants),))


def found(show, rig=RIG):
    return [(f.code, f.severity) for f in check_show(show, rig, CLIPS)]


def test_many_clips_without_a_licence_are_told_in_one_line_for_musts_and_one_for_wishes():
    clips = {f"c{n}": Known(cleared=False) for n in range(9)}
    wants = tuple(Want(clip=name, must=n < 4) for n, name in enumerate(clips))
    found = check_show(with_wants(*wants), RIG, clips)
    uncleared = [(f.severity, f.text) for f in found if f.code == "clip-uncleared"]
    assert [severity for severity, _ in uncleared] == ["error", "warning"]
    assert uncleared[0][1].startswith("4 musts are for clips without a licence, so they stay out (c0, c1, c2 and 1 more): ")
    assert uncleared[1][1].startswith("5 wishes are for clips without a licence, so they stay out (c4, c5, c6 and 2 more): ")
    few = check_show(with_wants(*wants[:2]), RIG, clips)
    assert ["padbank edit c0 --licence" in f.text for f in few] == [True, False] and len(few) == 2
    assert not check_show(replace(with_wants(*wants), rights="any"), replace(RIG, banks=9), clips)


def test_a_clip_that_is_named_does_not_serve_its_tag_too():
    both = with_wants(Want(clip="foghorn"), Want(clip="ship-bell"), Want(tag="harbour", count=2))
    assert [(f.code, f.number, f.limit) for f in check_show(both, RIG, CLIPS)] == [("tag-short", 0, 2)]
    assert "tagged 'harbour' beside those it names, and there are 0: tag more" in check_show(both, RIG, CLIPS)[0].text
    one = with_wants(Want(clip="foghorn"), Want(tag="harbour"))
    assert check_show(one, RIG, CLIPS) == []


def test_a_good_show_has_no_findings_even_when_it_is_over():
    assert check_show(SHOW, RIG, CLIPS) == []


@pytest.mark.parametrize(
    ("show", "code", "severity"),
    [
        (with_wants(Want(clip="foghron")), "clip-missing", "warning"),
        (with_wants(Want(clip="foghron", must=True)), "clip-missing", "error"),
        (with_wants(Want(tag="drone")), "tag-empty", "warning"),
        (with_wants(Want(tag="laugh", count=2)), "tag-short", "warning"),
        (with_wants(Want(tag="harbour", count=3, must=True)), "tag-short", "error"),
        (with_wants(Want(clip="chuckle")), "clip-uncleared", "warning"),
        (with_wants(Want(clip="giggle"), Want(clip="giggle")), "want-twice", "warning"),
        (with_wants(), "segment-empty", "note"),
        (replace(SHOW, rig="other"), "rig-other", "warning"),
        (replace(SHOW, pins=(Pin(clip="foghorn", pad_id="deck/9"),)), "pin-pad-missing", "error"),
        (replace(SHOW, pins=(Pin(clip="foghorn", pad_id="deck/3"),)), "pin-on-control", "error"),
        (replace(SHOW, pins=(Pin(clip="foghorn", pad_id="deck/2"),)), "pin-on-control", "warning"),
        (replace(SHOW, pins=(Pin(clip="foghorn", pad_id="deck/2", bank=1),)), "pin-on-control", "error"),
        (replace(SHOW, pins=(Pin(clip="foghorn", pad_id="deck/1", bank=3),)), "pin-bank-beyond", "error"),
        (replace(SHOW, pins=(Pin(clip="ship-bell", pad_id="deck/1"),)), "pin-unwanted", "warning"),
        (replace(SHOW, pins=(Pin(clip="gone", pad_id="deck/1"),)), "clip-missing", "error"),
        (
            replace(
                SHOW,
                pins=(
                    Pin(clip="foghorn", pad_id="deck/1", bank=1),
                    Pin(clip="giggle", pad_id="deck/1", bank=1),
                ),
            ),
            "pins-clash",
            "error",
        ),
        (replace(SHOW, segments=(replace(SHOW.segments[0], bank=5),)), "segment-bank-beyond", "error"),
        (replace(SHOW, always_bank=3), "always-bank-beyond", "error"),
        (
            replace(SHOW, apart=(("foghorn", "giggle"),), together=(("foghorn", "giggle"),)),
            "apart-and-together",
            "error",
        ),
        (replace(SHOW, apart=(("foghorn", "gone"),)), "group-clip-missing", "warning"),
        (replace(SHOW, together=(tuple(CLIPS),)), "together-too-many", "error"),
        (
            replace(
                SHOW,
                apart=(("foghorn", "giggle"),),
                pins=(
                    Pin(clip="foghorn", pad_id="deck/1", bank=2),
                    Pin(clip="giggle", pad_id="deck/2", bank=2),
                ),
            ),
            "apart-bank-clash",
            "error",
        ),
        (with_wants(*(Want(clip=name, must=True) for name in CLIPS)), "musts-exceed-pads", "error"),
    ],
)  # fmt: skip
def test_each_doubt_is_found(show, code, severity):
    # Two banks of three pads; control hits take deck/3 twice and deck/2 once: 3 places.
    assert (code, severity) in found(show)


def test_uncleared_clips_count_where_rights_are_any():
    assert found(replace(with_wants(Want(tag="laugh", count=2)), rights="any")) == []


def test_the_nearest_clip_is_offered():
    text = check_show(with_wants(Want(clip="foghron")), RIG, CLIPS)[0].text
    assert "did you mean 'foghorn'?" in text
