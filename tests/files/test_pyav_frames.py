"""Decoded frames become arrays as PyAV's own conversion gives them, in every sample format."""

from __future__ import annotations

import av
import numpy as np
import pytest

from padbank.files.pyav_reader import _to_float

LAYOUTS = {1: "mono", 2: "stereo", 6: "5.1"}


@pytest.mark.parametrize("form", ["fltp", "flt", "dblp", "s16", "s16p", "s32", "u8"])
@pytest.mark.parametrize("channels", list(LAYOUTS))
def test_a_frame_as_pyav_itself_reads_it(form: str, channels: int) -> None:
    rng = np.random.default_rng(channels)
    whole = av.AudioFrame(form, LAYOUTS[channels], 1021).to_ndarray()  # for its shape and type
    values = rng.uniform(-1, 1, whole.shape)
    if whole.dtype == np.uint8:
        given = (values * 127 + 128).astype(np.uint8)
        wanted = (given.astype(float) - 128) / 128
    elif whole.dtype.kind == "i":
        full = 2.0 ** (8 * whole.dtype.itemsize - 1)
        given = (values * (full - 1)).astype(whole.dtype)
        wanted = given / full
    else:
        given = values.astype(whole.dtype)
        wanted = given
    frame = av.AudioFrame.from_ndarray(given, format=form, layout=LAYOUTS[channels])
    wanted = wanted.T if frame.format.is_planar else wanted.reshape(-1, channels)
    samples = _to_float(frame)
    assert samples.dtype == np.float32 and samples.shape == (1021, channels)
    assert np.allclose(samples, wanted, atol=1e-7)
