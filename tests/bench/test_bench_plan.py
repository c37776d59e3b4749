"""The planner's benchmark: general solvers on its model; nothing here is timed."""

import pytest

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
