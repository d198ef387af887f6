"""How fast the noise of a long capture is read, how much memory that takes, and how near lines come to their bound.

Run with: pytest -m benchmark -s tests/benchmarks/bench_noise.py. Prints tables; asserts only that every run gave its
answer.
"""

from __future__ import annotations

import math
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.capture import Capture, read_capture
from gainkit.noise import find_noise

pytestmark = pytest.mark.benchmark

REPEATS = 5
RATE = 48_000


def chain_file(path: Path, minutes: float) -> Path:
    """A stereo 24-bit capture with hiss, hum, a clock and an engine that idles; a second at a time."""
    chance = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_24") as file:
        for second in range(round(60 * minutes)):
            seconds = second + np.arange(RATE) / RATE
            engine = 2 * np.pi * 211 * (seconds + 0.01 * np.sin(2 * np.pi * seconds / 5))
            samples = 1e-3 * chance.standard_normal(RATE) + 1e-3 * np.cos(2 * np.pi * 1000.02 * seconds)
            samples += 3e-3 * (np.cos(engine) + np.cos(6 * engine))
            for order in range(1, 11):
                samples += 1e-2 / order * np.cos(2 * np.pi * 50.01 * order * seconds)
            file.write(np.stack([samples, samples], axis=1))
    return path


def walls(*runs: Callable[[], object]) -> list[float]:
    """Median wall seconds of runs taken in turn; the first round, which fills the caches, does not count."""
    times: list[list[float]] = [[] for _ in runs]
    for number in range(REPEATS + 1):
        for place, run in enumerate(runs):
            begun = time.perf_counter()
            run()
            if number:
                times[place].append(time.perf_counter() - begun)
    return [statistics.median(each) for each in times]


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_ten_minutes(tmp_path: Path, suffix: str) -> None:
    path = chain_file(tmp_path / f"ten.{suffix}", 10)

    def plain() -> None:
        with soundfile.SoundFile(path) as file:
            for _ in file.blocks(1 << 16, dtype="float64"):
                pass

    read, ours = walls(plain, lambda: find_noise(read_capture(path)))
    result = find_noise(read_capture(path))
    assert {family.kind for family in result.families} == {"mains", "alternator", "digital"}
    print(f"\n10 min {suffix}, 48 kHz, 24 bit, stereo: noise {ours:.3f} s; block read {read:.3f} s", end="")
    print(f" ({ours / read:.2f})")


PEAK = """
import re, sys
from pathlib import Path
from gainkit.capture import read_capture
from gainkit.noise import find_noise
if len(sys.argv) > 1:
    find_noise(read_capture(sys.argv[1]))
print(re.search(r"VmHWM:\\s*(\\d+)", Path("/proc/self/status").read_text())[1])
"""
"""Prints the peak of the process itself [kB]: ru_maxrss would begin with that of the process which started it."""


def test_memory_stays_flat(tmp_path: Path) -> None:
    peaks = []
    for minutes in (0.5, 2.0, 10.0):
        path = chain_file(tmp_path / f"{minutes}.wav", minutes)
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True
        )
        peaks.append(int(done.stdout) / 1024)
    bare = subprocess.run([sys.executable, "-c", PEAK], capture_output=True, text=True, check=True)
    print(f"\npeak memory: {int(bare.stdout) / 1024:.0f} MB imported; 0.5, 2 and 10 min:", end="")
    print(", ".join(f" {peak:.0f} MB" for peak in peaks))
    assert peaks[-1] < 1.1 * peaks[0]


@pytest.mark.parametrize(
    ("frequency", "line_db"),
    [(50.013, -25.0), (50.013, 0.0), (997.13, -25.0), (997.13, 40.0), (3777.7, -20.0), (15_001.7, 10.0)],
)
def test_spread_over_the_bound(frequency: float, line_db: float) -> None:
    runs, frames, spread = 300, 2 * RATE, 1e-3
    peak = spread * math.sqrt(2) * 10 ** (line_db / 20)
    chance = np.random.default_rng(7)
    seconds = np.arange(frames) / RATE
    hertz, volts, hiss = [], [], []
    for _ in range(runs):
        line = peak * np.cos(2 * np.pi * frequency * seconds + chance.uniform(0, 2 * np.pi))
        result = find_noise(Capture.from_array(line + spread * chance.standard_normal(frames), RATE))
        hiss.append(result.hiss_volts)
        for family in result.families[:1]:
            hertz.append(family.fundamental_hz * family.orders[0])
            volts.append(family.rms_volts * math.sqrt(2))
    eta = peak**2 / (2 * spread**2)
    bound_hz = math.sqrt(12 * RATE**2 / ((2 * math.pi) ** 2 * eta * frames * (frames**2 - 1.0)))
    bound_volts = math.sqrt(2 * spread**2 / frames)
    bias = (np.mean(hertz) - frequency) / bound_hz, (np.mean(volts) - peak) / bound_volts
    print(f"\n{frequency:8.1f} Hz, {line_db:+.0f} dB over the hiss: found {len(hertz)} of {runs};", end="")
    print(f" over the bound: frequency {np.std(hertz) / bound_hz:.2f}, amplitude", end="")
    print(f" {np.std(volts) / bound_volts:.2f}; bias {bias[0]:+.2f}, {bias[1]:+.2f};", end="")
    print(f" hiss {np.mean(hiss) / (spread * math.sqrt(19_980 / 24_000)) - 1:+.4f}")
    assert len(hertz) > 0.95 * runs
