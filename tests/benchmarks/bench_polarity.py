"""Error table of the polarity answer over simulated loudspeakers, cabins and recorders.

Run with: pytest -m benchmark -s tests/benchmarks/bench_polarity.py

SNR is a pulse's peak over the rms of the noise in the recorder's whole band; a chirp has the same peak as the
pulse it stands for. What it printed last is in RESULTS.md beside this file.
"""

from __future__ import annotations

import dataclasses
import subprocess
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from gainkit.capture import Capture
from gainkit.polarity import find_polarity
from tests import cabins
from tests.cabins import Floats

TRIALS = 40
FIRST_SEED = 910_000
"""Thresholds were chosen on seeds below 10 000: the table is made from others."""

SNRS_DB = (20.0, 10.0, 5.0, 0.0, -6.0)


def outcome(scene: cabins.Scene, band: str | None) -> tuple[str, float]:
    result = find_polarity(cabins.capture(scene), band=band)
    if result.polarity == "undecided":
        return "undecided", 0.0
    return ("right" if result.polarity == scene.truth else "wrong"), result.confidence


def line(name: str, counts: Counter[str]) -> str:
    total = counts.total()
    decided = counts["right"] + counts["wrong"]
    right = f"{100 * counts['right'] / decided:.1f}" if decided else "-"
    cells = f"{counts['right']:>7}{counts['wrong']:>7}{counts['undecided']:>11}"
    return f"{name:<24}{cells}{right:>18}{100 * counts['undecided'] / total:>13.1f}"


HEAD = f"{'':<24}{'right':>7}{'wrong':>7}{'undecided':>11}{'right of decided %':>18}{'undecided %':>13}"


LEAST_DECIDED = {20.0: 0.95, 10.0: 0.95, 5.0: 0.75}
"""Goals: this share is decided at an SNR [dB], nearly all of them right."""


@pytest.mark.benchmark
@pytest.mark.parametrize("kind", ["chirps", "pulses"])
@pytest.mark.parametrize("named", [True, False], ids=["train named", "train not named"])
def test_error_table(named: bool, kind: str) -> None:
    print(f"\n{TRIALS} scenes of each kind, {kind}{', train named' if named else ''}")
    missed = []
    for snr_db in SNRS_DB if named else (10.0,):
        print(f"SNR {snr_db:g} dB\n{HEAD}")
        whole: Counter[str] = Counter()
        trust: list[float] = []
        for number, role in enumerate(cabins.ROLES):
            counts: Counter[str] = Counter()
            for trial in range(TRIALS):
                drawn = cabins.drawn(FIRST_SEED + trial + 1000 * number, role=role, snr_db=snr_db)
                scene = dataclasses.replace(drawn, kind=kind)
                word, confidence = outcome(scene, scene.band if named else None)
                counts[word] += 1
                trust += [confidence] if word != "undecided" else []
            print(line(role, counts))
            whole += counts
        print(line("all", whole), f"  mean confidence {np.mean(trust):.4f}" if trust else "")
        if snr_db >= 10 and whole["right"] < 0.99 * (whole["right"] + whole["wrong"]):
            missed.append(f"right at {snr_db:g} dB")
        if whole["undecided"] > (1 - LEAST_DECIDED.get(snr_db, 0.0)) * whole.total():
            missed.append(f"decided at {snr_db:g} dB")
    assert not missed


@pytest.mark.benchmark
def test_every_train_on_every_loudspeaker() -> None:
    print(f"\nEvery train on every kind, SNR 10 dB, {TRIALS // 8} scenes each\n{HEAD}")
    missed = []
    for band in ("bass", "midrange", "treble"):
        whole: Counter[str] = Counter()
        for number, role in enumerate(cabins.ROLES):
            counts: Counter[str] = Counter()
            for trial in range(TRIALS // 8):
                scene = cabins.drawn(FIRST_SEED + trial + 1000 * number, role=role, snr_db=10.0, band=band)
                counts[outcome(scene, None)[0]] += 1
            print(line(f"{band} on {role}", counts))
            whole += counts
        if whole["right"] < 0.99 * (whole["right"] + whole["wrong"]):
            missed.append(band)
    assert not missed


@pytest.mark.benchmark
def test_recordings_without_pulses() -> None:
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for name, slope in (("white", 0), ("pink", 1), ("brown", 2)):
        for seed in range(40):
            spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(480_000))
            spectrum[1:] /= np.arange(1, len(spectrum)) ** (slope / 2)
            spectrum[0] = 0
            samples = np.fft.irfft(spectrum)
            result = find_polarity(
                Capture.from_array(samples / np.abs(samples).max(), 48_000, calibrated=False)
            )
            counts[name]["undecided" if result.polarity == "undecided" else "decided"] += 1
    print("\nRecordings of noise alone:", {name: dict(found) for name, found in counts.items()})
    assert not any(found["decided"] for found in counts.values())


@pytest.mark.benchmark
def test_beats_that_are_not_the_track() -> None:
    """Drum loops and even beats of a loudspeaker's own sound: none is the track, none may be decided."""
    counts: dict[str, Counter[str]] = defaultdict(Counter)

    def count(name: str, samples: Floats, rate: int) -> None:
        for band in (None, "bass", "midrange", "treble"):
            result = find_polarity(Capture.from_array(samples, rate, calibrated=False), band=band)
            counts[name]["undecided" if result.polarity == "undecided" else "decided"] += 1

    for beats in (60, 80, 90, 100, 110, 115.7, 120, 121, 125, 128, 130, 140, 150, 157.89, 160, 174, 180, 240):
        for seed in range(10):
            count("drum loops", cabins.drum_loop(seed, beats, noise=10.0 ** -(1 + seed % 5)), 48_000)
    for number, role in enumerate(cabins.ROLES):
        for seed in range(30):
            rng = np.random.default_rng(seed)
            scene = cabins.drawn(FIRST_SEED + seed + 1000 * number, role=role, snr_db=20.0, rate=48_000)
            seconds, jitter = (
                float(np.exp(rng.uniform(*np.log([0.03, 1.2])))),
                rng.choice([0.0, 1e-4, 1e-3, 5e-3]),
            )
            beat = cabins.even_beat(scene, seconds, jitter, 10.0 ** -rng.uniform(1.5, 5))
            count("even beats", beat, 48_000)
    print("\nBeats that are not the track:", {name: dict(found) for name, found in counts.items()})
    assert not any(found["decided"] for found in counts.values())


