"""``padbank bench add``: 2,000 short clips and one 60-minute file through ``add`` on all cores.

Prints files per second, the share of the work that is decoding, and peak
memory, beside a plain script (pydub reads, pyloudnorm measures, one file after
another) on a sample of the same files in the same run. Clips are synthesised
here, seeded, in wav, flac and ogg.

Functions: ``run``, ``bench_add``.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from padbank.files.decode import open_sound
from padbank.store.library import Library
from padbank.workflow.add import add
from padbank.workflow.pool import cores

RATE_HZ = 44100
FORMS = (("wav", "PCM_16"), ("flac", "PCM_16"), ("ogg", "VORBIS"), ("wav", "PCM_24"))
SAMPLE_FILES = 120


def make_clips(folder: Path, count: int, seed: int = 1) -> list[Path]:
    """``count`` short clips (0.2 to 3 s, mono and stereo) with silent heads and tails."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for index in range(count):
        suffix, subtype = FORMS[index % len(FORMS)]
        frames = int(rng.uniform(0.2, 3.0) * RATE_HZ)
        time_s = np.arange(frames) / RATE_HZ
        tone = np.sin(2 * np.pi * rng.uniform(80, 1500) * time_s) * np.exp(-time_s * rng.uniform(1, 12))
        sound = 0.5 * tone + 0.1 * rng.standard_normal(frames) * np.exp(-time_s * 20)
        sound = np.concatenate([np.zeros(int(rng.uniform(0, 0.3) * RATE_HZ)), sound, np.zeros(4000)])
        if index % 3 == 0:
            sound = np.column_stack([sound, np.roll(sound, 40)])
        path = folder / f"clip{index:05d}.{suffix}"
        soundfile.write(path, np.clip(sound, -1, 1), RATE_HZ, subtype=subtype)
        paths.append(path)
    return paths


def make_long(path: Path, minutes: int) -> Path:
    """One long stereo recording, written in blocks."""
    rng = np.random.default_rng(7)
    block = (0.1 * rng.standard_normal((RATE_HZ * 60, 2))).clip(-1, 1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "PCM_16") as file:
        for minute in range(minutes):
            file.write(block * (0.3 + 0.7 * (minute % 5) / 4))
    return path


def sample_of(paths: Sequence[Path]) -> list[Path]:
    """Some of the clips, as many of each form as there are among all."""
    every = max(1, len(paths) // SAMPLE_FILES)
    groups = [paths[at : at + len(FORMS)] for at in range(0, len(paths), len(FORMS))]
    return [path for group in groups[::every] for path in group][:SAMPLE_FILES]


def decode_seconds(paths: Sequence[Path]) -> float:
    """CPU seconds to decode the files and do nothing else."""
    began = time.process_time()
    for path in paths:
        with open_sound(path) as reader:
            for _ in reader.blocks():
                pass
    return time.process_time() - began


def plain_seconds(paths: Sequence[Path]) -> tuple[float, int]:
    """CPU seconds a file of a plain script, over those it could do, and how many it could not.

    pydub needs the ffmpeg program for everything but WAV; pyloudnorm takes no clip below 0.4 s.
    """
    warnings.simplefilter("ignore")  # pydub warns at every file when there is no ffmpeg program
    import pyloudnorm
    from pydub import AudioSegment

    done = failed = 0
    before = os.times()
    for path in paths:
        try:
            segment = AudioSegment.from_file(path)
            raw = np.array(segment.get_array_of_samples(), dtype=np.float64)
            samples: NDArray[np.float64] = raw.reshape(-1, segment.channels) / (1 << (8 * segment.sample_width - 1))
            pyloudnorm.Meter(segment.frame_rate).integrated_loudness(samples)
            done += 1
        except (ValueError, OSError, IndexError, KeyError):
            failed += 1
    after = os.times()
    return (sum(after[:4]) - sum(before[:4])) / max(1, done), failed


ADD_CODE = """
import sys
from pathlib import Path
from padbank.bench.add import peak_mb
from padbank.store.library import Library
from padbank.workflow.add import add
if __name__ == "__main__":
    with Library(sys.argv[1]) as library:
        add(library, [Path(sys.argv[2])], workers=1)
    print(peak_mb() or "")
"""


def peak_mb() -> float | None:
    """Peak resident memory of this process in MB; None where it cannot be told."""
    status = Path("/proc/self/status")
    if status.exists():  # what getrusage says on Linux counts the process that started this one too
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) * 1024 / 1e6
    try:
        import resource  # not on Windows
    except ImportError:
        return None
    unit = 1024 if sys.platform != "darwin" else 1
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


