"""``padbank bench meter``: our meter beside libebur128, ffmpeg's ebur128 filter and pyloudnorm.

Answers: how many times less CPU time does our meter take for the same work,
and who reads the standard's test cases right?

The speed table holds medians of interleaved runs in one process, one thread:
in each round every meter has its turn on the same sound, so that whatever
else the machine does meets all alike. A ratio is the median of the rounds'
ratios, theirs to ours: above 1, ours is faster. Sounds are synthesised: drums
and tones with room (``music``), the same driven hard into a soft limit
(``loud``), white noise, whose peaks the search can tell from their energy only,
and sounds whose crests are all alike, the worst for the search: steady tones, which
it tells from their frames, a square wave, and a faint tone that the noise of 16 bits
surrounds, each crest of which it has to look at.

Our figures move with what else runs on the same physical core: matrix products
live on the processor's arithmetic units, which a neighbour shares, while a
recursion waits for its own last result and hardly notices. On a rented machine
the ratio of the integrated figure went to and fro between 2.3 and 3.4 within
one process, in step with the rate of a plain product of two matrices timed
beside it. So each ratio stands twice: of the medians, which is the figure to
quote, and of each meter's best round, which tells how far they were disturbed.

Functions: ``run``, ``bench_meter``, ``case_table``.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from padbank.bench import peers
from padbank.bench.cases import Case, all_cases
from padbank.bench.sounds import RATE_HZ, Singles, in_16_bits, music, square, tone, white
from padbank.domain import Measurement
from padbank.dsp.integrated import IntegratedMeter
from padbank.dsp.measure import METHOD, Meter, measure
from padbank.dsp.peak import TruePeakMeter
from padbank.files.decode import SoundReader, open_sound
from padbank.files.encode import write_lossless, write_wav

Say = Callable[[str], None]

BLOCK_FRAMES = 65_536
SHORT_CLIPS = 400
_CHILD = "PADBANK_BENCH_METER_CHILD"
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def _blocks(sound: Singles, frames: int = BLOCK_FRAMES) -> Iterator[Singles]:
    for at in range(0, len(sound), frames):
        yield sound[at : at + frames]


# ---------------------------------------------------------------- timing


def _fed(meter: IntegratedMeter | Meter | TruePeakMeter, sound: Singles) -> None:
    for block in _blocks(sound):
        meter.feed(block)
    meter.result()


def _cpu_seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def _interleaved(
    contestants: Sequence[tuple[str, Callable[[], float]]], rounds: int, *, warm_up: bool = True
) -> dict[str, list[float]]:
    """CPU seconds by contestant, one turn each in every round after one to warm up."""
    for _, turn in contestants if warm_up else ():
        turn()
    seconds: dict[str, list[float]] = {name: [] for name, _ in contestants}
    for _ in range(rounds):
        for name, turn in contestants:
            seconds[name].append(turn())
    return seconds


def _timed(work: Callable[[], object]) -> Callable[[], float]:
    return lambda: _cpu_seconds(work)


def _row(title: str, seconds: dict[str, list[float]], samples: int) -> list[str]:
    ours = seconds["padbank"]
    lines = []
    for name, theirs in seconds.items():
        ratios = [a / b for a, b in zip(theirs, ours, strict=True)]
        best = min(theirs) / min(ours)
        ratio = "" if name == "padbank" else f"{statistics.median(ratios):8.1f} x{best:8.1f} x"
        per_sample = statistics.median(theirs) / samples * 1e9
        lines.append(f"{title:48}{name:12}{statistics.median(theirs):9.3f} s{per_sample:9.2f} ns{ratio}")
        title = ""
    return lines


def _speed(say: Say, seconds: float, rounds: int) -> None:
    say(f"CPU time for {seconds:.0f} s of stereo at {RATE_HZ} Hz, medians of {rounds} interleaved rounds")
    say(f"{'work and sound':48}{'meter':12}{'CPU':>11}{'a sample':>12}{'  theirs/ours, best/best'}")
    with tempfile.TemporaryDirectory() as folder:
        for kind, sound in (
            ("music", music(seconds)),
            ("loud", music(seconds, drive=4.0)),
            ("white noise", white(seconds)),
            ("tone of 997 Hz", tone(seconds, 997.0)),
            ("tone of 9.7 kHz", tone(seconds, 9_700.0)),
            ("square of 440 Hz", square(seconds)),
            ("faint 9.7 kHz, 16 bit", in_16_bits(tone(seconds, 9_700.0) * np.float32(0.05))),
        ):
            raw = Path(folder) / "sound.f32"
            raw.write_bytes(sound.tobytes())
            for line in _speed_of(sound, raw, kind, rounds):
                say(line)


def _speed_of(sound: Singles, raw: Path, kind: str, rounds: int) -> list[str]:
    lib, ffmpeg, pyln = (peers.missing(name) for name in ("libebur128", "ffmpeg", "pyloudnorm"))
    channels = sound.shape[1]
    integrated = [("padbank", _timed(lambda: _fed(IntegratedMeter(RATE_HZ, channels), sound)))]
    everything = [("padbank", _timed(lambda: _fed(Meter(RATE_HZ, channels), sound)))]
    peak = [("padbank", _timed(lambda: _fed(TruePeakMeter(RATE_HZ, channels), sound)))]
    if lib is None:
        integrated.append(("libebur128", _timed(lambda: peers.libebur128(sound, RATE_HZ, ("I",)))))
        everything.append(
            ("libebur128", _timed(lambda: peers.libebur128(sound, RATE_HZ, peers.ALL_FIVE)))
        )
        peak.append(("libebur128", _timed(lambda: peers.libebur128(sound, RATE_HZ, ("TP",)))))
    if pyln is None:
        wide = sound.astype(np.float64)
        integrated.append(("pyloudnorm", _timed(lambda: peers.pyloudnorm_integrated(wide, RATE_HZ))))
    if ffmpeg is None:
        everything.append(
            (
                "ffmpeg",
                lambda: peers.ffmpeg_seconds(raw, RATE_HZ, channels, measured=True)
                - peers.ffmpeg_seconds(raw, RATE_HZ, channels, measured=False),
            )
        )
    lines = []
    for title, contestants in (
        ("integrated only", integrated),
        ("all five and sample peak", everything),
        ("true peak only", peak),
    ):
        lines += _row(f"{title}, {kind}", _interleaved(contestants, rounds), sound.size)
    return lines


# ---------------------------------------------------------------- files


def _short_clips(say: Say) -> None:
    rng = np.random.default_rng(3)
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for number in range(SHORT_CLIPS):
            clip = music(float(rng.uniform(0.15, 2.0)), seed=number)
            pcm = np.round(clip * 32767.0).astype(np.int32)
            path = Path(folder) / f"{number:03d}.wav"
            write_wav(path, pcm, RATE_HZ, 16)
            paths.append(path)

        def each(use: Callable[[SoundReader], object]) -> Callable[[], float]:
            def turn() -> None:
                for path in paths:
                    with open_sound(path) as reader:
                        use(reader)

            return _timed(turn)

        turns = [("decode", each(lambda reader: list(reader.blocks()))), ("padbank", each(_measured))]
        if peers.missing("libebur128") is None:
            turns.append(
                ("libebur128", each(lambda reader: peers.libebur128(_whole(reader), RATE_HZ, peers.ALL_FIVE)))
            )
        seconds = _interleaved(turns, 5)
    medians = {name: statistics.median(runs) for name, runs in seconds.items()}
    say(
        f"{SHORT_CLIPS} short clips (0.15 to 2 s, 16-bit WAV): decoding {medians['decode']:.2f} s CPU,"
        f" with all measuring {medians['padbank']:.2f} s"
    )
    if "libebur128" in medians:
        ratio = statistics.median(
            a / b for a, b in zip(seconds["libebur128"], seconds["padbank"], strict=True)
        )
        say(f"    the same with libebur128 {medians['libebur128']:.2f} s: {ratio:.1f} x")


def _whole(reader: SoundReader) -> Singles:
    return np.concatenate(list(reader.blocks()))


def _measured(reader: SoundReader) -> Measurement:
    meter = Meter(reader.info.sample_rate_hz, reader.info.channels)
    for block in reader.blocks():
        meter.feed(block)
    return meter.result()


def _long_file(say: Say, minutes: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        minute = np.round(music(60.0) * 32767.0) / np.float32(32768.0)

        def sound() -> Iterator[Singles]:
            for number in range(minutes):
                yield np.roll(minute, 977 * number, axis=0)

        path = write_lossless(
            Path(folder) / "long", sound(), RATE_HZ, 2, source_subtype="PCM_16"
        )

        def decode() -> None:
            with open_sound(path) as reader:
                for _ in reader.blocks():
                    pass

        def decode_and_measure() -> None:
            with open_sound(path) as reader:
                _measured(reader)

        turns = [("decode", _timed(decode)), ("padbank", _timed(decode_and_measure))]
        seconds = _interleaved(turns, 3, warm_up=False)
        ratio = statistics.median(
            a / b for a, b in zip(seconds["padbank"], seconds["decode"], strict=True)
        )
        say(
            f"{minutes} min of stereo FLAC: decoding {statistics.median(seconds['decode']):.2f} s CPU,"
            f" with all measuring {statistics.median(seconds['padbank']):.2f} s: {ratio:.2f} x"
        )
        say(f"    peak memory of decoding and measuring alone: {_peak_memory(path)}")


def _peak_memory(path: Path) -> str:
    """Resident memory of a fresh process that decodes and measures one file."""
    if sys.platform == "win32":
        return "not told on Windows"
    program = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from padbank.dsp.measure import Meter\n"
        "from padbank.files.decode import SoundReader, open_sound\n"
        "with open_sound(sys.argv[1]) as reader:\n"
        "    meter = Meter(reader.info.sample_rate_hz, reader.info.channels)\n"
        "    for block in reader.blocks():\n"
        "        meter.feed(block)\n"
        "    meter.result()\n"
        "status = Path('/proc/self/status')\n"
        # On Linux ru_maxrss begins with the size of the process that started this one.
        "lines = status.read_text().splitlines() if status.exists() else []\n"
        "own = [line.split()[1] for line in lines if line.startswith('VmHWM')]\n"
        "print(own[0] if own else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], check=True, capture_output=True, text=True
    )
    unit = 1 if sys.platform == "darwin" else 1024
    return f"{int(done.stdout) * unit / 2**20:.0f} MiB"


# ---------------------------------------------------------------- cases


def _read_by(meter: str, case: Case, rate_hz: int, folder: Path) -> list[float | None] | None:
    """Figures of one meter for a case's sounds; None where it has no such figure."""
    fields = {
        "I": "integrated_lufs",
        "M": "momentary_max_lufs",
        "S": "short_term_max_lufs",
        "LRA": "loudness_range_lu",
        "TP": "true_peak_dbtp",
    }
    figures: list[float | None] = []
    for make in case.sounds:
        sound = make(rate_hz).astype(np.float32)
        if meter == "padbank":
            figures.append(getattr(measure(sound, rate_hz), fields[case.quantity]))
        elif meter == "libebur128":
            wanted = (case.quantity,) if case.quantity != "M" else ("M", "S")
            figures.append(peers.libebur128(sound, rate_hz, wanted, 100)[case.quantity])
        elif meter == "pyloudnorm":
            if case.quantity != "I":
                return None
            figures.append(peers.pyloudnorm_integrated(sound.astype(np.float64), rate_hz))
        else:
            raw = folder / "case.f32"
            raw.write_bytes(sound.tobytes())
            figures.append(peers.ffmpeg_figures(raw, rate_hz, sound.shape[1])[case.quantity])
    return figures


