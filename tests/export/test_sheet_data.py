"""What goes on the pad sheet, and the colours it is told in."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

import pytest

from padbank.domain import (
    Control,
    ControlPlace,
    Device,
    Layout,
    Pad,
    Place,
    Recipe,
    Rig,
    Segment,
    Show,
)
from padbank.errors import InputError
from padbank.export.sheet import moved_clips, sheet_data, show_tags, tag_colours
from padbank.sheetdata import (
    DAY,
    INK,
    MARKS,
    NIGHT,
    OKABE_ITO,
    OTHER_COLOUR,
    PAGE_PAPER,
    TAPE_SHARE,
    contrast,
    ink_on,
    tint,
)


@dataclass(frozen=True)
class Known:
    tags: tuple[str, ...] = ()
    recipe: Recipe = field(default_factory=Recipe)


def place(bank, number, clip):
    return Place(bank=bank, pad_id=f"deck/{number}", clip=clip, channels=1, sample_rate_hz=44100)


RIG = Rig(
    name="r",
    title="Three pads",
    banks=2,
    pads=tuple(
        Pad(surface="deck", number=n, x_mm=100.0 * n, y_mm=40, w_mm=80, h_mm=80, note=35 + n)
        for n in (1, 2, 3)
    ),
    devices=(Device(name="main", memory_bytes=10**7, voices=8),),
    controls=(Control(label="Click on/off", pad_id="deck/3"), Control(label="Fog", banks=(2,))),
)
SHOW = Show(
    name="night",
    title="The night",
    rig="r",
    date=date(2026, 12, 5),
    segments=(Segment(name="doors", title="Doors"), Segment(name="quiz")),
)
LAYOUT = Layout(
    show="night",
    rig="r",
    places=(place(1, 1, "laugh-low"), place(1, 2, "waves"), place(2, 1, "waves")),
    controls=(ControlPlace(bank=2, pad_id="deck/2", label="Fog"),),
    bank_segments=(("doors", "quiz"), ()),
    number=7,
)
CLIPS = {
    "laugh-low": Known(("laugh",)),
    "waves": Known(("loop", "harbour"), Recipe(play_mode="loop")),
}


def test_a_sheet_shows_the_layout():
    sheet = sheet_data(RIG, SHOW, LAYOUT, CLIPS, {"waves"})
    assert (sheet.title, sheet.date, sheet.rig, sheet.layout_number) == (
        "The night", "2026-12-05", "Three pads", 7,
    )  # fmt: skip
    first, second = sheet.banks
    assert first.segments == ("Doors", "quiz") and second.segments == ()
    assert [(p.kind, p.name, p.moved, p.remark) for p in first.pads] == [
        ("clip", "laugh low", False, ""),
        ("clip", "waves", True, "loop"),
        ("control", "Click on/off", False, "note 38"),
    ]
    assert [p.kind for p in second.pads] == ["clip", "control", "control"]
    assert second.pads[1].name == "Fog" and second.pads[1].remark == "note 37"
    assert [(p.x_mm, p.w_mm) for p in first.pads] == [(100, 80), (200, 80), (300, 80)]
    assert sheet.any_moved and not sheet_data(RIG, SHOW, LAYOUT, CLIPS).any_moved
    assert "hurt" in sheet.caution


def test_a_clip_that_the_library_lost_is_still_shown():
    sheet = sheet_data(RIG, SHOW, LAYOUT, {})
    assert [pad.name for pad in sheet.banks[0].pads[:2]] == ["laugh low", "waves"]
    assert sheet.tags == () and sheet.banks[0].pads[0].tag is None


def test_a_layout_of_another_rig_is_refused():
    for stray in (place(1, 9, "waves"), place(3, 1, "waves")):
        with pytest.raises(InputError, match="plan the show again"):
            sheet_data(RIG, SHOW, replace(LAYOUT, places=(stray,)), CLIPS)


def test_moved_means_known_and_on_no_pad_where_it_was():
    known = Layout(
        show="old",
        rig="r",
        places=(place(1, 2, "waves"), place(2, 3, "laugh-low"), place(1, 1, "gone")),
    )
    # waves lies on deck/2 in bank 1 as before; laugh-low left deck/3; a new clip is not "moved".
    assert moved_clips(LAYOUT, known) == {"laugh-low"}
    assert moved_clips(LAYOUT, None) == frozenset()


def test_tags_with_most_clips_get_the_colours():
    tags, index_of = tag_colours(
        {"a": ("x", "hit"), "b": ("hit",), "c": ("hit", "song"), "d": ("song",), "e": ()}
    )
    assert [(tag.tag, tag.letter) for tag in tags] == [("hit", "H"), ("song", "S")]
    assert index_of == {"a": 0, "b": 0, "c": 0, "d": 1}
    many, index_of = tag_colours({f"c{n}": (f"s{n}",) for n in range(12)})
    assert len(many) == len(MARKS) and len(index_of) == len(MARKS)
    for what in ("letter", "shape", "colour", "tag"):
        assert len({getattr(tag, what) for tag in many}) == len(many)  # never colour alone


# ---------------------------------------------------------------- colours


def test_contrast_is_wcags():
    """WCAG 2.2, "contrast ratio": white on black is 21:1; #767676 on white is the well-known
    darkest grey step at 4.54:1 and #777777 fails at 4.48:1 (both from memory)."""
    assert contrast("#FFFFFF", "#000000") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#FFFFFF") == pytest.approx(4.48, abs=0.005)


