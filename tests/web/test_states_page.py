"""What the page shows when something is wrong: a lost link, a wrong address, a damaged show, a spoilt card."""

from __future__ import annotations

import re
import threading

import pytest

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install 'padbank[test]'").expect

SHOW = "jetty-night"
SILENT = "padbank does not answer: is it still running in its terminal?"


@pytest.fixture
def planned(served):
    """The served library with its show laid out."""
    from padbank.store.library import Library
    from padbank.workflow.plan import plan

    with Library(served.folder) as library:
        plan(library, SHOW, seconds=20)
    return served


def quieten(one, *parts: str) -> None:
    """Complaints that the test caused on purpose."""
    one.forgive(*parts)


def start_again(served):
    """A second server at the same address, as after ``padbank serve`` was started anew."""
    from padbank.web.server import PageServer

    page = PageServer(served.folder, port=served.server.port)
    thread = threading.Thread(target=page.run, daemon=True)
    thread.start()
    return page, thread


def test_a_place_opened_while_the_link_is_lost_opens_when_it_is_back(tab, planned):
    desk, stage = tab(), tab(1280, 800)
    page = desk.open(f"rehearse/{SHOW}")
    page.get_by_role("button", name="Later bank").click()
    page.locator(".place-rehearse[data-ready-bank='2']").wait_for()
    stage.page.goto(f"{planned.address}/stage")
    stage.page.locator(f"#stage[data-bank='2'][data-ready={SHOW}]").wait_for()
    page.get_by_role("button", name="Start the clock").click()
    stage.page.get_by_text("0:00:02").wait_for()
    planned.server.stop()
    page.get_by_text("Look into its terminal").wait_for()
    page.get_by_role("link", name="Layout").click()
    page.locator(".place-layout").get_by_text(SILENT).wait_for()
    assert page.get_by_role("link", name="Layout").get_attribute("aria-current") == "page"
    again, thread = start_again(planned)
    try:
        page.locator(".plot-box [data-pad='plank/1']").wait_for()
        expect(page.get_by_text("padbank answers again.")).to_be_visible()
        expect(page.get_by_text("Look into its terminal")).to_be_hidden()
        # The stage keeps its names and its bank, and tells the new server of them.
        stage.page.get_by_text("No word from the computer").wait_for(state="hidden")
        assert stage.page.locator("#stage").get_attribute("data-bank") == "2"
        assert stage.page.locator(".strip").count() == 5
        stage.page.wait_for_function("async () => (await (await fetch('/api/stage')).json()).bank === 2")
        stage.page.wait_for_function("async () => (await (await fetch('/api/stage')).json()).since_start_s > 2")
    finally:
        again.stop()
        thread.join(10)
    for one in (desk, stage):
        quieten(one, "ERR_", "WebSocket")


def test_an_address_of_nothing_leads_back(tab, served):
    one = tab()
    one.page.goto(f"{served.address}/nowhere/at/all")
    one.page.get_by_text("There is nothing at this address.").wait_for()
    one.page.get_by_role("link", name="Go to padbank").click()
    one.page.locator("main[data-ready=clips]").wait_for()
    page = one.open("show/not-there")
    page.get_by_text("There is no show named not-there.").wait_for()
    page.get_by_role("button", name="Jetty night").click()
    page.get_by_role("heading", name="Opening").wait_for()
    quieten(one, "404", "400")


def test_a_show_file_that_was_spoilt_is_read_again_once_it_is_mended(tab, served):
    file = served.folder / "shows" / f"{SHOW}.toml"
    good = file.read_text(encoding="utf-8")
    file.write_text('name = "jetty-night"\nrig = "plank"\n', encoding="utf-8")
    one = tab()
    page = one.open(f"show/{SHOW}")
    page.get_by_text("'segments' is missing").wait_for()
    page.get_by_text("this page looks again by itself").wait_for()
    file.write_text(good, encoding="utf-8")
    page.get_by_role("heading", name="Opening").wait_for()
    quieten(one, "400")


