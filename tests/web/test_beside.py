"""Somebody else changes what a page shows: a command, an editor, another tab. In a real Chromium.

In every case nothing is lost without a word, the later one is told what to do, and the page then shows the truth.
"""

from __future__ import annotations

import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from padbank.store.library import Library
from padbank.workflow import clips as clips_work
from padbank.workflow.arrange import apply_step, keep_step, read_board
from padbank.workflow.plan import plan

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install 'padbank[test]'").expect

SHOW = "jetty-night"
REFUSALS = ("409", "400", "ERR_FAILED")
"""The browser's own lines about answers that a test asked for."""



@pytest.fixture(autouse=True)
def _look_often(monkeypatch):
    from padbank.web import app

    monkeypatch.setattr(app, "LOOK_S", 0.1)


@pytest.fixture
def laid_out(served):
    """The served library with the show planned: layout 1."""
    with Library(served.folder) as library:
        plan(library, SHOW)
    return served


def command(folder: Path, *words: str) -> None:
    """A real command beside the page."""
    done = subprocess.run([sys.executable, "-m", "padbank", "--library", str(folder), *words], capture_output=True, text=True, timeout=120)
    assert done.returncode in (0, 3), done.stderr  # 3: done, with findings


def step(folder: Path, **what) -> int:
    """A step by hand from elsewhere; gives the layout's number."""
    with Library(folder) as library:
        board = read_board(library, SHOW)
        return keep_step(library, board, board.layout.number, apply_step(board, what)).number


def places(folder: Path, number: int | None = None) -> dict[tuple[int, str], str]:
    with Library(folder) as library:
        layout, _ = library.catalogue.layout(SHOW, number)
        return {(p.bank, p.pad_id): p.clip for p in layout.places}


def pad_of(folder: Path, clip: str) -> tuple[int, str]:
    return next(spot for spot, name in places(folder).items() if name == clip)


def other_pads(folder: Path, *clips: str) -> list[str]:
    taken = {pad_of(folder, clip)[1] for clip in clips}
    return [p for p in ("plank/1", "plank/2", "plank/3", "plank/4") if p not in taken]


def pad(page, pad_id):
    return page.locator(f".plot-box [data-pad='{pad_id}']")


def holds(page, pad_id, clip):
    page.locator(f".plot-box [data-pad='{pad_id}'][aria-label*=': {clip}']").wait_for()


def told(page, text: str) -> str:
    """The sentence at the foot of the page that holds ``text``."""
    line = page.locator("#said").get_by_text(re.compile(text))
    line.wait_for()
    return line.inner_text()


def soon(holds) -> None:
    """Wait until something holds, with this program's clock and not the page's."""
    end = time.monotonic() + 20
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


def before(page, path: str, happens) -> None:
    """The next request to ``path`` is on its way, made of what the page shows, when something happens elsewhere."""
    def come(route):
        happens()
        route.continue_()

    page.route(path, come, times=1)


# ---------------------------------------------------------------- layout


def test_a_command_takes_the_clip_in_hand_away_and_leaves_the_hand_alone_otherwise(tab, laid_out):
    folder = laid_out.folder
    horn = pad_of(folder, "horn")[1]
    one = tab()
    page = one.open(f"layout/{SHOW}")
    pad(page, horn).focus()
    page.keyboard.press("Enter")
    page.get_by_text("In hand: horn").wait_for()
    laughs = [pad_of(folder, name)[1] for name in ("laugh-high", "laugh-low")]
    command(folder, "swap", SHOW, "--bank", "1", "--pad", laughs[0], "--other-pad", laughs[1])
    assert "layout 1, is kept" in told(page, "Layout 2 was made elsewhere")
    holds(page, laughs[1], "laugh-high")
    page.get_by_text("In hand: horn").wait_for()  # what is in hand is still where it was
    free = next(p for p in ("plank/1", "plank/2", "plank/3", "plank/4") if p not in (horn, *laughs))
    pad(page, free).click()
    told(page, f"horn to {free} of bank 1: ")
    holds(page, free, "horn")
    holds(page, laughs[1], "laugh-high")  # the command's step stands

    pad(page, free).focus()
    page.keyboard.press("Enter")
    page.get_by_text("In hand: horn").wait_for()
    command(folder, "clear", SHOW, "--bank", "1", "--pad", free)
    assert "horn is not where you took it" in told(page, "Layout 4 was made elsewhere")
    assert not page.get_by_text("In hand: horn").is_visible()
    page.locator(".tray").get_by_role("button", name=re.compile("^horn")).wait_for()