def peak_of_adding(library: Path, file: Path) -> float | None:
    """Peak memory in MB of a fresh process that adds one file."""
    command = [sys.executable, "-c", ADD_CODE, str(library), str(file)]
    said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.strip()
    return float(said) if said else None


def bench_add(say: Callable[[str], None], *, clips: int = 2000, minutes: int = 60) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory(prefix="padbank-bench-") as folder:
        base = Path(folder)
        paths = make_clips(base / "clips", clips)
        long_file = make_long(base / "long.flac", minutes)
        say(f"{clips} clips ({sum(p.stat().st_size for p in paths) / 1e6:.0f} MB) and one file of {minutes} min, {cores()} cores")
        with Library(base / "library") as library:
            began, cpu = time.monotonic(), os.times()
            report = add(library, [base / "clips"])
            wall_s = time.monotonic() - began
            cpu_s = sum(os.times()[:4]) - sum(cpu[:4])
            again = time.monotonic()
            known = add(library, [base / "clips"])
            again_s = time.monotonic() - again
        if report.refused or len(report.added) + len(report.already) != clips:
            raise RuntimeError(f"{len(report.refused)} of the bench's own clips were refused: {report.refused[:1]}")
        sample = sample_of(paths)
        decoding = decode_seconds(sample) / len(sample)
        plain, failed = plain_seconds(sample)
        plain_wav, _ = plain_seconds([path for path in sample if path.suffix == ".wav"])
        say(f"add, all cores      {clips / wall_s:8.1f} files/s   {1000 * cpu_s / clips:7.2f} ms CPU a file")
        say(f"add again, unchanged{len(known.already) / again_s:8.1f} files/s")
        say(f"decoding alone                          {1000 * decoding:7.2f} ms CPU a file: {100 * decoding * clips / cpu_s:.0f} % of add")
        say(
            f"pydub + pyloudnorm                      {1000 * plain:7.2f} ms CPU a file on {len(sample)} of them "
            f"({failed} it could not do): {plain / (cpu_s / clips):.2f} × the CPU of add, "
            "which copies, syncs, trims, judges and catalogues as well; "
            f"{1000 * plain_wav:.2f} ms on WAVs alone, for which it starts no other program"
        )
        long_cpu = os.times()
        began = time.monotonic()
        with Library(base / "library-long") as library:
            add(library, [long_file])
        long_s = sum(os.times()[:4]) - sum(long_cpu[:4])
        long_decode = decode_seconds([long_file])
        say(
            f"{minutes}-minute FLAC         {time.monotonic() - began:8.1f} s wall    {long_s:.1f} s CPU, "
            f"{long_s / long_decode:.2f} × decoding it once"
        )
        peak = peak_of_adding(base / "library-peak", long_file)
        if peak is not None:
            say(f"peak memory of that         {peak:8.0f} MB")


def run(argv: Sequence[str] = ()) -> int:
    parser = argparse.ArgumentParser(prog="padbank bench add", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--clips", type=int, default=2000)
    parser.add_argument("--minutes", type=int, default=60)
    options = parser.parse_args(list(argv))
    bench_add(print, clips=options.clips, minutes=options.minutes)
    return 0