def test_the_palette_is_okabe_and_itos():
    """Values as a colour guide and several repositories give them; on black all but blue reach
    4.5:1 (blue 4.05), on white only blue does (5.19), by WCAG's formula."""
    assert set(OKABE_ITO.values()) == {
        "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7",
    }  # fmt: skip
    for name, colour in OKABE_ITO.items():
        assert (contrast(colour, "#000000") >= 4.5) == (name != "blue")
        assert (contrast(colour, "#FFFFFF") >= 4.5) == (name == "blue")
    assert contrast("#0072B2", "#000000") == pytest.approx(4.05, abs=0.01)
    assert contrast("#0072B2", "#FFFFFF") == pytest.approx(5.19, abs=0.01)


def test_everything_written_can_be_read():
    """WCAG 2.2, 1.4.3: 4.5:1 for text of any size; 1.4.11: 3:1 for the outlines of marks."""
    for colour, _ in MARKS:
        assert contrast(INK, tint(colour, TAPE_SHARE)) >= 7
        assert contrast(ink_on(colour), colour) >= 4.5
        # A mark's black outline against the tape around it.
        assert contrast(INK, tint(colour, TAPE_SHARE)) >= 3
    assert contrast(INK, tint(OTHER_COLOUR, 0.7)) >= 7
    for palette in (DAY, NIGHT):
        for name, colour in palette.items():
            assert name == PAGE_PAPER or contrast(colour, palette[PAGE_PAPER]) >= 4.5
        for colour, _ in MARKS:  # tape against the page, by its outline or by itself
            tape = tint(colour, TAPE_SHARE)
            assert max(contrast(tape, palette[PAGE_PAPER]), contrast(INK, palette[PAGE_PAPER])) >= 3


def test_a_tag_that_every_clip_has_gets_no_colour():
    tags, index_of = tag_colours({"a": ("friday", "laugh"), "b": ("friday",), "c": ("friday", "laugh")})
    assert [t.tag for t in tags] == ["laugh"] and index_of == {"a": 0, "c": 0}
    alone, _ = tag_colours({"a": ("friday",)})
    assert [t.tag for t in alone] == ["friday"]


def test_a_tint_lies_between_colour_and_paper():
    assert tint("#000000", 0.0) == "#FFFFFF"
    assert tint("#123456", 1.0) == "#123456"
    assert tint("#000000", 0.5) == "#808080"


def test_colours_stay_when_clips_are_moved_about():
    """Those of the clips that lie nowhere yet are given as well; the legend names only what is there."""
    clips = {f"song-{n}": Known(("song",)) for n in range(5)} | {f"gag-{n}": Known(("gag",)) for n in range(3)}
    gags = replace(LAYOUT, places=tuple(place(1, n + 1, f"gag-{n}") for n in range(2)))
    wanted = set(clips)
    tags, _ = show_tags(gags, clips, wanted)
    assert [t.tag for t in tags] == ["song", "gag"]
    sheet = sheet_data(RIG, SHOW, gags, clips, wanted=wanted)
    assert [t.tag for t in sheet.tags] == ["gag"]
    assert sheet.tags[0] == tags[1]
    assert [pad.tag for pad in sheet.banks[0].pads[:2]] == [0, 0]