def test_steps_asked_for_before_a_change_from_elsewhere_are_not_taken_on_the_new_layout(tab, laid_out):
    """The first step is on its way when somebody lays the show out anew; a second was pressed meanwhile."""
    folder = laid_out.folder
    bank, horn = pad_of(folder, "horn")
    laugh = pad_of(folder, "laugh-high")[1]
    one = tab()
    page = one.open(f"layout/{SHOW}")
    before(page, "**/step", lambda: step(folder, do="move", bank=bank, pad=horn, to_bank=bank, to_pad=laugh))
    page.evaluate(
        """([first, second]) => { for (const id of [first, second]) {
          const pad = document.querySelector(`.plot-box [data-pad='${id}']`);
          pad.focus(); pad.dispatchEvent(new KeyboardEvent('keydown', { key: 'Delete', bubbles: true, cancelable: true }));
        } }""",
        [horn, laugh],
    )
    told(page, "laugh-high cleared: not done")
    holds(page, laugh, "horn")
    holds(page, horn, "laugh-high")
    assert places(folder) == {**places(folder, 1), (bank, horn): "laugh-high", (bank, laugh): "horn"}
    one.forgive(*REFUSALS)


def test_what_is_pressed_twice_is_done_once(tab, laid_out):
    folder = laid_out.folder
    bank, horn = pad_of(folder, "horn")
    goal = other_pads(folder, "horn")[0]
    page = tab().open(f"layout/{SHOW}")
    pad(page, horn).focus()
    page.keyboard.press("Enter")
    page.get_by_text("In hand: horn").wait_for()
    page.evaluate(
        """(id) => { for (const _ of [1, 2]) document.querySelector(`.plot-box [data-pad='${id}']`)
          .dispatchEvent(new KeyboardEvent('keydown', { key: 'Enter', bubbles: true, cancelable: true })); }""",
        goal,
    )
    holds(page, goal, "horn")
    told(page, "horn to")
    assert pad_of(folder, "horn") == (bank, goal) and not page.locator(".in-hand").is_visible()


def test_undo_never_undoes_what_another_tab_did(tab, laid_out):
    folder = laid_out.folder
    bank, horn = pad_of(folder, "horn")
    free = next(iter(other_pads(folder, "horn", "laugh-high", "laugh-low")))
    left, right = tab(), tab()
    one, two = left.open(f"layout/{SHOW}"), right.open(f"layout/{SHOW}")
    pad(one, horn).focus()
    one.keyboard.press("p")  # a pin is in the show's file, not in a layout
    holds(one, horn, "horn")
    told(one, "horn is pinned")
    two.locator(f".plot-box [data-pad='{horn}'][aria-label*='pinned']").wait_for()
    pad(one, horn).click()
    one.get_by_role("button", name="Move it").click()
    pad(one, free).click()
    holds(two, free, "horn")  # heard
    expect(two.get_by_role("button", name="Undo")).to_be_disabled()
    one.locator("button:text-is('Undo'):enabled").wait_for()
    laugh = pad_of(folder, "laugh-high")[1]
    before(one, "**/step", lambda: step(folder, do="clear", bank=bank, pad=laugh))
    one.get_by_role("button", name="Undo").click()  # this tab has not heard of the other's step
    told(one, "was laid out anew elsewhere .layout 3, you saw 2.*“Go back to” brings it back")
    two.locator(".tray").get_by_role("button", name=re.compile("^laugh-high")).wait_for()
    assert places(folder).get((bank, laugh)) is None and pad_of(folder, "horn") == (bank, free)
    step(folder, do="put", clip="laugh-high", bank=bank, pad=laugh)
    expect(one.get_by_role("button", name="Undo")).to_be_disabled()
    holds(one, laugh, "laugh-high")
    one.get_by_label("Go back to").select_option("1")
    holds(two, horn, "horn")
    one.get_by_role("button", name="Undo").click()
    holds(two, free, "horn")
    left.forgive(*REFUSALS)