def through_codec(samples: Floats, rate: int, ffmpeg: str, folder: Path, words: Sequence[str]) -> Floats:
    """The recording coded with losses and decoded again."""
    soundfile.write(folder / "in.wav", samples, rate)
    for source, target in (("in.wav", "coded.mka"), ("coded.mka", "out.wav")):
        coding = words if target == "coded.mka" else ()
        command = [ffmpeg, "-v", "error", "-y", "-i", str(folder / source), *coding, str(folder / target)]
        subprocess.run(command, check=True)
    return np.asarray(soundfile.read(folder / "out.wav")[0])


def gated(samples: Floats, rate: int) -> Floats:
    """A noise gate: silent until a millisecond holds a sixth of the peak, open for 30 ms then."""
    step = rate // 1000
    loud = (np.abs(samples[: len(samples) // step * step]) > 0.05).reshape(-1, step).any(axis=1)
    opened = np.repeat(np.convolve(loud, np.ones(30))[: len(loud)] > 0, step)
    return samples[: len(opened)] * opened


@pytest.mark.benchmark
@pytest.mark.parametrize("kind", ["chirps", "pulses"])
def test_recorders_that_process(oracle: Callable[[str], str], tmp_path: Path, kind: str) -> None:
    """What the table's population leaves out, as far as it is told in DEVELOPERS.md. No bound but 95 %
    right."""
    ffmpeg, rate = oracle("ffmpeg"), 48_000
    voice = signal.butter(4, 300, "high", fs=rate, output="sos")
    linear = signal.firwin(1001, 200, pass_zero=False, fs=rate)
    processes: dict[str, Callable[[Floats], Floats]] = {
        "AAC 96 kbit/s": lambda x: through_codec(x, rate, ffmpeg, tmp_path, ["-c:a", "aac", "-b:a", "96k"]),
        "AAC 32 kbit/s": lambda x: through_codec(x, rate, ffmpeg, tmp_path, ["-c:a", "aac", "-b:a", "32k"]),
        "Opus 48 kbit/s": lambda x: through_codec(
            x, rate, ffmpeg, tmp_path, ["-c:a", "libopus", "-b:a", "48k"]
        ),
        "high-pass 300 Hz": lambda x: np.asarray(signal.sosfilt(voice, x)),
        "linear-phase high-pass": lambda x: np.convolve(x, linear),
        "noise gate": lambda x: gated(x, rate),
    }
    print(f"\nRecorders that process, {kind}, SNR 20 dB, {TRIALS // 4} scenes of each kind\n{HEAD}")
    shares: dict[str, float] = {}
    for name, process in processes.items():
        counts: Counter[str] = Counter()
        for number, role in enumerate(cabins.ROLES):
            for trial in range(TRIALS // 4):
                seed = FIRST_SEED + trial + 1000 * number
                drawn = cabins.drawn(seed, role=role, snr_db=20.0, rate=rate)
                scene = dataclasses.replace(drawn, kind=kind)
                heard = Capture.from_array(process(cabins.samples(scene)), rate, calibrated=False)
                found = find_polarity(heard).polarity
                right = "right" if found == scene.truth else "wrong"
                counts["undecided" if found == "undecided" else right] += 1
        print(line(name, counts), flush=True)
        shares[name] = counts["right"] / max(counts["right"] + counts["wrong"], 1)
    assert min(shares.values()) >= 0.95, shares  # once all are told


@pytest.mark.benchmark
@pytest.mark.parametrize("kind", ["chirps", "pulses"])
def test_filters_that_ring_beforehand(kind: str) -> None:
    """High-passes of linear phase in player or processor, thresholds chosen on seeds from 820 000 to 846 000."""
    print(f"\nHigh-passes of linear phase, {kind}, train named, SNR 20 dB, {TRIALS} scenes each\n{HEAD}")
    for role, corner_hz, order in (
        ("midbass", 80.0, None),
        ("midbass", 120.0, 4),
        ("subwoofer", 40.0, None),
        ("midrange", 400.0, None),
        ("tweeter", 2500.0, None),
    ):
        counts: Counter[str] = Counter()
        for trial in range(TRIALS):
            drawn = cabins.drawn(FIRST_SEED + 20_000 + trial, role=role, snr_db=20.0, rate=48_000)
            recorder = dataclasses.replace(drawn.recorder, ratio=1.0)
            scene = dataclasses.replace(drawn, kind=kind, recorder=recorder)
            samples = cabins.ringing_beforehand(cabins.samples(scene), 48_000, corner_hz, order)
            result = find_polarity(Capture.from_array(samples, 48_000, calibrated=False), band=scene.band)
            right = "right" if result.polarity == scene.truth else "wrong"
            counts["undecided" if result.polarity == "undecided" else right] += 1
        name = f"{role} {corner_hz:g} Hz {'steep' if order is None else f'order {order}'}"
        print(line(name, counts), flush=True)
        if order is None:
            assert counts["wrong"] <= 0.1 * TRIALS
