"""How fast tones are written, beside sox doing the same and beside writing the same bytes raw.

Run with: pytest -m benchmark -s tests/benchmarks/bench_generator.py. Whole commands, start-up included, in one
run on one machine, taken in turn; medians. Prints a table; asserts only that every command did its work.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

pytestmark = pytest.mark.benchmark

TRACKS, SECONDS, RATE = 24, 60, 44_100
FREQUENCIES_HZ = [40 + 41 * number for number in range(TRACKS)]
REPEATS, SOX_REPEATS = 9, 3

RAW = f"""
import os, sys
zeros = bytes(1 << 16)
for number in range({TRACKS}):
    with open(os.path.join(sys.argv[1], f"{{number}}.raw"), "wb", buffering=0) as file:
        left = {SECONDS * RATE * 4}
        while left > 0:
            left -= file.write(zeros[:left])
        os.fsync(file.fileno())
"""


def once(folder: Path, run: Callable[[Path], None]) -> tuple[float, float]:
    """Wall and CPU seconds of a run and its children, into an empty folder."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    os.sync()
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    run(folder)
    wall = time.perf_counter() - begun
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert len(list(folder.iterdir())) >= TRACKS
    shutil.rmtree(folder)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def costs(
    folder: Path, runs: dict[str, Callable[[Path], None]], repeats: int
) -> dict[str, tuple[float, float]]:
    """Median wall and CPU seconds of several runs, taken in turn: what else the machine does meets all alike."""
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in runs}
    for _ in range(repeats):
        for name, run in runs.items():
            found[name].append(once(folder, run))
    return {
        name: (statistics.median(wall for wall, _ in each), statistics.median(cpu for _, cpu in each))
        for name, each in found.items()
    }


def gainkit_run(tones: Path, *options: str) -> Callable[[Path], None]:
    """The command as it is installed: with its bytecode kept, as pip leaves it."""
    command = [sys.executable, "-c", "from gainkit.cli import main; main()", "tones", "write", str(tones)]
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    kept["PYTHONPYCACHEPREFIX"] = str(tones.parent / "bytecode")

    def run(folder: Path) -> None:
        told = subprocess.DEVNULL
        subprocess.run([*command, str(folder), *options], check=True, stdout=told, env=kept)

    return run


def raw_run(script: Path) -> Callable[[Path], None]:
    def run(folder: Path) -> None:
        subprocess.run([sys.executable, str(script), str(folder)], check=True)

    return run


def sox_run(sox: str, suffix: str, effects: Callable[[int], list[str]]) -> Callable[[Path], None]:
    def run(folder: Path) -> None:
        for number in range(TRACKS):
            out = ["-n", "-r", str(RATE), "-c", "2", "-b", "16", str(folder / f"{number}.{suffix}")]
            subprocess.run([sox, "-V1", *out, *effects(number)], check=True)

    return run


def tones_file(path: Path, track: Callable[[int], str]) -> Path:
    tracks = "\n".join(f"[[track]]\n{track(number)}" for number in range(TRACKS))
    path.write_text(f"[defaults]\nseconds = {SECONDS}\n{tracks}\n")
    return path


def test_speed(tmp_path: Path, oracle: Callable[[str], str]) -> None:
    sox = oracle("sox")
    tiling = tones_file(
        tmp_path / "tiling.toml", lambda n: f'kind = "sine"\nfrequency_hz = {FREQUENCIES_HZ[n]}'
    )
    any_hz = tones_file(
        tmp_path / "any.toml", lambda n: f'kind = "sine"\nfrequency_hz = {FREQUENCIES_HZ[n]}.377'
    )
    noise = tones_file(
        tmp_path / "noise.toml",
        lambda n: f'kind = "noise"\nlow_hz = {20 + 3 * n}\nhigh_hz = {500 * (n + 1)}\nseed = {n}',
    )

    def sine(number: int) -> list[str]:
        pitch = str(FREQUENCIES_HZ[number])
        return ["synth", str(SECONDS), "sine", pitch, "sine", pitch, "gain", "-12", "dither"]

    def pink(number: int) -> list[str]:
        band = f"{20 + 3 * number}-{500 * (number + 1)}"
        return ["synth", str(SECONDS), "pinknoise", "pinknoise", "gain", "-12", "sinc", band, "dither"]

    work = tmp_path / "work"
    raw_path = tmp_path / "raw.py"
    raw_path.write_text(RAW)
    ours = {
        "sines whose period tiles": gainkit_run(tiling),
        "sines of any frequency": gainkit_run(any_hz),
        "band-limited pink noise": gainkit_run(noise),
        "FLAC": gainkit_run(tiling, "--format", "flac"),
    }
    goals = dict(zip(ours, (0.12, 0.15, 0.40, 0.22), strict=True))
    found = costs(work, {"raw": raw_run(raw_path), **ours}, REPEATS)
    by_sox = {
        "sines whose period tiles": sox_run(sox, "wav", sine),
        "band-limited pink noise": sox_run(sox, "wav", pink),
        "FLAC": sox_run(sox, "flac", sine),
    }
    sox_found = costs(work, by_sox, SOX_REPEATS)
    sox_found["sines of any frequency"] = sox_found["sines whose period tiles"]
    raw = found.pop("raw")
    print(f"\n{TRACKS} stereo tracks of {SECONDS} s, {RATE} Hz, 16 bit, dithered")
    print(f"the same bytes raw: {raw[0]:.2f} s wall, {raw[1]:.3f} s CPU")
    heads = ("wall", "CPU", "sox wall", "sox CPU", "wall/sox", "CPU/sox", "goal", "CPU/raw")
    print(" " * 28 + "".join(f"{head:>9}" for head in heads))
    for name, (wall, cpu) in found.items():
        theirs = sox_found[name]
        figures = (wall, cpu, *theirs, wall / theirs[0], cpu / theirs[1], goals[name], cpu / raw[1])
        print(f"{name:<28}" + "".join(f"{figure:9.2f}" for figure in figures))


PEAK = """
import re, sys
from pathlib import Path
from gainkit.cli import main
try:
    main()
finally:
    print(re.search(r"VmHWM:\\s*(\\d+)", Path("/proc/self/status").read_text())[1], file=sys.stderr)
"""
"""Prints the peak of the process itself [kB]: ru_maxrss would begin with that of the process which started it."""


@pytest.mark.parametrize("kind", ["sine", "staircase", "glide", "sweep", "noise", "pulses", "beeps", "silence"])
def test_memory(tmp_path: Path, kind: str) -> None:
    """Peak resident memory of the whole command, 1 min against 60 min."""
    peaks = []
    for seconds in (60, 3600):
        length = ("--dwell-seconds", seconds / 21) if kind == "staircase" else ("--seconds", seconds)
        out = tmp_path / "tone.wav"
        done = subprocess.run(
            [sys.executable, "-c", PEAK, "tones", "one", kind, "--out", out, "--overwrite", *map(str, length)],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
        peaks.append(int(done.stderr) / 1024)
        out.unlink()
    more = 100 * (peaks[1] / peaks[0] - 1)
    print(f"\n{kind:<10} 1 min {peaks[0]:6.1f} MB, 60 min {peaks[1]:6.1f} MB, {more:+.1f} %")
    assert peaks[1] < 1.05 * peaks[0]
    assert peaks[1] < 150