def test_a_plan_in_one_tab_keeps_what_another_arranges_meanwhile(tab, laid_out, monkeypatch):
    from padbank.web import layout_routes

    real, go = layout_routes.plan, []

    def slow(library, show, *, progress, **more):
        def waiting(*figures):
            while not go:
                progress(1, 5, "bank by bank")
                time.sleep(0.02)
            progress(*figures)

        return real(library, show, progress=waiting, **{**more, "fresh": True})

    monkeypatch.setattr(layout_routes, "plan", slow)
    folder = laid_out.folder
    _bank, horn = pad_of(folder, "horn")
    free = other_pads(folder, "horn", "laugh-high", "laugh-low")[0]
    left, right = tab(), tab()
    planner, hands = left.open(f"layout/{SHOW}"), right.open(f"layout/{SHOW}")
    planner.get_by_role("button", name="Plan", exact=True).click()
    planner.get_by_text("bank by bank").wait_for()
    pad(hands, horn).click()
    hands.get_by_role("button", name="Move it").click()
    pad(hands, free).click()
    holds(hands, free, "horn")
    holds(planner, free, "horn")  # shown while the planner works
    hands.get_by_role("button", name="Plan", exact=True).click()
    hands.get_by_text("bank by bank").wait_for()  # the plan of the other tab is followed, none is begun beside it
    go.append(True)
    planner.get_by_role("alert").get_by_text(re.compile("Layout 2 was made elsewhere while this was planned: it is kept")).wait_for()
    holds(planner, horn, "horn")
    holds(hands, horn, "horn")
    hands.get_by_label("Go back to").select_option("2")
    holds(hands, free, "horn")
    right.forgive(*REFUSALS)


def test_a_rig_or_a_clip_that_is_changed_beside_the_page_is_shown_and_said(tab, laid_out):
    folder = laid_out.folder
    rig = folder / "rigs" / "plank.toml"
    good = rig.read_text(encoding="utf-8")
    one, stage = tab(), tab(1180, 820)
    page = one.open(f"layout/{SHOW}")
    laid_out.server.app.state.desk.hub.change_stage({"kind": "show", "show": SHOW})
    stage.page.goto(f"{laid_out.address}/stage")
    stage.page.locator(f"#stage[data-ready={SHOW}]").wait_for()
    rig.write_text(good + "\n[[surfaces]", encoding="utf-8")  # half saved
    expect(stage.page.locator(".stage-link")).to_contain_text("plank.toml, line")
    assert stage.page.locator(".strip").count() == 5  # the names stay to be read
    trouble = page.locator(".trouble[role=alert]")
    expect(trouble).to_contain_text("plank.toml, line")
    expect(trouble).to_contain_text("this page shows what it was before")
    rig.write_text(good.replace("rows = 2, columns = 2", "rows = 3, columns = 2"), encoding="utf-8")
    pad(page, "plank/6").wait_for()
    expect(trouble).to_have_count(0)
    expect(stage.page.locator(".stage-link")).to_be_empty()
    expect(stage.page.locator(".strip")).to_have_count(7)
    told(page, "The show, its rig or its clips were changed elsewhere")
    assert page.get_by_label("Limits", exact=True).is_visible()

    bank, horn = pad_of(folder, "horn")
    pad(page, horn).click()
    page.get_by_role("button", name="Move it").click()
    with Library(folder) as library:
        clips_work.remove(library, ["horn"])
    page.get_by_text(re.compile(f"horn on {horn} of bank {bank}: there is no such clip any more")).first.wait_for()
    pad(page, "plank/6").click()  # it is in hand still: what cannot be is refused by a sentence
    told(page, "horn")
    with Library(folder) as library:
        clips_work.bring_back(library, ["horn"])
    expect(page.get_by_text("no such clip")).to_have_count(0)

    rig.write_text(good.replace("rows = 2, columns = 2", "rows = 1, columns = 1"), encoding="utf-8")
    clears = page.get_by_role("button", name=re.compile("^Clear .* of bank"))
    expect(clears.first).to_be_visible()
    lost = clears.count()
    page.get_by_text("rig plank has no such pad any more").first.wait_for()
    clears.first.click()
    expect(clears).to_have_count(lost - 1)
    one.forgive(*REFUSALS)
    stage.forgive(*REFUSALS)


