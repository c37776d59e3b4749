"""The rigs and shows that the README prints can be read, so that they cannot drift."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from padbank.files.rigfile import rig_from_toml
from padbank.files.showfile import show_from_toml
from padbank.layout.rigcheck import check_rig

README = Path(__file__).parents[2] / "README.md"
BLOCKS = re.findall(r"```toml\n(.*?)```", README.read_text("utf-8"), re.DOTALL)


@pytest.mark.parametrize("block", BLOCKS)
def test_what_the_readme_prints_can_be_read(block):
    if "[[devices]]" in block or "[[surfaces]]" in block:
        assert check_rig(rig_from_toml(block)) == []
        return
    head = "" if re.search(r"^rig =", block, re.MULTILINE) else 'name = "evening"\nrig = "my-rig"\n'
    assert show_from_toml(head + block).segments


def test_the_readme_prints_a_rig_and_a_show():
    assert len(BLOCKS) >= 2
