"""``measure``: what the meter reads in files, without adding them to the library."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from padbank.domain import Measurement
from padbank.dsp.edges import EdgeFinder
from padbank.dsp.measure import Meter
from padbank.errors import DecodeError
from padbank.files.decode import open_sound
from padbank.progress import Progress, silent
from padbank.workflow.add import find_files


@dataclass(frozen=True, slots=True, kw_only=True)
class FileMeasurement:
    """One file's figures; ``reason`` says why there are none. ``onset_s`` and ``end_s`` bound the sound."""

    path: str
    frames: int | None = None
    sample_rate_hz: int | None = None
    channels: int | None = None
    duration_s: float | None = None
    integrated_lufs: float | None = None
    momentary_max_lufs: float | None = None
    short_term_max_lufs: float | None = None
    loudness_range_lu: float | None = None
    true_peak_dbtp: float | None = None
    sample_peak_dbfs: float | None = None
    onset_s: float | None = None
    end_s: float | None = None
    method: str | None = None
    reason: str | None = None
    warnings: tuple[str, ...] = ()


def measure_file(path: Path, *, as_played: bool = False) -> FileMeasurement:
    """Measure one file in one pass and flat memory.

    ``as_played`` counts a mono file on both sides (+3.01 LU); without it the
    channels are taken as in the file, as BS.1770 does. Never raises for a bad
    file: ``reason`` says what is wrong with it.
    """
    try:
        with open_sound(path) as reader:
            rate_hz, channels = reader.info.sample_rate_hz, reader.info.channels
            meter, finder = Meter(rate_hz, channels, as_played=as_played), EdgeFinder(rate_hz, channels)
            for block in reader.blocks():
                meter.feed(block)
                finder.feed(block)
            found: Measurement = meter.result()
            edges = finder.finish(reader.seek_read)
            warnings = tuple(reader.warnings)
    except DecodeError as error:
        return FileMeasurement(path=str(path), reason=error.reason)
    except OSError as error:
        return FileMeasurement(path=str(path), reason=f"cannot be read ({error.strerror or error})")
    return FileMeasurement(
        path=str(path),
        frames=found.frames,
        sample_rate_hz=rate_hz,
        channels=channels,
        duration_s=found.duration_s,
        integrated_lufs=found.integrated_lufs,
        momentary_max_lufs=found.momentary_max_lufs,
        short_term_max_lufs=found.short_term_max_lufs,
        loudness_range_lu=found.loudness_range_lu,
        true_peak_dbtp=found.true_peak_dbtp,
        sample_peak_dbfs=found.sample_peak_dbfs,
        onset_s=None if edges.silent else edges.onset_frame / rate_hz,
        end_s=None if edges.silent else edges.end_frame / rate_hz,
        method=found.method,
        warnings=warnings,
    )


def measure_files(
    paths: Sequence[Path], *, as_played: bool = False, progress: Progress = silent
) -> list[FileMeasurement]:
    """Measure files and folders, in order."""
    files = list(dict.fromkeys(find_files(paths)))
    results = []
    for index, path in enumerate(files):
        progress(index, len(files), path.name)
        results.append(measure_file(path, as_played=as_played))
    progress(len(files), len(files), "")
    return results