# ---------------------------------------------------------------- show


def test_what_is_being_typed_survives_an_editor_and_another_tab(tab, served):
    file = served.folder / "shows" / f"{SHOW}.toml"
    left, right = tab(), tab()
    one, two = left.open(f"show/{SHOW}"), right.open(f"show/{SHOW}")
    one.get_by_label("Another want in Opening").fill("knock x7")
    hits = one.get_by_label("Expected hits of bell")
    hits.focus()
    hits.press_sequentially("5")  # 65, and not told yet
    two.get_by_label("Target, LUFS").fill("-20")
    two.get_by_label("Target, LUFS").press("Enter")
    expect(one.get_by_label("Target, LUFS")).to_have_value("-20")
    expect(one.get_by_label("Another want in Opening")).to_have_value("knock x7")
    expect(hits).to_have_value("65")
    expect(hits).to_be_focused()
    hits.press("Tab")  # done: an edit like any other
    expect(two.get_by_label("Expected hits of bell")).to_have_value("65")
    one.get_by_label("Another want in Opening").press("Enter")
    two.get_by_role("rowheader", name="knock").wait_for()
    expect(one.get_by_label("Another want in Opening")).to_have_value("")

    worth = one.get_by_label("Worth of sweep")
    worth.fill("9")
    file.write_text(file.read_text(encoding="utf-8").replace('    { clip = "sweep", hits = 2 },\n', ""), encoding="utf-8")
    told(one, "This show was changed elsewhere.*Not kept: “9” .Worth of sweep.")
    assert "sweep" not in file.read_text(encoding="utf-8")

    good = file.read_text(encoding="utf-8")
    one.get_by_label("Another want in Closing").fill("ping")
    file.write_text(good.replace("[[segments]]", "[[segments]", 1), encoding="utf-8")
    expect(one.locator(".trouble[role=alert]")).to_contain_text("jetty-night.toml, line")
    file.write_text(good, encoding="utf-8")
    expect(one.locator(".trouble[role=alert]")).to_have_count(0)
    file.unlink()
    expect(one.locator(".trouble[role=alert]")).to_contain_text("there is no show named 'jetty-night'")
    (file.parent / "another.toml").write_text(good.replace(SHOW, "another").replace("Jetty night", "Another night"), encoding="utf-8")
    file.write_text(good, encoding="utf-8")
    expect(one.locator(".trouble[role=alert]")).to_have_count(0)
    expect(one.locator("#show")).to_have_value(SHOW)
    expect(one.locator("#show").get_by_role("option")).to_have_count(2)
    one.get_by_label("Another want in Closing").press("Enter")
    one.get_by_role("rowheader", name="ping").wait_for()
    left.forgive(*REFUSALS)
    right.forgive(*REFUSALS)


