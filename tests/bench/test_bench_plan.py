"""The planner's benchmark: general solvers on its model; nothing here is timed."""

import os
from concurrent.futures.process import BrokenProcessPool

import pytest

from padbank.bench import plan
from padbank.bench.peer_solvers import peer_rows
from padbank.layout.packs import random_pack
from padbank.layout.solve import solve


def test_a_general_solver_by_itself_agrees_with_the_planner_where_both_prove() -> None:
    """HiGHS alone (and SCIP where installed) on the exact model, against every stage of ``solve``."""
    rows = {r["solver"]: r for r in peer_rows("small", 1, 20.0)}
    assert set(rows) == {"HiGHS alone", "CP-SAT", "SCIP"}
    pack = random_pack("small", 1)
    ours = solve(pack.rig, pack.show, pack.clips)
    assert ours.status == "proved"
    proofs = [r for r in rows.values() if r["status"] == "optimal"]
    assert proofs
    for row in proofs:
        assert row["objective"] == pytest.approx(ours.objective, abs=1e-3)
    for row in rows.values():
        assert row["gap"] is not None or row["status"] in ("not installed", "not_solved")


def test_what_fails_in_a_process_of_its_own_is_told_and_waited_for_no_longer():
    assert plan._apart(int, "12") == 12
    with pytest.raises(ValueError, match="invalid literal"):
        plan._apart(int, "twelve")
    with pytest.raises(BrokenProcessPool):
        plan._apart(os._exit, 3)


def test_a_folder_without_instances_is_refused(tmp_path, capsys):
    with pytest.raises(SystemExit):
        plan.run(["--optima", str(tmp_path)])
    assert "name the folder above gap" in capsys.readouterr().err
