"""Every place held to WCAG 2.2 A and AA by axe-core (Deque, MPL-2.0), by day and by night, at two sizes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

RUN_AXE = """async () => {
  const found = await axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] });
  return found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160) + ' ' + n.failureSummary.slice(0, 240)).join(' | ')}`);
}"""

PLACES = ("clips", "clips/horn", "show/jetty-night", "layout/jetty-night", "rehearse/jetty-night", "export/jetty-night", "sheet/jetty-night", "stage")


@pytest.fixture(scope="session")
def axe() -> str:
    default = Path(__file__).resolve().parents[2] / ".tests-data"
    path = Path(os.environ.get("PADBANK_TEST_SOUNDS") or default) / "axe-core" / "axe.min.js"
    if not path.is_file():
        pytest.skip("axe-core was not fetched: run .ci/fetch-web-tools")
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize(("light", "size"), [("light", (1280, 800)), ("dark", (1280, 800)), ("light", (390, 844))], ids=["day", "night", "phone"])
def test_axe_finds_nothing_on_any_place(tab, served, axe, light, size, tmp_path):
    from padbank.store.library import Library
    from padbank.workflow.plan import plan

    with Library(served.folder) as library:
        plan(library, "jetty-night", seconds=20)
    one = tab(*size, color_scheme=light)
    page = one.page
    found = {}
    for place in PLACES:
        if place == "stage":
            page.goto(f"{served.address}/stage")
            page.locator("#stage[data-ready='jetty-night']").wait_for()
        else:
            one.open(place)
        if place == "clips/horn":
            page.get_by_text(": gain ").wait_for()
        if place.startswith("rehearse"):
            page.locator(".place-rehearse[data-ready-bank='1']").wait_for()
        if place.startswith("layout"):
            page.locator(".plot-box [data-pad='plank/1']").click()
            page.get_by_role("button", name="Why here?").click()
            page.locator(".why").wait_for()
        if place.startswith("export"):
            page.get_by_label("Write the set into").fill(str(tmp_path / "card"))
            page.get_by_role("button", name="See what would change").click()
            page.get_by_text("To be written: 5 files").wait_for()
        if place == "stage":
            page.get_by_text("Set up").click()
        elif size[0] < 600:
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"{place} is wider than the screen"
        page.evaluate(axe)
        violations = page.evaluate(RUN_AXE)
        if violations:
            found[place] = violations
    page.get_by_role("button", name="Measure this screen").click()
    page.get_by_role("dialog").wait_for()
    if violations := page.evaluate(RUN_AXE):
        found["the stage's dialog"] = violations
    assert not found, "\n".join(f"{place}: {v}" for place, vs in found.items() for v in vs)