def test_edits_of_a_want_never_reach_another_one(tab, served):
    file = served.folder / "shows" / f"{SHOW}.toml"
    one = tab()
    page = one.open(f"show/{SHOW}")
    page.evaluate("() => { const b = document.querySelector(\"[aria-label='Take bell out']\"); b.click(); b.disabled = false; b.click(); }")
    told(page, "That want is not there any more")
    page.get_by_role("rowheader", name="sweep").wait_for()
    assert page.get_by_role("rowheader", name="bell").count() == 0 and "sweep" in file.read_text(encoding="utf-8")

    # The first edit is on its way when an editor saves; the second was made of what the page showed before.
    text = file.read_text(encoding="utf-8").replace("    { clip = \"horn\", hits = 4, must = true },\n", "    { clip = \"buzz\", hits = 1 },\n    { clip = \"horn\", hits = 4, must = true },\n")

    before(page, "**/edit", lambda: file.write_text(text, encoding="utf-8"))
    page.evaluate(
        """() => { for (const [name, value] of [['Expected hits of horn', '8'], ['Expected hits of sweep', '9']]) {
          const box = document.querySelector(`[aria-label='${name}']`); box.value = value; box.dispatchEvent(new Event('change', { bubbles: true }));
        } }"""
    )
    told(page, "changed elsewhere before that was done")
    page.get_by_role("rowheader", name="buzz").wait_for()
    expect(page.get_by_label("Expected hits of horn")).to_have_value("4")
    expect(page.get_by_label("Expected hits of sweep")).to_have_value("2")
    assert file.read_text(encoding="utf-8") == text
    one.forgive(*REFUSALS)


# ---------------------------------------------------------------- clips


def test_words_typed_for_a_clip_survive_another_tab_and_a_clip_that_went_is_said(tab, served):
    left, right = tab(), tab()
    one, two = left.open("clips/bell"), right.open("clips/bell")
    one.get_by_label("Mute group").wait_for()
    one.get_by_label("Mute group").focus()
    one.get_by_label("Mute group").press_sequentially("bel")
    two.get_by_label("Louder or softer, LU").fill("-2")
    two.get_by_label("Louder or softer, LU").press("Enter")
    expect(one.get_by_label("Louder or softer, LU")).to_have_value("-2.0")
    expect(one.get_by_label("Mute group")).to_have_value("bel")
    one.keyboard.type("ls")
    one.keyboard.press("Enter")
    expect(two.get_by_label("Mute group")).to_have_value("bells")
    with Library(served.folder) as library:
        clip = library.clip("bell")
        assert (clip.recipe.mute_group, clip.recipe.level_offset_lu) == ("bells", -2)
    two.get_by_label("Name", exact=True).fill("big-bell")
    two.get_by_label("Name", exact=True).press("Enter")
    one.get_by_text("bell was renamed or taken out of sight elsewhere").wait_for()
    left.forgive(*REFUSALS)
    right.forgive("400")  # its levels may be asked for by the old name


def test_a_trim_is_finished_against_another_tab_and_told(tab, served):
    """A handle moved by keys and not sent yet goes with another tab's edit, unless that moved it too; one in the
    mouse's hand is let go before anything else."""
    folder = served.folder
    left = tab()
    page = left.open("clips/bell")
    start = page.get_by_role("slider", name="Start", exact=True)
    start.wait_for()
    page.clock.install()  # what is moved by keys is sent after a while: not in this test
    page.clock.pause_at(page.evaluate("() => Date.now()") + 1000)

    def said():
        return page.locator("#said").inner_text()

    def beside(**changes):
        with Library(folder) as library:
            clips_work.edit(library, "bell", changes)

    def recipe():
        with Library(folder) as library:
            return library.clip("bell").recipe

    before = recipe().start_s
    start.focus()
    page.keyboard.press("Shift+ArrowRight")  # 10 ms
    beside(level_offset_lu=-2.0)
    soon(lambda: said().endswith("bell was changed elsewhere: this is how it is now."))
    soon(lambda: recipe().start_s > before)
    assert (recipe().level_offset_lu, recipe().start_s) == (-2.0, pytest.approx(before + 0.01, abs=1e-5))

    start.focus()
    page.keyboard.press("Shift+ArrowRight")
    beside(start_s=before + 0.03)
    soon(lambda: "A handle that you moved was moved there too: move it again" in said())
    soon(lambda: float(start.get_attribute("aria-valuenow")) == pytest.approx((before + 0.03) * 1000, abs=0.11))
    page.clock.resume()
    assert recipe().start_s == pytest.approx(before + 0.03, abs=1e-5)

    box = start.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + 12
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 30, y, steps=3)
    # not an earlier look: what is measured after a trim is told as a change too
    with page.expect_response(lambda r: r.url.endswith("/api/clips/bell") and r.json()["recipe"]["level_offset_lu"] == -3.0):
        beside(level_offset_lu=-3.0)
    page.mouse.move(x + 60, y, steps=3)
    page.mouse.up()
    told(page, "bell was changed elsewhere since this page read it")
    expect(page.get_by_label("Louder or softer, LU")).to_have_value("-3.0")
    assert recipe().start_s == pytest.approx(before + 0.03, abs=1e-5)
    left.forgive(*REFUSALS)


