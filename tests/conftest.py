"""Fixtures shared by the suite: sound clips from package registries, where they were fetched.

``.ci/fetch-sounds`` puts them under ``.tests-data/<package>/`` of the
checkout, or under the folder named by ``PADBANK_TEST_SOUNDS``. A test that
asks for ``registry_sounds`` skips with its reason where there are none.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from padbank.files.sniff import is_sound_name


@dataclass(frozen=True)
class RegistrySounds:
    """Clips that nobody here made, by package."""

    folder: Path
    by_package: dict[str, tuple[Path, ...]]

    @property
    def all(self) -> tuple[Path, ...]:
        return tuple(path for paths in self.by_package.values() for path in paths)

    def package(self, name: str) -> tuple[Path, ...]:
        """Clips of one package, or skip the test when it could not be fetched."""
        if name not in self.by_package:
            pytest.skip(f"package {name} was not fetched: run .ci/fetch-sounds")
        return self.by_package[name]


@pytest.fixture(scope="session")
def registry_sounds() -> RegistrySounds:
    default = Path(__file__).resolve().parent.parent / ".tests-data"
    folder = Path(os.environ.get("PADBANK_TEST_SOUNDS") or default)
    by_package = {}
    for package in sorted(folder.iterdir()) if folder.is_dir() else ():
        if (package / ".complete").exists():
            paths = (p for p in package.rglob("*") if p.is_file() and not p.is_symlink())
            sounds = tuple(sorted(p for p in paths if is_sound_name(p)))
            if sounds:
                by_package[package.name] = sounds
    if not by_package:
        pytest.skip(f"no sound packages in {folder}: run .ci/fetch-sounds")
    return RegistrySounds(folder, by_package)