def test_a_spoilt_set_is_told_with_what_to_do_and_mended_by_writing_again(tab, planned, tmp_path):
    card = tmp_path / "card"
    page = tab().open(f"export/{SHOW}")
    page.get_by_role("button", name="See what would change").click()
    page.get_by_text("Type the folder of the card").wait_for()
    expect(page.get_by_label("Write the set into")).to_be_focused()
    page.get_by_label("Write the set into").fill(str(card))
    page.get_by_role("button", name="See what would change").click()
    page.get_by_role("button", name="Write the set").click()
    proof = page.get_by_role("heading", name="Proved: the set is as planned")
    expect(proof).to_be_focused()
    first, second, *_ = sorted(card.rglob("*.wav"))
    data = bytearray(first.read_bytes())
    data[len(data) // 2] ^= 0xFF
    first.write_bytes(data)
    second.unlink()
    page.get_by_role("button", name="Prove what is there").click()
    expect(page.get_by_role("heading", name="Not as planned")).to_be_focused()
    expect(page.get_by_text("Not so: the set on the card is whole and as planned")).to_be_visible()
    page.get_by_text("To be written: 2 files").wait_for()
    page.get_by_role("button", name="Write the set").click()
    proof.wait_for()
    page.get_by_text("There already: 5 files").wait_for()


def test_what_was_tried_is_forgotten_with_the_clip_in_hand(tab, planned):
    page = tab().open(f"layout/{SHOW}")
    pad = page.locator(".plot-box .pad-clip").first
    pad.focus()
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowDown")
    page.get_by_text(re.compile("^If you put ")).wait_for()
    page.keyboard.press("Escape")
    expect(page.get_by_text("In seconds of your time")).to_be_visible()
    expect(page.get_by_text(re.compile("^If you put "))).to_have_count(0)


def test_banks_are_turned_by_keys_and_the_focus_stays(tab, planned):
    page = tab().open(f"rehearse/{SHOW}")
    later = page.get_by_role("button", name="Later bank")
    later.focus()
    for bank in (2, 1):
        page.keyboard.press("Enter")
        page.locator(f".place-rehearse[data-ready-bank='{bank}']").wait_for()
        expect(later).to_be_focused()
    page.get_by_label("Bank", exact=True).select_option("2")
    expect(page.get_by_role("heading", name="2 Closing")).to_be_visible()
    expect(page.get_by_text("Keep your monitors low")).to_be_in_viewport()


def test_the_button_that_stops_work_keeps_the_focus(tab, planned, tmp_path, monkeypatch):
    """Looked at every fraction of a second, the slip is changed in place: keys reach its button."""
    import time

    from padbank.web import export_routes

    real = export_routes.export

    def slow(library, show, folder, *, progress, **more):
        def careful(done, total, label):
            progress(done, total, label)
            time.sleep(0.3)

        return real(library, show, folder, progress=careful, **more)

    monkeypatch.setattr(export_routes, "export", slow)
    page = tab().open(f"export/{SHOW}")
    page.get_by_label("Write the set into").fill(str(tmp_path / "card"))
    page.get_by_role("button", name="See what would change").click()
    page.get_by_role("button", name="Write the set").click()
    stop = page.get_by_role("button", name="Stop", exact=True)
    stop.focus()
    page.wait_for_timeout(700)
    expect(stop).to_be_focused()
    page.keyboard.press("Enter")
    page.get_by_text(re.compile("Stopped. The card holds the old set whole")).wait_for()


def test_names_of_any_script_are_taken(tab, served, tmp_path, synth_wav):
    from padbank.store.library import Library
    from padbank.workflow.add import add

    synth_wav(tmp_path / "Гудок парохода.wav", 500, 0.5)
    with Library(served.folder) as library:
        add(library, [tmp_path / "Гудок парохода.wav"], licence="CC0-1.0", workers=1)
    page = tab().open("clips")
    page.get_by_role("gridcell", name="gudok-parokhoda", exact=True).wait_for()
    page.get_by_label("Find").fill("парохода")  # and it is found by what its file is called
    page.get_by_text("1 of 9 clips").wait_for()
    page.get_by_role("link", name="Show", exact=True).click()
    page.get_by_label("Another segment: a song, talk, a mood").fill("Άνοιγμα")
    page.get_by_role("button", name="Add segment").click()
    page.get_by_role("heading", name="Άνοιγμα").wait_for()
    page.get_by_label("Another want in Άνοιγμα").fill("gudok-parokhoda x2")
    page.get_by_label("Another want in Άνοιγμα").press("Enter")
    page.get_by_role("rowheader", name="gudok-parokhoda").wait_for()


SUSPENDED = """
(() => {
  const real = Object.getOwnPropertyDescriptor(BaseAudioContext.prototype, 'state').get;
  let on = false;
  Object.defineProperty(BaseAudioContext.prototype, 'state', { get() { return on ? real.call(this) : 'suspended'; } });
  const resume = AudioContext.prototype.resume;
  AudioContext.prototype.resume = async function () {
    if (!navigator.userActivation.hasBeenActive) return new Promise(() => {});
    on = true;
    await resume.call(this);
    this.dispatchEvent(new Event('statechange'));
  };
})();
"""


def test_the_press_that_switches_the_sound_on_is_heard(tab, planned):
    """As in a browser that keeps the sound off until something is pressed."""
    one = tab()
    one.page.add_init_script(SUSPENDED)
    page = one.open(f"rehearse/{SHOW}")
    page.locator(".place-rehearse[data-ready-bank='1']").wait_for()
    expect(page.get_by_text("The sound is off.")).to_be_visible()
    pad = page.locator(".plot-box .pad-clip").first
    pad.click()
    page.get_by_text(re.compile("starts on")).wait_for()
    expect(page.get_by_text("The sound is off.")).to_be_hidden()
    page.get_by_role("button", name="Sound is on").wait_for()


def test_a_clip_that_was_trimmed_is_measured_again(tab, served):
    """Its line and its levels tell of the trim in force, not of none."""
    page = tab().open("clips/sweep")
    line = page.get_by_role("row").filter(has=page.get_by_role("gridcell", name="sweep", exact=True))
    level = line.locator(".c-loudness_lufs")
    page.get_by_text(": gain ").wait_for()
    before = float(level.inner_text().replace("−", "-"))
    end = page.get_by_label("End, ms")
    end.fill("300")
    end.press("Tab")
    expect(page.locator(".facts")).to_contain_text(re.compile("plays 0.2"))
    page.get_by_role("cell", name="rendering").wait_for(state="hidden")
    expect(level).not_to_have_text("–")
    row = page.locator(".levels tr").filter(has_text="trimmed, as a pad plays it")
    expect(row).to_contain_text(level.inner_text())
    assert float(level.inner_text().replace("−", "-")) != before
