"""A tag has one colour: on the pad sheet, on Layout, in Rehearse and on the stage."""

from __future__ import annotations

from padbank.store.library import Library
from padbank.workflow.clips import change_tags
from padbank.workflow.plan import newest_layout, plan
from padbank.workflow.sheet import sheet_of
from padbank.workflow.shows import open_show

SHOW = "jetty-night"

BANDS = """(root) => [...document.querySelector(root).querySelectorAll('[data-pad]')]
  .map((pad) => [pad.dataset.pad, pad.querySelector('.pad-band, .strip-band')])
  .filter(([, band]) => band)
  .map(([pad, band]) => [pad, band.getAttribute('fill') ?? getComputedStyle(band).backgroundColor])"""


def as_hex(colour: str) -> str:
    if colour.startswith("#"):
        return colour.upper()
    red, green, blue = (int(part) for part in colour[colour.index("(") + 1 : -1].split(",")[:3])
    return f"#{red:02X}{green:02X}{blue:02X}"


def test_paper_and_page_colour_the_same_clip_alike(tab, library_folder) -> None:
    with Library(library_folder) as library:
        # several tags on a clip, whose order by name and by number of clips differ
        change_tags(library, ["horn", "bell"], ["+brass", "+aardvark"])
        change_tags(library, ["horn"], ["+zither"])
        change_tags(library, ["sweep"], ["+zither"])
        plan(library, SHOW)
        opened = open_show(library, SHOW)
        sheet = sheet_of(library, opened, newest_layout(library, SHOW))
    on_paper = {
        pad.pad_id: sheet.tags[drawn.tag].colour.upper()
        for pad, drawn in zip(opened.rig.pads, sheet.banks[0].pads, strict=True)
        if drawn.tag is not None
    }
    assert len(set(on_paper.values())) > 1
    one = tab()
    for place, root in ((f"layout/{SHOW}", ".plot-box"), (f"rehearse/{SHOW}", ".plot-box"), ("stage", "body")):
        one.page.goto(f"{one.address}/{place}")
        one.page.locator(f"{root} :is(.pad-band, .strip-band)").first.wait_for()
        seen = {pad: as_hex(colour) for pad, colour in one.page.evaluate(BANDS, root)}
        assert seen == on_paper, place
    one.page.goto(f"{one.address}/clips")
    band = one.page.locator(".rows-body .tag:has-text('laugh') .tag-shape").first
    laugh = next(tag for tag in sheet.tags if tag.tag == "laugh")
    assert band.get_attribute("fill") == laugh.colour
