"""How fast captures are measured, beside a plain read of the same file and other programs.

Run with: pytest -m benchmark -s tests/benchmarks/bench_measure.py. Whole commands or functions on one machine in one
run; medians of five. Prints tables and asserts only that every run gave its answer.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.analysis import measure
from gainkit.capture import read_capture
from tests.waves import sine, with_noise

pytestmark = pytest.mark.benchmark

REPEATS = 5
RATE = 48_000


def median(run: Callable[[], object]) -> float:
    """Median wall seconds; the first run, which fills the caches, does not count."""
    walls = []
    for number in range(REPEATS + 1):
        begun = time.perf_counter()
        run()
        if number:
            walls.append(time.perf_counter() - begun)
    return statistics.median(walls)


def tone_file(path: Path, minutes: float, rate: int = RATE) -> Path:
    """A stereo 24-bit tone with noise, written a second at a time; its period tiles a second."""
    second = 0.5 * with_noise(sine(997, rate, rate=rate), 80)
    with soundfile.SoundFile(path, "w", rate, 2, "PCM_24") as file:
        for _ in range(round(60 * minutes)):
            file.write(np.stack([second, second], axis=1))
    return path


def test_a_long_recording(tmp_path: Path, oracle: Callable[[str], str]) -> None:
    path = tone_file(tmp_path / "ten.wav", 10)

    def plain() -> None:
        with soundfile.SoundFile(path) as file:
            for _ in file.blocks(1 << 16, dtype="float64"):
                pass

    ours = median(lambda: measure(read_capture(path)))
    read = median(plain)
    nothing = ["-f", "null", "-"]
    ffmpeg = [oracle("ffmpeg"), "-v", "error", "-i", str(path), "-af", "astats", *nothing]
    astats = median(lambda: subprocess.run(ffmpeg, check=True, capture_output=True))
    print(
        f"\n10 min, 48 kHz, 24 bit, stereo: measure {ours:.3f} s; block read {read:.3f} s ({ours / read:.2f});"
    )
    print(f"ffmpeg astats {astats:.3f} s ({ours / astats:.2f})")


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


def test_memory(tmp_path: Path) -> None:
    peaks = []
    for minutes in (10, 60):
        path = tone_file(tmp_path / f"{minutes}.wav", minutes, 96_000)
        done = subprocess.run(
            [sys.executable, "-c", PEAK, "measure", path], capture_output=True, text=True, check=True
        )
        peaks.append(int(done.stderr.splitlines()[-1]) / 1024)
        path.unlink()
    print(f"\n96 kHz, 24 bit, stereo: peak {peaks[0]:.1f} MB for 10 min, {peaks[1]:.1f} MB for 60 min")
    assert peaks[1] < 1.05 * peaks[0]
    assert peaks[1] < 100


def test_text(tmp_path: Path) -> None:
    frames = 1_000_000
    path = tmp_path / "scope.csv"
    table = np.stack([np.arange(frames) * 1e-6, 10 * sine(1000, frames, rate=1e6)], axis=1)
    np.savetxt(path, table, delimiter=",", fmt="%.6e")
    read = median(lambda: read_capture(path).volts())
    ours = median(lambda: measure(read_capture(path)))
    numpy = median(lambda: np.loadtxt(path, delimiter=","))
    print(f"\n1 M lines of text: numpy.loadtxt {numpy:.3f} s; read {read:.3f} s ({read / numpy:.2f});")
    print(f"read and measured {ours:.3f} s ({ours / numpy:.2f})")