def test_two_tabs_add_files_one_after_the_other_and_a_tab_opened_meanwhile_sees_it(tab, served, tmp_path, synth_wav, monkeypatch):
    from padbank.web import drop_routes

    real, go = drop_routes._add, threading.Event()

    def slow(desk, job, *more):
        job.progress(0, 1, "a file")
        assert go.wait(20)
        return real(desk, job, *more)

    monkeypatch.setattr(drop_routes, "_add", slow)
    left, right = tab(), tab()
    one, two = left.open("clips"), right.open("clips")
    for page, name, tone in ((one, "whistle", 700), (two, "clank", 900)):
        page.locator("#files").set_input_files(synth_wav(tmp_path / f"{name}.wav", tone, 0.4))
        if page is one:
            page.get_by_text("0 of 1 a file").wait_for()
    two.get_by_role("alert").get_by_text("adding is running already").wait_for()
    late = tab().open("clips")
    late.get_by_text("0 of 1 a file").wait_for()
    go.set()
    for page in (one, late):
        page.get_by_text("1 added, 0 already there, 0 refused.").first.wait_for()
    two.get_by_text("9 clips", exact=True).wait_for()
    two.get_by_role("button", name="Add them now").click()
    two.get_by_text("1 added, 0 already there, 0 refused.").first.wait_for()
    one.get_by_text("10 clips", exact=True).wait_for()
    assert [p.suffix for p in (served.folder / "dropped").iterdir()] == [".held"]
    right.forgive(*REFUSALS)


def test_marks_follow_what_other_tabs_do_and_rights_set_elsewhere_are_not_overwritten(tab, served):
    one = tab()
    page = one.open("clips")
    for name in ("horn", "bell"):
        page.get_by_label(f"Mark {name}").click()
    page.get_by_label("Tags to add or take off").fill("+loud")
    page.get_by_label("Mark sweep").click()
    expect(page.get_by_label("Tags to add or take off")).to_have_value("+loud")
    with Library(served.folder) as library:
        clips_work.remove(library, ["horn"])
    page.get_by_text("2 clips marked").wait_for()
    page.get_by_role("button", name="Tag them").click()
    told(page, "2 clips changed")

    def overtaken():
        with Library(served.folder) as library:
            assert library.clip("bell").tags == ("loud",)
            clips_work.edit(library, "bell", {}, licence="CC-BY-4.0")

    before(page, "**/api/clips/many", overtaken)
    page.get_by_label("Licence", exact=True).last.fill("MIT")
    page.get_by_role("button", name="Set rights").click()
    told(page, "the licence of bell was changed elsewhere")
    with Library(served.folder) as library:
        assert [library.clip(name).licence for name in ("bell", "sweep")] == ["CC-BY-4.0", "CC0-1.0"]
    one.forgive(*REFUSALS)


# ---------------------------------------------------------------- export, rehearsal, sheet


def look(page, card):
    page.get_by_label("Write the set into").fill(str(card))
    page.get_by_role("button", name="See what would change").click()
    page.get_by_text("To be written: 5 files").wait_for()


