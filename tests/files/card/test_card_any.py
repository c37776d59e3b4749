"""Any set over any other: the card ends up with the new one, byte for byte, however it got there."""

from __future__ import annotations

import shutil
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from padbank.errors import CardError
from padbank.files.card import read_set

PLACES = [(bank, pad) for bank in (1, 2) for pad in (1, 2, 3)]
SETS = st.dictionaries(
    st.sampled_from(PLACES),
    st.tuples(st.sampled_from(["foghorn", "bell", "winch"]), st.sampled_from(["k1", "k2", ""])),
    max_size=6,
)
FOLDERS = st.tuples(st.sampled_from(["a", "b"]), st.sampled_from(["a", "c"]))


def plan_from(places, folders, number, plan_of, make_planned):
    files = [
        replace(
            make_planned(bank, pad, clip, folders[bank - 1]), source_key=key and f"{clip} {key}"
        )
        for (bank, pad), (clip, key) in sorted(places.items())
    ]
    return plan_of(number, files)


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    sets=st.lists(
        st.tuples(SETS, FOLDERS, st.integers(0, 80), st.sampled_from(["", "kill", "fail", "held"])),
        min_size=1,
        max_size=4,
    ),
)
def test_any_set_over_any_other(
    scene, plan_of, make_planned, broken, killed, tmp_path, sets
) -> None:
    scene.folder = tmp_path / "used"
    shutil.rmtree(scene.folder, ignore_errors=True)
    shutil.rmtree(tmp_path / "fresh", ignore_errors=True)
    whole = [{}]
    for number, (places, folders, at, mode) in enumerate(sets, start=1):
        plan = plan_from(places, folders, number, plan_of, make_planned)
        scene.folder = tmp_path / "fresh" / str(number)
        scene.write(plan)
        fresh = scene.listing()
        scene.folder = tmp_path / "used"
        with suppress(CardError, killed):
            scene.write(plan, broken(mode, at))
        whole.append(fresh)
        if scene.set_folder.exists():
            # old or new, whole; an empty folder is never left under the set's name
            assert scene.listing() in whole and read_set(scene.set_folder).state == "whole"
    scene.write(plan)
    assert scene.listing() == fresh
    assert [p.name for p in scene.folder.iterdir()] == ["harbour-night"]


@pytest.mark.parametrize("size", [400])
def test_a_full_card_in_reasonable_steps(scene, plan_of, make_planned, broken, size) -> None:
    """Moving one sound of a large set costs renames and one written file, not a new card."""
    rig_pads = 6
    files = [
        replace(
            make_planned(1 + n // rig_pads % 3, 1 + n % rig_pads, f"clip-{n}", f"part-{n // 18}"),
            est_bytes=844,
        )
        for n in range(size)
    ]
    scene.write(plan_of(1, files))
    changed = [
        *files[:-1],
        replace(
            files[-1], clip="another", path=files[-1].path.replace(f"clip-{size - 1}", "another")
        ),
    ]
    ops = broken()
    result = scene.write(plan_of(2, changed), ops)
    assert len(result.written) == 1 and len(result.kept) == size  # the sheet too
    assert ops.names.count("create") == 4  # the sound, the list, the marker, the journal
    assert ops.names.count("rename") == size + 2
    assert Path(result.folder / changed[-1].path).is_file()