def case_table(say: Say, rates_hz: Sequence[int] = (44_100, 48_000, 96_000)) -> None:
    """Print how far every meter is off in each case; who fails is marked.

    ``!`` fails the standard's tolerance, ``~`` only the tighter one that
    padbank holds itself to. A case of twenty sounds shows its worst.
    """
    names = ["padbank", "libebur128", "ffmpeg", "pyloudnorm"]
    for name in names[1:]:
        reason = peers.missing(name)
        if reason:
            say(f"without {name}: {reason}")
    present = [name for name in names if name == "padbank" or peers.missing(name) is None]
    say("Difference from what the case asks (LU or dB); ! outside the standard's tolerance, ~ outside ours")
    with tempfile.TemporaryDirectory() as folder:
        for rate_hz in rates_hz:
            say("")
            say(f"{f'{rate_hz} Hz':26}{'asks':>7}" + "".join(f"{name:>14}" for name in present))
            for standard, case in all_cases():
                asks = f"{case.expected[0]:.1f}" if len(set(case.expected)) == 1 else "-38…"
                line = f"{f'Tech {standard} case {case.name} ({case.quantity})':26}{asks:>7}"
                for name in present:
                    figures = _read_by(name, case, rate_hz, Path(folder))
                    if figures is None:
                        line += f"{'·':>14}"
                        continue
                    worst = case.worst(figures)
                    mark = " " if case.holds(figures, tight=True) else "~"
                    mark = mark if case.holds(figures, tight=False) else "!"
                    line += f"{'none' if worst is None else f'{worst:+.3f}':>13}{mark}"
                say(line.rstrip())


