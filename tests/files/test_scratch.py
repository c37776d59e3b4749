from __future__ import annotations

import sys
from pathlib import Path

import pytest

from padbank.files import scratch
from padbank.files.scratch import scratch_folder


def test_large_working_copies_stay_out_of_a_tmp_that_lies_in_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd's file-hierarchy(7): /tmp for small files, /var/tmp for larger ones; TMPDIR overrides both."""
    monkeypatch.setattr(scratch, "_LARGE", tmp_path)
    monkeypatch.delenv("TMPDIR", raising=False)
    with scratch_folder("render") as folder:
        assert (Path(folder).parent == tmp_path) == (sys.platform == "linux")
        (Path(folder) / "clip").write_bytes(b"sound")
    assert not Path(folder).exists()
    monkeypatch.setenv("TMPDIR", str(tmp_path / "elsewhere"))
    with scratch_folder("render") as folder:
        assert Path(folder).parent != tmp_path


def test_a_system_without_such_a_folder_is_no_hindrance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scratch, "_LARGE", tmp_path / "none")
    with scratch_folder("level") as folder:
        assert Path(folder).is_dir()
