"""Whole commands in turn with a process that does the least of the same work: CPU seconds, least of some runs.

Run with: pytest -m benchmark -s tests/benchmarks/bench_speed.py, on a machine that does nothing else. Prints
ratios beside their goals; asserts only that every command did its work.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.waves import sine, with_noise

pytestmark = pytest.mark.benchmark

RATE, REPEATS = 48_000, 5
UNLIKE_A_SHELL = ("PYTHONDONTWRITEBYTECODE", "OPENBLAS_NUM_THREADS")
IMPORTS = "import numpy, soundfile"
TARGET = ("target", "--watts", 75, "--ohms", 4)


def once(command: list[str]) -> tuple[float, float]:
    """CPU and wall seconds of a process as a shell starts it: bytecode is kept, as pip leaves it, and numpy begins
    a thread for each core, which the tests' own environment forbids."""
    kept = {name: value for name, value in os.environ.items() if name not in UNLIKE_A_SHELL}
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=kept, check=False)
    wall, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in (0, 1)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall


def gainkit(*words: object) -> list[str]:
    return [sys.executable, "-m", "gainkit", *map(str, words)]


def python(text: str) -> list[str]:
    return [sys.executable, "-c", text]


def block_read(path: Path) -> list[str]:
    lines = ("import soundfile", f"with soundfile.SoundFile({str(path)!r}) as file:",
             "    for _ in file.blocks(1 << 16, dtype='float64'): pass")  # fmt: skip
    return python("\n".join(lines))


def in_turn(name: str, ours: list[str], peer: list[str], goal: float, wall: bool = False) -> None:
    """Print how much longer ours takes; the first of each, which fills the caches, does not count."""
    runs = [(once(ours), once(peer)) for _ in range(REPEATS + 1)][1:]
    best, least = (min(run[which][wall] for run in runs) for which in (0, 1))
    print(f"\n{name:<24}{best:8.3f} s beside {least:.3f} s: {best / least:5.2f} (goal {goal:g})", flush=True)


def tone_file(path: Path, seconds: int) -> Path:
    """A stereo 24-bit tone with noise, written a second at a time; its period tiles a second."""
    second = 0.5 * with_noise(sine(997, RATE, rate=RATE), 80)
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_24") as file:
        for _ in range(seconds):
            file.write(np.stack([second, second], axis=1))
    return path


def test_commands(tmp_path: Path) -> None:
    half, ten = tone_file(tmp_path / "half.wav", 30), tone_file(tmp_path / "ten.wav", 600)
    in_turn("--help", gainkit("--help"), python(IMPORTS), 0.5)
    in_turn("target", gainkit(*TARGET), python(IMPORTS), 0.6)
    in_turn("measure of 30 s", gainkit("measure", half), python(IMPORTS), 1.6)
    in_turn("measure of 10 min", gainkit("measure", ten), block_read(ten), 0.6)


def test_onset(tmp_path: Path) -> None:
    """A staircase of 23 s that is cut from -5 dBFS on."""
    track, heard = tmp_path / "track.wav", tmp_path / "heard.wav"
    once(gainkit("tones", "one", "staircase", "--out", track))
    samples, rate = soundfile.read(track)
    noise = np.random.default_rng(1).normal(0, 1e-4, samples.shape)
    soundfile.write(heard, 0.6 * np.clip(2.2 * samples, -1.2, 1.2) + noise, rate, subtype="PCM_24")
    in_turn("onset", gainkit("onset", heard), block_read(heard), 2.5)


def test_text(tmp_path: Path) -> None:
    path = tmp_path / "scope.csv"
    count = np.arange(1_000_000)
    rows = np.stack([count * 1e-6, 10 * np.sin(2e-3 * np.pi * count)], axis=1)
    np.savetxt(path, rows, delimiter=",", fmt="%.6e")
    peer = python(f"import numpy; numpy.loadtxt({str(path)!r}, delimiter=',')")
    in_turn("a million lines, wall", gainkit("measure", path), peer, 1.0, wall=True)


def test_folder(tmp_path: Path) -> None:
    """200 captures of 5 s, half of them clipped: CPU of each in one process, and what a second process brings."""
    folder = tmp_path / "many"
    folder.mkdir()
    clock = np.arange(5 * RATE) / RATE
    for number in range(200):
        rng = np.random.default_rng(number)
        frequency_hz = rng.choice([997, 1000, 400, 60, 5000])
        wave = 0.5 * np.clip(rng.uniform(0.5, 1.3) * np.sin(2 * np.pi * frequency_hz * clock), -1, 1)
        wave += rng.normal(0, rng.uniform(1e-5, 3e-4), len(wave))
        soundfile.write(folder / f"{number:03}.wav", wave, RATE, subtype="PCM_24")
    call = gainkit("measure", folder, "--lines", "jsonl")
    one = [once(call) for _ in range(3)]
    two = [once([*call, "--jobs", "2"]) for _ in range(3)]
    quicker = min(wall for _, wall in one) / min(wall for _, wall in two)
    each = 1000 * min(cpu for cpu, _ in one) / 200
    print(f"\n200 captures: {each:.1f} ms each (goal 15); --jobs 2: {quicker:.2f} times as fast (goal 1.6)")


def test_demo(tmp_path: Path) -> None:
    def run() -> float:
        shutil.rmtree(tmp_path / "demo", ignore_errors=True)
        return once(gainkit("demo", tmp_path / "demo"))[0]

    print(f"\ndemo: {min(run() for _ in range(3)):.1f} s of CPU (goal 8)")
