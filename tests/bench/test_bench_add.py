"""The benchmark of ``add`` must look at what it says it looks at."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from padbank.bench.add import FORMS, SAMPLE_FILES, decode_seconds, make_clips, sample_of


@pytest.mark.parametrize("count", [8, 300, 2000, 2002])
def test_the_sample_holds_every_form_alike(count: int) -> None:
    paths = [Path(f"{index}.{FORMS[index % len(FORMS)]}") for index in range(count)]
    sample = sample_of(paths)
    forms = Counter(path.name.split(".", 1)[1] for path in sample)
    assert len(set(sample)) == len(sample) == min(count, SAMPLE_FILES)
    assert len(forms) == len(FORMS) and len(set(forms.values())) == 1


def test_every_form_is_made_and_decoded(tmp_path: Path) -> None:
    paths = make_clips(tmp_path, len(FORMS))
    assert [path.suffix for path in paths] == [f".{form}" for form, _ in FORMS]
    assert decode_seconds(paths) > 0.0
