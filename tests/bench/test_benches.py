"""Every benchmark that there is can be asked for by its name."""

import importlib
from pathlib import Path

import padbank.bench
from padbank.cli.bench_command import BENCHES


def test_each_benchmark_is_offered_and_each_offered_one_runs() -> None:
    folder = Path(padbank.bench.__file__).parent
    told = {path.stem for path in folder.glob("*.py") if f"padbank bench {path.stem}" in path.read_text("utf-8")}
    assert told == set(BENCHES)
    for name in BENCHES:
        assert callable(importlib.import_module(f"padbank.bench.{name}").run)
