"""The catalogue: what goes in comes out, edits can be undone, nothing is half done."""

from __future__ import annotations

import sqlite3
import unicodedata
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from padbank.domain import Clip, Layout, Measurement, Original, Place, Recipe
from padbank.errors import InputError, StoreError
from padbank.store.catalogue import Catalogue
from padbank.store.library import Library, choose_folder, clip_name_for


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "library") as opened:
        yield opened


def original(n: int = 0, **changes: object) -> Original:
    values = {
        "sha256": f"{n:064x}", "sound_sha256": f"sound{n}", "suffix": ".wav", "n_bytes": 100, "frames": 44100,
        "sample_rate_hz": 44100, "channels": 1, "source": f"file{n}.wav",
    }  # fmt: skip
    return Original(**{**values, **changes})  # type: ignore[arg-type]


def add(library: Library, name: str, n: int = 0, tags: tuple[str, ...] = ()) -> Clip:
    clip = Clip(name=name, original=original(n), recipe=Recipe(start_s=0.1), tags=tags)
    with library.catalogue.atomic():
        library.catalogue.add_original(clip.original)
        library.catalogue.add_clip(clip)
    return clip


def test_clip_comes_back_as_it_went_in(library: Library) -> None:
    clip = add(library, "foghorn", tags=("harbour", "loud"))
    assert library.clip("foghorn") == clip
    library.close()
    with Library(library.folder) as again:
        assert again.catalogue.clips() == [clip]


def test_every_recipe_field_survives(library: Library) -> None:
    add(library, "bell")
    recipe = Recipe(
        start_s=0.25, end_s=0.75, fade_in_s=0.001, fade_out_s=0.05, channels="mono", role="hit", level_offset_lu=-2.5,
        play_mode="loop", mute_group="bells", loop_start_s=0.3, loop_end_s=0.7,
    )  # fmt: skip
    with library.catalogue.atomic():
        library.catalogue.set_recipe("bell", recipe, "all fields")
    assert library.clip("bell").recipe == recipe


def test_undo_walks_back_and_a_new_edit_forgets_what_was_undone(library: Library) -> None:
    add(library, "bell")
    first = library.clip("bell").recipe
    catalogue = library.catalogue
    second, third = replace(first, start_s=0.2), replace(first, start_s=0.3)
    catalogue.set_recipe("bell", second, "2")
    catalogue.set_recipe("bell", third, "3")
    assert catalogue.undo_recipe("bell") == second
    assert catalogue.undo_recipe("bell") == first
    assert catalogue.undo_recipe("bell") is None
    fourth = replace(first, start_s=0.4)
    catalogue.set_recipe("bell", fourth, "4")
    assert [h["recipe"]["start_s"] for h in catalogue.recipe_history("bell")] == [0.1, 0.4]
    assert catalogue.undo_recipe("bell") == first


def test_a_failure_inside_leaves_nothing_behind(library: Library) -> None:
    clip = Clip(name="half", original=original(3), recipe=Recipe())
    with pytest.raises(RuntimeError), library.catalogue.atomic():
        library.catalogue.add_original(clip.original)
        library.catalogue.add_clip(clip)
        raise RuntimeError("the power went")
    assert library.catalogue.clips() == []
    assert library.catalogue.originals() == []


def test_removed_clips_keep_their_name_and_come_back(library: Library) -> None:
    clip = add(library, "bell", tags=("b",))
    library.catalogue.set_removed("bell", True)
    assert library.catalogue.clips() == []
    assert "bell" in library.catalogue.names_taken()
    assert library.catalogue.clip_of(clip.original.sha256) == (clip, True)
    library.catalogue.set_removed("bell", False)
    assert library.clip("bell") == clip


def test_wrong_names_get_the_nearest(library: Library) -> None:
    add(library, "foghorn-low")
    with pytest.raises(InputError, match="did you mean foghorn-low"):
        library.clip("foghorn-lo")
    assert library.clip("0000000").name == "foghorn-low"  # beginning of the original's hash


