"""Other loudness meters, wrapped to be run beside ours: what each can read, and how.

Answers: what do libebur128, ffmpeg's ebur128 filter and pyloudnorm read for a
sound, run as their own documentation has it? Each is optional; ``missing``
says in one sentence why one cannot take part.

- libebur128 (through pyebur128): fed 100 ms at a time and asked for momentary
  and short-term loudness after each, since it keeps no maxima itself. Asked
  more often it finds higher maxima, for more time: the table of speeds asks
  every 100 ms, as ffmpeg does, the table of cases every 10 ms.
- ffmpeg: its ebur128 filter on a raw float file, one thread. It is a program,
  so its CPU time is that of a child process, less the same run with a filter
  that does nothing.
- pyloudnorm: integrated loudness with ``filter_class="DeMan"``, the class
  that matches BS.1770.

Functions: ``missing``, ``libebur128``, ``ffmpeg_figures``, ``ffmpeg_seconds``,
``pyloudnorm_integrated``.
"""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Singles = NDArray[np.float32]
Figures = Mapping[str, float | None]

ALL_FIVE = ("I", "M", "S", "LRA", "TP")


def missing(peer: str) -> str | None:
    """None when the peer can run here, else the reason."""
    if peer == "libebur128":
        found = importlib.util.find_spec("pyebur128") is not None
        return None if found else "pyebur128 is not installed: pip install 'padbank[bench]'"
    if peer == "pyloudnorm":
        return None if importlib.util.find_spec("pyloudnorm") else "pyloudnorm is not installed"
    if sys.platform == "win32":
        return "CPU time of a finished program is not told on Windows"
    return None if shutil.which("ffmpeg") else "no ffmpeg program on the PATH"


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def libebur128(
    samples: Singles, rate_hz: int, wanted: tuple[str, ...], asked_per_s: int = 10
) -> Figures:
    """Figures of libebur128 for a float32 sound ``(frames, channels)``; maxima over so many values a second."""
    import pyebur128 as lib

    modes = lib.MeasurementMode
    needed = {
        "I": modes.MODE_I,
        "M": modes.MODE_M,
        "S": modes.MODE_S,
        "LRA": modes.MODE_LRA,
        "TP": modes.MODE_TRUE_PEAK,
    }
    mode = 0
    for quantity in wanted:
        mode |= int(needed[quantity])
    frames, channels = samples.shape
    state = lib.R128State(channels, rate_hz, mode)
    flat = samples.reshape(-1)
    hop = rate_hz // asked_per_s
    momentary, short_term = -np.inf, -np.inf
    polled = "M" in wanted or "S" in wanted
    step = hop if polled else 65_536
    for at in range(0, frames, step):
        count = min(step, frames - at)
        state.add_frames(flat[at * channels : (at + count) * channels], count)
        if polled:
            momentary = max(momentary, lib.get_loudness_momentary(state))
            short_term = max(short_term, lib.get_loudness_shortterm(state)) if "S" in wanted else 0.0
    figures: dict[str, float | None] = {}
    for quantity in wanted:
        if quantity == "I":
            figures["I"] = _finite(lib.get_loudness_global(state))
        elif quantity == "M":
            figures["M"] = _finite(momentary)
        elif quantity == "S":
            figures["S"] = _finite(short_term)
        elif quantity == "LRA":
            figures["LRA"] = _finite(lib.get_loudness_range(state))
        else:
            peaks = [lib.get_true_peak(state, channel) for channel in range(channels)]
            figures["TP"] = _finite(20.0 * np.log10(max(*peaks, 1e-30)))
    return figures


def pyloudnorm_integrated(samples: NDArray[Any], rate_hz: int) -> float | None:
    """Integrated loudness by pyloudnorm's BS.1770-matching filter class."""
    import pyloudnorm

    if len(samples) < 0.4 * rate_hz:
        return None
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    return _finite(float(meter.integrated_loudness(samples)))


def _ffmpeg(raw: Path, rate_hz: int, channels: int, filters: str) -> list[str]:
    layout = {1: "mono", 2: "stereo", 3: "3.0", 4: "4.0", 5: "5.0", 6: "5.1"}[channels]
    return [
        "ffmpeg", "-hide_banner", "-nostdin", "-nostats", "-threads", "1", "-filter_threads", "1",
        "-f", "f32le", "-ar", str(rate_hz), "-ac", str(channels), "-i", str(raw),
        "-af", f"aformat=channel_layouts={layout},{filters}", "-f", "null", "-",
    ]  # fmt: skip


def ffmpeg_seconds(raw: Path, rate_hz: int, channels: int, *, measured: bool) -> float:
    """CPU seconds of ffmpeg over a raw float32 file, with or without its ebur128 filter."""
    import resource

    filters = "ebur128=peak=sample+true" if measured else "anull"
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(_ffmpeg(raw, rate_hz, channels, filters), check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime - before.ru_utime) + (after.ru_stime - before.ru_stime)


def ffmpeg_figures(raw: Path, rate_hz: int, channels: int) -> Figures:
    """Figures of ffmpeg's ebur128 filter: maxima over its values of every 100 ms."""
    filters = "ebur128=peak=true:metadata=1,ametadata=mode=print:file=-"
    done = subprocess.run(
        _ffmpeg(raw, rate_hz, channels, filters), check=True, capture_output=True, text=True
    )
    found: dict[str, list[float]] = {}
    for key, value in re.findall(r"lavfi\.r128\.(\w+)=(\S+)", done.stdout):
        found.setdefault(key, []).append(float(value))
    summary = re.search(r"True peak:\s*Peak:\s*(\S+) dBFS", done.stderr)
    figures: dict[str, float | None] = {
        "I": found["I"][-1] if "I" in found else None,
        "M": max(found["M"]) if "M" in found else None,
        "S": max(found["S"]) if "S" in found else None,
        "LRA": found["LRA"][-1] if "LRA" in found else None,
        "TP": float(summary.group(1)) if summary else None,
    }
    if figures["I"] is not None and figures["I"] <= -70.0:
        figures["I"] = None
    return figures