# ---------------------------------------------------------------- command


def bench_meter(
    say: Say, *, seconds: float = 60.0, rounds: int = 7, minutes: int = 60, files: bool = True
) -> None:
    """Print the speed table, and with ``files`` the clips and the long file.

    Parameters
    ----------
    say : takes one line at a time
    seconds : length of the sounds measured
    rounds : interleaved runs of each meter
    minutes : length of the FLAC file
    """
    say(f"{METHOD}; numpy {np.__version__}, Python {platform.python_version()}, {platform.machine()}")
    for name in ("libebur128", "ffmpeg", "pyloudnorm"):
        reason = peers.missing(name)
        if reason:
            say(f"without {name}: {reason}")
    with threadpool_limits(limits=1):
        _speed(say, seconds, rounds)
        if files:
            _short_clips(say)
            _long_file(say, minutes)


def run(argv: Sequence[str] = ()) -> int:
    """``padbank bench meter [--cases] [--quick]``; returns the exit status."""
    parser = argparse.ArgumentParser(prog="padbank bench meter", description=__doc__.splitlines()[0])
    parser.add_argument("--cases", action="store_true", help="every meter on the standard's cases")
    parser.add_argument("--quick", action="store_true", help="shorter sounds and fewer rounds")
    options = parser.parse_args(list(argv))
    if _CHILD not in os.environ:
        return _again_with_one_thread(argv)
    if options.cases:
        case_table(_print)
    elif options.quick:
        bench_meter(_print, seconds=15.0, rounds=5, minutes=5)
    else:
        bench_meter(_print)
    return 0


def _print(line: str) -> None:
    print(line, flush=True)


def _again_with_one_thread(argv: Sequence[str]) -> int:
    """Run once more in a process whose BLAS begins with one thread and its own choice of kernels.

    Both are read when numpy is loaded, so they cannot be set from here. A
    kernel choice forced from outside (OPENBLAS_CORETYPE) would slow down one
    side of the comparison only.
    """
    environment = {k: v for k, v in os.environ.items() if k != "OPENBLAS_CORETYPE"}
    environment |= dict.fromkeys(_ONE_THREAD, "1") | {_CHILD: "1"}
    return subprocess.run(
        [sys.executable, "-m", "padbank.bench.meter", *argv], env=environment, check=False
    ).returncode


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