def test_only_the_set_that_was_looked_at_is_written(tab, laid_out, tmp_path):
    folder = laid_out.folder
    bank, horn = pad_of(folder, "horn")
    card = tmp_path / "card"
    one = tab()
    page = one.open(f"export/{SHOW}")
    look(page, card)
    step(folder, do="clear", bank=bank, pad=horn)
    told(page, "this is what would be written now .layout 2.")
    page.get_by_text("To be written: 4 files").wait_for()
    page.get_by_label(re.compile("^I accept: ")).check()
    before(page, "**/write", lambda: step(folder, do="put", clip="horn", bank=bank, pad=horn))
    page.get_by_role("button", name="Write the set").click()
    page.get_by_role("alert").get_by_text(re.compile("was changed elsewhere since you looked .it is layout 3 now")).wait_for()
    assert not list(card.rglob("*.wav"))
    page.get_by_text("To be written: 5 files").wait_for()  # the page shows by itself what would be written now
    page.get_by_role("button", name="Write the set").click()
    page.get_by_role("heading", name="Proved: the set is as planned").wait_for()
    one.forgive(*REFUSALS)


def test_a_set_that_was_overtaken_while_it_was_written_is_proved_as_what_it_is(tab, laid_out, tmp_path, monkeypatch):
    """And stopped while it is proved, the page says that the new set is there."""
    from padbank.web import export_routes

    real, prove = export_routes.export, export_routes.verify
    folder = laid_out.folder
    bank, horn = pad_of(folder, "horn")

    def overtaken(library, show, where, **more):
        def beside(done, total, label):
            if label == "swap in":
                step(folder, do="clear", bank=bank, pad=horn)
            more["progress"](done, total, label)

        return real(library, show, where, **{**more, "progress": beside})

    monkeypatch.setattr(export_routes, "export", overtaken)
    one = tab()
    page = one.open(f"export/{SHOW}")
    look(page, tmp_path / "card")
    page.get_by_role("button", name="Write the set").click()
    page.get_by_role("heading", name="Proved: the set is as planned").wait_for()
    page.get_by_role("alert").get_by_text(re.compile("changed elsewhere while this was written")).wait_for()
    page.get_by_text("To be removed with the old set: 1 file").wait_for()
    assert any("horn" in p.name for p in (tmp_path / "card").rglob("*.wav"))

    def slow(where, *, progress):
        while True:
            progress(1, 5, "a file")
            time.sleep(0.02)

    monkeypatch.setattr(export_routes, "export", real)
    monkeypatch.setattr(export_routes, "verify", slow)
    page.get_by_label(re.compile("^I accept: ")).check()
    page.get_by_role("button", name="Write the set").click()
    page.get_by_text("proving a file").wait_for()
    page.get_by_role("button", name="Stop", exact=True).click()
    told(page, "The new set is on the card whole, but not proved yet")
    assert not any("horn" in p.name for p in (tmp_path / "card").rglob("*.wav"))
    monkeypatch.setattr(export_routes, "verify", prove)
    page.get_by_role("button", name="Prove what is there").click()
    page.get_by_role("heading", name="Proved: the set is as planned").wait_for()


def test_a_rehearsal_and_a_sheet_hear_of_a_new_layout(tab, laid_out):
    folder = laid_out.folder
    bank, horn = pad_of(folder, "horn")
    one, two = tab(), tab()
    rehearsal, sheet = one.open(f"rehearse/{SHOW}"), two.open(f"sheet/{SHOW}")
    sheet.get_by_role("img", name=re.compile("horn")).wait_for()
    step(folder, do="clear", bank=bank, pad=horn)
    told(sheet, "this is the sheet as it is now .layout 2.")
    expect(sheet.get_by_role("img", name=re.compile("horn"))).to_have_count(0)
    rehearsal.get_by_role("alert").get_by_text(re.compile("this is still layout 1 as it was")).wait_for()
    holds(rehearsal, horn, "horn")
    rehearsal.get_by_role("button", name="Take over what is new").click()
    expect(pad(rehearsal, horn)).not_to_have_attribute("aria-label", re.compile("horn"))
    rehearsal.get_by_text("layout 2").wait_for()
