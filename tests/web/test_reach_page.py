"""Every place by keyboard alone, by finger, on a narrow screen and at twice the size.

WCAG 2.2: 2.4.7 Focus Visible, 2.4.11 Focus Not Obscured, 4.1.2 Name, 2.5.8 Target Size (24 px); 1.4.10 Reflow
(320 CSS px), 1.4.4 Resize Text (200 %). 44 px for fingers is 2.5.5, level AAA.
"""

from __future__ import annotations

import pytest

SHOW = "jetty-night"
PLACES = ("clips", "clips/horn", f"show/{SHOW}", f"layout/{SHOW}", f"rehearse/{SHOW}", f"export/{SHOW}", f"sheet/{SHOW}")

STOP = """() => {
  const el = document.activeElement;
  if (!el || el === document.body) return null;
  const box = el.getBoundingClientRect();
  const style = getComputedStyle(el);
  const tape = el.querySelector?.(':scope > .pad-tape');
  const ringed = (style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2)
    || (tape && parseFloat(getComputedStyle(tape).strokeWidth) >= 4);
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  const over = document.elementFromPoint(x, y);
  const target = el.closest('.cell-tick, .tick') ?? el;
  const { width, height } = target.getBoundingClientRect();
  return {
    what: `${el.tagName} ${(el.getAttribute('aria-label') || el.labels?.[0]?.innerText || el.innerText || '').trim().slice(0, 50)}`,
    named: Boolean((el.getAttribute('aria-label') || el.labels?.[0]?.innerText || el.innerText || '').trim()),
    ringed: Boolean(ringed),
    seen: Boolean(over && (el.contains(over) || over.contains(el))) || el.classList.contains('skip'),
    small: Math.min(width, height),
    low: height,
  };
}"""


@pytest.fixture
def planned(served):
    from padbank.store.library import Library
    from padbank.workflow.plan import plan

    with Library(served.folder) as library:
        plan(library, SHOW, seconds=20)
    return served


def stops(page, most: int = 120) -> list[dict]:
    """What Tab comes to, from the top of the page until it leaves it."""
    found: list[dict] = []
    for _ in range(most):
        page.keyboard.press("Tab")
        stop = page.evaluate(STOP)
        if stop is None and found:
            break
        if stop:
            found.append(stop)
    return found


def settle(page, place: str) -> None:
    if place.startswith("rehearse"):
        page.locator(".place-rehearse[data-ready-bank='1']").wait_for()
    if place == "clips/horn":
        page.get_by_text(": gain ").wait_for()


@pytest.mark.parametrize("touch", [False, True], ids=["mouse", "finger"])
def test_every_stop_of_the_tab_key_is_seen_named_and_large_enough(tab, planned, touch):
    one = tab(390, 844, has_touch=True) if touch else tab(1440, 900)
    faults = []
    for place in PLACES:
        page = one.open(place)
        settle(page, place)
        found = stops(page)
        assert len(found) > 8, place
        for stop in found:
            if not (stop["ringed"] and stop["named"] and stop["seen"]):
                faults.append((place, stop))
            if stop["small"] < 24 and "must be there" not in stop["what"] and "Mark " not in stop["what"]:
                faults.append((place, stop))
            if touch and stop["low"] < 43.9 and not stop["what"].startswith(("DIV", "A Skip")):
                faults.append((place, stop))
    assert not faults, "\n".join(map(str, faults))


@pytest.mark.parametrize("size", [(320, 700), (720, 450), (390, 844)], ids=["narrow", "twice", "phone"])
def test_no_place_is_wider_than_its_screen(tab, planned, size):
    one = tab(*size)
    for place in PLACES:
        page = one.open(place)
        settle(page, place)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), place
        cut = page.evaluate("""() => [...document.querySelectorAll('.line:not([hidden]) .c-loudness_lufs, .wants input')]
          .filter((x) => x.getBoundingClientRect().right > innerWidth).length""")
        assert cut == 0, place


@pytest.mark.parametrize("size", [(844, 390), (720, 450), (390, 844)], ids=["phone across", "twice", "phone"])
def test_the_stages_buttons_never_lie_on_its_pads(tab, planned, size):
    planned.server.app.state.desk.hub.change_stage({"kind": "show", "show": SHOW})
    page = tab(*size).page
    page.goto(f"{planned.address}/stage")
    page.locator(f"#stage[data-ready={SHOW}]").wait_for()
    gap = page.evaluate("""() => {
      const foot = document.querySelector('.stage-foot').getBoundingClientRect();
      const low = Math.max(...[...document.querySelectorAll('.strip')].map((s) => s.getBoundingClientRect().bottom));
      return [foot.top - low, innerHeight - foot.bottom];
    }""")
    assert gap[0] >= 0 and gap[1] >= 0
    page.get_by_text("Set up").click()
    top = page.locator(".stage-sheet").bounding_box()["y"]
    assert top >= 0


def test_a_row_of_pads_is_cut_into_even_pages(tab, planned):
    """Five pads of which four would fit come as three and two, not as four and one."""
    page = tab().open("clips")
    pages = page.evaluate("""async () => {
      const { pagesOf, strips } = await import('/static/js/stagefit.js');
      const pads = Array.from({ length: 5 }, (_, i) => ({ surface: 'row', number: i + 1, pad_id: `row/${i + 1}`, x_mm: 60 + i * 110, y_mm: 50, w_mm: 100, h_mm: 100 }));
      const held = () => ({ name: 'oboe', sign: null });
      const room = { width: 1000, height: 600, need: 0 };
      const size = (n) => Math.min(...strips(pads.slice(0, n), held, room).map((s) => s.size));
      room.need = (size(4) + size(5)) / 2;
      return pagesOf(pads, held, room).map((p) => p.pads.length);
    }""")
    assert sorted(pages) == [2, 3]