def test_what_does_not_exist_is_null_not_a_number(library: Library) -> None:
    add(library, "click")
    measurement = Measurement(
        frames=100, sample_rate_hz=44100, channels=1, integrated_lufs=None, momentary_max_lufs=-20.0,
        short_term_max_lufs=None, loudness_range_lu=None, true_peak_dbtp=-1.0, sample_peak_dbfs=-1.2, method="m",
    )  # fmt: skip
    library.catalogue.keep_measurement("0" * 64, "file", measurement)
    assert library.catalogue.measurement("0" * 64, "file", "m") == measurement
    with closing(sqlite3.connect(library.folder / "catalogue.db")) as raw:
        assert raw.execute("select integrated_lufs from measurements").fetchone() == (None,)


def test_layouts_are_numbered_per_show(library: Library) -> None:
    place = Place(bank=1, pad_id="deck/1", clip="bell", channels=1, sample_rate_hz=44100)
    layout = Layout(show="night", rig="quay", places=(place,), bank_segments=(("opening",), ()))
    one = library.catalogue.add_layout(layout, {"status": "proved"})
    two = library.catalogue.add_layout(layout, {"status": "within"})
    assert (one.number, two.number) == (1, 2)
    found = library.catalogue.layout("night")
    assert found == (replace(layout, number=2), {"status": "within"})
    assert library.catalogue.layout("night", 1) == (one, {"status": "proved"})
    assert library.catalogue.layout("other") is None
    assert library.catalogue.last_laid_out() == "night"


def test_a_catalogue_from_a_newer_padbank_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    Catalogue(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute(
            "insert into _sqlite_migrations (migration_set, name, applied_at) values ('padbank', 'm999_future', '2030')"
        )
    raw.close()
    with pytest.raises(StoreError, match="newer padbank"):
        Catalogue(path)


def test_a_file_that_is_no_catalogue_says_so_and_is_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: opened.append(connect(*a, **k)) or opened[-1])
    (tmp_path / "catalogue.db").write_bytes(b"this is no database at all, just words " * 40)
    with pytest.raises(StoreError, match="cannot be opened"):
        Library(tmp_path)
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):  # Windows would not let anybody move the file
        opened[0].execute("select 1")


@pytest.mark.parametrize(
    ("stem", "name"),
    [
        ("Foghorn LOW (take 2)", "foghorn-low-take-2"),
        ("Große Trommel", "grosse-trommel"),
        ("été", "ete"),
        ("σειρήνα", "seirina"),  # ELOT 743 (ISO 843) writes it so too, from memory
        ("Гудок парохода", "gudok-parokhoda"),  # so does ICAO Doc 9303 for Russian, from memory
        (unicodedata.normalize("NFD", "Чайка"), "chayka"),  # as macOS hands names over
        ("鐘", "zhong"),
        ("Rock'n'roll", "rocknroll"),
        ("__", "clip"),
        ("x" * 90, "x" * 60),
    ],
)
def test_clip_names_from_file_names(stem: str, name: str) -> None:
    assert clip_name_for(stem, set()) == name
    assert clip_name_for(stem, {name}) == f"{name}-2"


def test_which_library_is_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PADBANK_LIBRARY", raising=False)
    assert choose_folder("here") == Path("here")
    assert choose_folder(None).name == "library" and choose_folder(None).is_absolute()  # the user's data folder
    (tmp_path / "library").mkdir()
    assert choose_folder(None) == Path("library")
    monkeypatch.setenv("PADBANK_LIBRARY", str(tmp_path / "other"))
    assert choose_folder(None) == tmp_path / "other"


def test_the_steps_of_the_schema_are_known_without_loading_them() -> None:
    from padbank.store.catalogue import SCHEMA
    from padbank.store.migrations import migrations

    assert tuple(m.name for m in migrations._migrations) == SCHEMA


def test_programs_that_begin_one_library_at_once_wait_for_each_other(tmp_path: Path) -> None:
    with ThreadPoolExecutor(6) as pool:
        for catalogue in pool.map(lambda _: Catalogue(tmp_path / "catalogue.db"), range(6)):
            assert catalogue.clips() == []
            catalogue.close()
