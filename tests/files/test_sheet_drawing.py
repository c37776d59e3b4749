"""The drawn sheet: to scale, inside its pads and the page, the same bytes, readable files."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from padbank.demo.scenario import CLIPS
from padbank.domain import ControlPlace, Layout, Place, Recipe
from padbank.errors import InputError
from padbank.export.sheet import rig_sheet, sheet_data
from padbank.files import letters
from padbank.files.rigfile import rig_from_toml
from padbank.files.sheet import PAPERS_MM, draw_sheet
from padbank.files.sheetink import DryInk
from padbank.files.sheetpage import draw_bank_page, draw_overview_page
from padbank.files.showfile import show_from_toml
from padbank.namefit import GOAL_CAP_MM
from padbank.sheetdata import INK, PAPER, SheetBank, SheetData, SheetPad, contrast

RIG = """\
name = "r"
title = "Crate and pedals"
banks = 3
[[devices]]
name = "m"
memory = "9 MB"
voices = 9
[[surfaces]]
name = "lid"
grid = { rows = 2, columns = 4, w_mm = 90, h_mm = 100, pitch_x_mm = 105, pitch_y_mm = 115 }
[[surfaces]]
name = "floor"
limb = "foot"
pads = [
    { number = 9, x_mm = 100, y_mm = 620, w_mm = 110, h_mm = 80 },
    { number = 10, x_mm = 320, y_mm = 620, w_mm = 110, h_mm = 80, note = 51 },
]
[[controls]]
label = "Click on/off"
pad = "floor/10"
"""
SHOW = """\
name = "night"
title = "The long night of very many names, so long that it cannot be written in one size"
date = 2026-12-05
rig = "r"
[[segments]]
name = "doors"
title = "Doors"
[[segments]]
name = "quiz"
title = "Quiz: Guess the Knot"
"""


class Known:
    def __init__(self, tags):
        self.tags, self.recipe = tags, Recipe(play_mode="loop" if "loop" in tags else "one-shot")


@pytest.fixture(scope="module")
def sheet():
    rig, show = rig_from_toml(RIG), show_from_toml(SHOW)
    names = [clip.name for clip in CLIPS]
    free = [pad.pad_id for pad in rig.pads if pad.pad_id != "floor/10"]
    places = [
        Place(bank=bank, pad_id=pad_id, clip=names[9 * (bank - 1) + index], channels=1, sample_rate_hz=44100)
        for bank in (1, 2)
        for index, pad_id in enumerate(free)
        if (bank, pad_id) != (2, "lid/4")
    ]
    layout = Layout(
        show="night",
        rig="r",
        places=tuple(places),
        controls=(ControlPlace(bank=2, pad_id="lid/4", label="Smoke"),),
        bank_segments=(("doors", "quiz"), (), ()),
        number=4,
    )
    clips = {clip.name: Known(clip.tags) for clip in CLIPS}
    return sheet_data(rig, show, layout, clips, {names[0], names[12]})


def drawn(sheet, number=1, paper="a4", night=False):
    ink = DryInk(night)
    report = draw_bank_page(ink, sheet, sheet.banks[number - 1], *PAPERS_MM[paper])
    return ink, report


def box_of(points):
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def texts(ink):
    return [values for kind, _, values in ink.marks if kind == "text"]


def test_pads_lie_to_scale(sheet):
    """The bar says 50 mm; pads and their distances must measure the same on paper."""
    ink, _ = drawn(sheet)
    bar = next(v["points"] for k, _, v in ink.marks if k == "line" and v["width_mm"] == 0.6)
    scale = (bar[1][0] - bar[0][0]) / 50
    label = next(t["text"] for t in texts(ink) if "50 mm on the rig" in t["text"])
    assert f"1 : {1 / scale:.1f}" in label
    tapes = [
        box_of(v["points"])
        for k, _, v in ink.marks
        if k == "polygon" and v["width_mm"] in (0.2, 0.9) and len(v["points"]) != 5
    ]
    hands = sorted((b for b in tapes if b[3] - b[1] > 90 * scale), key=lambda b: (round(b[1]), b[0]))
    assert len(hands) == 8
    for box in hands:
        assert box[3] - box[1] == pytest.approx(100 * scale, rel=1e-6)
        assert box[2] - box[0] == pytest.approx(90 * scale, abs=0.95)  # torn ends
    assert hands[1][0] - hands[0][0] == pytest.approx(105 * scale, abs=0.95)
    assert hands[4][1] - hands[0][1] == pytest.approx(115 * scale, abs=1e-6)
    # The 365 mm between hands (to 215) and feet (from 580) are drawn shorter, and say so.
    assert any(t["text"] == "365 mm, drawn shorter" for t in texts(ink))


def test_every_letter_is_on_the_page_and_names_are_in_their_pads(sheet):
    for paper, (w_mm, h_mm) in PAPERS_MM.items():
        for number in (1, 2):
            ink, _ = drawn(sheet, number, paper)
            for text in texts(ink):
                assert text["left"] >= 5 and text["right"] <= w_mm - 5
                assert text["base"] - text["cap_mm"] >= 5 and text["base"] <= h_mm - 5
            pads = [
                (v["fill"], box_of(v["points"])) for k, _, v in ink.marks
                if k == "polygon" and v["fill"] not in (None, INK)
            ]  # fmt: skip
            words = {w for pad in sheet.banks[number - 1].pads for w in pad.words if len(w) > 2}
            for text in texts(ink):
                if text["cap_mm"] < 3 or not set(text["text"].split()) & words or text["base"] < 33:
                    continue
                around = [
                    fill for fill, (x0, y0, x1, y1) in pads
                    if x0 <= text["left"] and text["right"] <= x1
                    and y0 <= text["base"] - text["cap_mm"] and text["base"] + 0.25 * text["cap_mm"] <= y1
                ]  # fmt: skip
                assert around, text
                assert contrast(text["colour"], around[0]) >= 7


def test_by_night_everything_can_still_be_read(sheet, tmp_path):
    """Each letter against the last thing drawn under it (WCAG 2.2, 1.4.3: 4.5:1)."""
    for night in (False, True):
        ink, _ = drawn(sheet, night=night)
        under = [("#FFFFFF", (0, 0, 297, 210))]
        for kind, _, values in ink.marks:
            if kind == "polygon" and values["fill"]:
                under.append((values["fill"], box_of(values["points"])))
            elif kind == "text":
                x, y = (values["left"] + values["right"]) / 2, values["base"] - values["cap_mm"] / 2
                fill = [f for f, (x0, y0, x1, y1) in under if x0 <= x <= x1 and y0 <= y <= y1][-1]
                assert contrast(values["colour"], fill) >= 4.5, values
    draw_sheet(sheet, tmp_path / "night.png", bank=1, night=True)
    with Image.open(tmp_path / "night.png") as picture:
        assert picture.getpixel((2, 2)) == (17, 17, 17)


def test_names_reach_a_metre_and_a_half_where_the_pad_allows(sheet, tmp_path):
    _, names = drawn(sheet)
    low = [name for _, name in names if name.cap_mm < GOAL_CAP_MM - 0.05]
    assert len(low) <= 3 and all(name.cap_mm > 6.5 for name in low)
    notes = draw_sheet(sheet, tmp_path / "one.pdf", bank=1)
    said = f"{len(low)} of {len(names)} names are smaller than 7.5 mm"
    assert any(said in note for note in notes) == bool(low)
    # A pad of 90 x 100 mm at this scale takes "crash" or "anvil" far larger than the goal.
    assert max(name.cap_mm for _, name in names) > 10


def test_marks_tell_without_colour(sheet):
    ink, _ = drawn(sheet)
    letters = {t["text"] for t in texts(ink) if len(t["text"]) == 1 and t["text"].isupper()}
    used = {pad.tag for pad in sheet.banks[0].pads if pad.tag is not None}
    assert {sheet.tags[index].letter for index in used} <= letters
    outlined = [v for k, _, v in ink.marks if k == "polygon" and v["width_mm"] == 0.9]
    assert len(outlined) == 1 and outlined[0]["fill"] == PAPER  # one control hit in bank 1
    # Hand-drawn lines have 33 points: one for the moved clip of bank 1, one in the legend.
    assert sum(k == "line" and len(v["points"]) == 33 for k, _, v in ink.marks) == 2


@pytest.mark.parametrize("suffix", [".pdf", ".png"])
def test_the_same_sheet_gives_the_same_bytes(sheet, tmp_path, suffix):
    one, two = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
    draw_sheet(sheet, one)
    draw_sheet(sheet, two)
    assert one.read_bytes() == two.read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == [one.name, two.name]


def test_a_pdf_has_an_overview_and_a_page_for_each_bank_in_use(sheet, tmp_path):
    draw_sheet(sheet, tmp_path / "pads.pdf")
    raw = (tmp_path / "pads.pdf").read_bytes()
    assert raw.startswith(b"%PDF-") and raw.rstrip().endswith(b"%%EOF")
    assert raw.count(b"/Type /Page\n") + raw.count(b"/Type /Page ") == 3
    draw_sheet(sheet, tmp_path / "two.pdf", bank=2, overview=False)
    raw = (tmp_path / "two.pdf").read_bytes()
    assert raw.count(b"/Type /Page\n") + raw.count(b"/Type /Page ") == 1


def test_a_png_has_its_pages_below_one_another(sheet, tmp_path):
    draw_sheet(sheet, tmp_path / "pads.png", overview=False)
    with Image.open(tmp_path / "pads.png") as picture:
        assert picture.size == (297 * 6, 2 * 210 * 6)
        colours = {colour for _, colour in picture.getcolors(maxcolors=10**6)}
        assert (255, 255, 255) in colours and (17, 17, 17) in colours


def test_a_page_for_each_surface_gives_larger_names(sheet, tmp_path):
    whole = draw_sheet(sheet, tmp_path / "whole.pdf", by_surface=False)
    notes = draw_sheet(sheet, tmp_path / "parts.pdf", by_surface=True)
    raw = (tmp_path / "parts.pdf").read_bytes()
    assert raw.count(b"/Type /Page\n") + raw.count(b"/Type /Page ") == 1 + 2 * 2
    assert any("a page for each surface" in note for note in whole)
    assert not any("a page for each surface" in note for note in notes)


def test_a_rig_alone_shows_its_pads_and_notes(tmp_path):
    rig = rig_from_toml(RIG)
    alone = rig_sheet(rig)
    ink = DryInk()
    draw_bank_page(ink, alone, alone.banks[0], 297, 210)
    written = [text["text"] for text in texts(ink)]
    for word in ("1", "8", "9", "note 51", "Click", "10 pads in 3 banks", "Crate and pedals  ·  m: 9.0 MB"):
        assert word in written
    assert not any("layout" in text for text in written)
    draw_sheet(alone, tmp_path / "rig.pdf")


def test_an_overview_holds_many_banks():
    rig = rig_from_toml(RIG.replace("banks = 3", "banks = 14"))
    show = show_from_toml(SHOW)
    places = tuple(
        Place(bank=b, pad_id="lid/1", clip="foghorn", channels=1, sample_rate_hz=44100)
        for b in range(1, 15)
    )
    many = sheet_data(rig, show, Layout(show="night", rig="r", places=places), {})
    ink = DryInk()
    draw_overview_page(ink, many, many.banks[:6], 297, 210)
    assert sum(t["text"] == "foghorn" for t in texts(ink)) == 6
    for text in texts(ink):
        assert text["left"] >= 5 and text["right"] <= 292


def test_titles_in_other_scripts_are_written_or_said(sheet, tmp_path):
    plain = replace(sheet, title="Ночь в Ålesund: Ωμέγα, Łódź")
    assert not any("lack" in note for note in draw_sheet(plain, tmp_path / "a.pdf"))
    notes = draw_sheet(replace(sheet, title="夜 night"), tmp_path / "b.pdf")
    assert any("lack 夜" in note for note in notes)


def test_without_its_letters_the_sheet_uses_reportlabs(sheet, tmp_path, monkeypatch):
    monkeypatch.setattr(letters, "_PACKAGE", "padbank_no_such_package")
    for suffix in (".pdf", ".png"):
        draw_sheet(sheet, tmp_path / f"spare{suffix}")
        assert (tmp_path / f"spare{suffix}").stat().st_size > 10_000
    notes = draw_sheet(sheet, tmp_path / "spare.pdf")
    assert isinstance(notes, list)
    ink = DryInk()
    assert ink.known("Łódź – ночь", "bold") == "Łódz – ????"
    assert "ź" in ink.lacking


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("pads.svg", {}, "a .pdf or a .png"),
        ("pads.pdf", {"bank": 9}, "banks 1 to 3"),
        ("pads.pdf", {"paper": "a5"}, "use one of a4"),
        ("gone/pads.pdf", {}, "cannot be written"),
        ("gone/pads.png", {}, "cannot be written"),
    ],
)
def test_what_cannot_be_drawn_is_one_sentence(sheet, tmp_path, name, options, words):
    with pytest.raises(InputError, match=words):
        draw_sheet(sheet, tmp_path / name, **options)


WORDS = st.lists(st.text("abcdefghijklmnopqrstuvwxyzÄß0123456789", min_size=1, max_size=14), min_size=1, max_size=5)
PADS = st.lists(
    st.tuples(
        st.floats(-500, 3000), st.floats(-500, 3000), st.floats(10, 600), st.floats(10, 600),
        st.sampled_from(["clip", "control", "empty"]), WORDS, st.booleans(), st.sampled_from(["", "loop", "note 120"]),
    ),
    min_size=1,
    max_size=24,
)  # fmt: skip


@settings(max_examples=60, deadline=None, derandomize=True)
@given(pads=PADS, titles=st.lists(st.text(max_size=60), max_size=6))
def test_any_rig_stays_on_the_paper(pads, titles):
    bank = SheetBank(
        number=888,
        segments=tuple(titles),
        pads=tuple(
            SheetPad(
                pad_id=f"surface-of-many/{n}", number=n, x_mm=x, y_mm=y, w_mm=w, h_mm=h,
                kind=kind, words=tuple(words), moved=moved, remark=remark,
            )
            for n, (x, y, w, h, kind, words, moved, remark) in enumerate(pads, start=1)
        ),
    )  # fmt: skip
    sheet = SheetData(
        show="s", title=" ".join(titles) or "s", date="", rig="r", layout_number=0, banks=(bank,),
        tags=(), caution="Take care.", any_moved=True,
    )  # fmt: skip
    for draw in (draw_bank_page, lambda ink, *rest: draw_overview_page(ink, rest[0], [rest[1]], *rest[2:])):
        ink = DryInk()
        draw(ink, sheet, bank, 297.0, 210.0)
        for kind, _, values in ink.marks:
            if kind == "text":
                assert values["cap_mm"] > 0
                assert values["left"] >= 5 and values["right"] <= 292 + 1e-6, values
                assert values["base"] - values["cap_mm"] >= 3 and values["base"] <= 207, values
            else:
                for x, y in values["points"]:
                    assert 4 <= x <= 293 and 4 <= y <= 206
