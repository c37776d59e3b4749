"""Edits of a show's text: what a person wrote stays, what was asked for changes, nothing breaks the file."""

from __future__ import annotations

from importlib import resources

import pytest

from padbank.domain import Want
from padbank.errors import InputError
from padbank.files import showedit
from padbank.files.showfile import new_show_toml, show_from_toml

DEMO = (resources.files("padbank") / "demo" / "lantern-quay.toml").read_text(encoding="utf-8")


def comments(text: str) -> list[str]:
    return [line.partition("#")[2].strip() for line in text.splitlines() if "#" in line]


EDITS = {
    "title": lambda t: showedit.set_top(t, "title", "Another night"),
    "new key": lambda t: showedit.set_top(t, "like", "older-show"),
    "date": lambda t: showedit.set_top(t, "date", "2027-01-02"),
    "no date": lambda t: showedit.set_top(t, "date", None),
    "level": lambda t: showedit.set_level(t, "target_lufs", -20.5),
    "rule": lambda t: showedit.set_level(t, "rule", "even"),
    "segment": lambda t: showedit.add_segment(t, "encore", "Encore", any_time=True),
    "segment's bank": lambda t: showedit.set_segment(t, "quiz", "bank", 3),
    "want": lambda t: showedit.add_want(t, "quiz", Want(tag="gull", count=2, hits=3, must=True)),
    "want's hits": lambda t: showedit.set_want(t, "quiz", 0, {"hits": 12.0, "must": False}),
}


@pytest.mark.parametrize("name", EDITS)
@pytest.mark.parametrize("form", ["plain", "crlf", "marked"])
def test_comments_and_line_endings_stay(name, form):
    text = DEMO
    if form == "crlf":
        text = DEMO.replace("\n", "\r\n")
    elif form == "marked":
        text = "\ufeff" + DEMO
    after = EDITS[name](text)
    assert after != text
    assert comments(after) == comments(text)
    assert after.startswith("\ufeff") == (form == "marked")
    if form == "crlf":
        assert "\n" not in after.replace("\r\n", "")
    assert len(after.splitlines()) - len(text.splitlines()) in range(-1, 8)


def test_a_clip_is_renamed_wherever_a_show_names_it():
    text = new_show_toml("night", "r").replace(
        "wants = [", 'wants = [\n    { clip = "horn", hits = 2 },  # the old one\n    { clip = "horn-two" },\n    { tag = "horn" },', 1
    ).replace('# apart = [["one-clip", "another-clip"]]', 'apart = [["horn", "bell"]]').replace("# together", 'together = [["bell", "horn"]]\n# together')
    text += '\n[[pins]]\nclip = "horn"\npad = "deck/1"\n'
    after = showedit.rename_clip(text, "horn", "fanfare")
    show = show_from_toml(after)
    assert [w.clip for w in show.segments[0].wants] == ["fanfare", "horn-two", None] and show.segments[0].wants[2].tag == "horn"
    assert (show.apart, show.together, show.pins[0].clip) == ((("fanfare", "bell"),), (("bell", "fanfare"),), "fanfare")
    assert comments(after) == comments(text)
    assert showedit.rename_clip(text, "nobody", "x") == text


def test_each_edit_does_what_it_says():
    def show(name):
        return show_from_toml(EDITS[name](DEMO))

    assert show("title").title == "Another night"
    assert show("new key").like == "older-show"
    assert str(show("date").date) == "2027-01-02" and show("no date").date is None
    assert show("level").target_lufs == -20.5 and show("rule").level_rule == "even"
    assert show("segment").segments[-1].name == "encore" and show("segment").segments[-1].any_time
    quiz = {name: next(s for s in show(name).segments if s.name == "quiz") for name in EDITS}
    assert quiz["segment's bank"].bank == 3
    assert quiz["want"].wants[-1] == Want(tag="gull", count=2, hits=3, must=True)
    assert (quiz["want's hits"].wants[0].hits, quiz["want's hits"].wants[0].must) == (12, False)


def test_wants_and_segments_are_taken_out_and_moved():
    text = showedit.remove_want(DEMO, "quiz", 1)
    assert [w.clip or w.tag for s in show_from_toml(text).segments if s.name == "quiz" for w in s.wants][:2] == ["buzzer-wrong", "quiz-clock"]
    assert "raffle" not in [s.name for s in show_from_toml(showedit.remove_segment(DEMO, "raffle")).segments]
    before = [s.name for s in show_from_toml(DEMO).segments]
    moved = showedit.move_segment(DEMO, "raffle", -2)
    order = [s.name for s in show_from_toml(moved).segments]
    assert order.index("raffle") == before.index("raffle") - 2 and sorted(order) == sorted(before)
    assert showedit.move_segment(DEMO, before[0], -1) == DEMO


def test_a_new_show_takes_its_first_wants():
    text = new_show_toml("first", "crate-eight")
    for clip in ("a", "b"):
        text = showedit.add_want(text, "opening", Want(clip=clip, hits=2))
    text = showedit.add_segment(text, "more")
    text = showedit.add_want(text, "more", Want(clip="c"))
    found = show_from_toml(text)
    assert [[w.clip for w in s.wants] for s in found.segments] == [["a", "b"], ["c"]]


@pytest.mark.parametrize(
    "edit",
    [
        lambda: showedit.set_top(DEMO, "name", "x"),
        lambda: showedit.set_top(DEMO, "date", "tomorrow"),
        lambda: showedit.set_top(DEMO, "rights", "maybe"),
        lambda: showedit.set_level(DEMO, "target_lufs", 7),
        lambda: showedit.set_level(DEMO, "loudness", -16),
        lambda: showedit.add_segment(DEMO, "quiz"),
        lambda: showedit.add_segment(DEMO, "Not A Name"),
        lambda: showedit.remove_segment(DEMO, "nobody"),
        lambda: showedit.set_want(DEMO, "quiz", 99, {"hits": 1}),
        lambda: showedit.set_want(DEMO, "quiz", 0, {"hits": -1}),
        lambda: showedit.set_want(DEMO, "quiz", 0, {"clip": "x"}),
        lambda: showedit.add_want("no show at all", "quiz", Want(clip="x")),
    ],
)  # fmt: skip
def test_an_edit_that_would_break_the_file_is_refused(edit):
    with pytest.raises(InputError):
        edit()
