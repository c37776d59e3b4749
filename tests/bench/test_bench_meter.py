"""The meter's benchmark: its arithmetic and its table; nothing here is timed."""

import numpy as np
import pytest

from padbank.bench import meter, peers, sounds
from padbank.bench.cases import Case, all_cases, stepped_tone


def test_cases_cover_all_that_is_defined_in_words() -> None:
    """Tech 3341 cases 1 to 6 and 9 to 23, Tech 3342 cases 1 to 4."""
    numbers: dict[str, set[int]] = {}
    for standard, case in all_cases():
        numbers.setdefault(standard, set()).add(int(case.name.split()[0]))
    assert numbers == {"3341": {*range(1, 7), *range(9, 24)}, "3342": {1, 2, 3, 4}}


def test_stepped_tone_has_the_levels_asked_for() -> None:
    sound = stepped_tone(48_000, [(0.5, -20.0), (0.25, None), (0.5, -26.0206)], (0.0, -6.0206))
    assert sound.shape == (60_000, 2)
    assert np.abs(sound[:24_000]).max(axis=0) == pytest.approx([0.1, 0.05], rel=1e-5)
    assert not sound[24_000:36_000].any()
    assert np.abs(sound[36_000:]).max(axis=0) == pytest.approx([0.05, 0.025], rel=1e-5)


def test_a_case_tells_which_figure_is_worst_and_whether_it_holds() -> None:
    case = Case("x", "TP", (), (-6.0, 0.0), 0.2, 0.4, 0.05, 0.10)
    assert case.worst([-6.01, -0.08]) == pytest.approx(-0.08)
    assert case.holds([-6.01, -0.08], tight=True)
    assert not case.holds([-6.01, -0.11], tight=True)
    assert case.holds([-5.85, -0.39], tight=False)
    assert not case.holds([-5.79, 0.0], tight=False)
    assert case.worst([None, 0.0]) is None
    assert not case.holds([None, 0.0], tight=False)


def test_rows_show_medians_and_the_median_of_ratios() -> None:
    lines = meter._row("work", {"padbank": [1.0, 2.0, 4.0], "other": [8.0, 8.0, 8.0]}, 10**9)
    assert lines[0].split() == ["work", "padbank", "2.000", "s", "2.00", "ns"]
    assert lines[1].split() == ["other", "8.000", "s", "8.00", "ns", "4.0", "x", "8.0", "x"]


def test_the_case_table_marks_who_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(peers, "missing", lambda peer: f"{peer} stays out")
    chosen = [(s, case) for s, case in all_cases() if case.name in ("15", "16")]
    monkeypatch.setattr(meter, "all_cases", lambda: iter(chosen))
    lines: list[str] = []
    meter.case_table(lines.append, (44_100,))
    assert "without ffmpeg: ffmpeg stays out" in lines
    rows = [line for line in lines if line.startswith("Tech")]
    assert len(rows) == 2
    assert all("!" not in row and "~" not in row for row in rows)


def test_made_up_music_is_the_same_every_time() -> None:
    np.testing.assert_array_equal(sounds.music(1.0, seed=5), sounds.music(1.0, seed=5))
    assert np.abs(sounds.music(1.0)).max() == pytest.approx(0.7, rel=1e-6)
    assert np.abs(sounds.music(1.0, drive=4.0)).max() < 0.9


@pytest.mark.parametrize("peer", ["libebur128", "ffmpeg", "pyloudnorm"])
def test_a_missing_peer_is_explained(peer: str) -> None:
    reason = peers.missing(peer)
    assert reason is None or len(reason) > 10
