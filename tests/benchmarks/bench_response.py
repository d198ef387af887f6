"""The response room: its error table, and how long it takes.

`pytest -m benchmark -s tests/benchmarks/bench_response.py`
"""

from __future__ import annotations

import dataclasses
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.capture import Capture, read_capture
from gainkit.generator.spec import ToneSpec
from gainkit.response import find_response
from gainkit.response.filters import SHAPES
from tests.chains import RATE, boosted, filter_and_band, filtered, in_a_row, noisy, plain, played, through

pytestmark = pytest.mark.benchmark

SPEC = ToneSpec("sweep", seconds=15.0)
CORNERS_HZ = {"high": (50.0, 5_000.0), "low": (50.0, 6_000.0)}
ROUNDS = 3


@pytest.mark.parametrize("snr_db", [None, 40.0])
@pytest.mark.parametrize("kind", ["high", "low"])
def test_every_shape_at_random_corners(kind: str, snr_db: float | None) -> None:
    rng = np.random.default_rng(20)
    samples, sweep = played(SPEC)
    right, off, wrong = 0, [], []
    for number in range(ROUNDS):
        for shape in SHAPES:
            corner_hz = float(np.exp(rng.uniform(*np.log(CORNERS_HZ[kind]))))
            chain = filtered(shape.family, shape.order, corner_hz, kind)
            recording = noisy(through(samples[:, 0], chain), snr_db, seed=number)
            result = find_response(Capture.from_array(recording, RATE), sweep)
            found, other = (result.highpass, result.lowpass)[:: 1 if kind == "high" else -1]
            good = found is not None and (found.family, found.order) == (shape.family, shape.order)
            if good and other is None and not result.boosts and found is not None:
                right += 1
                off.append(abs(found.corner_hz / corner_hz - 1))
            else:
                wrong.append((shape, round(corner_hz), found, result.boosts))
    count = ROUNDS * len(SHAPES)
    print(
        f"\n{kind}-pass, SNR {snr_db}: {right} of {count} right, corner off by {100 * max(off):.4f} % at most"
    )
    for each in wrong:
        print("  ", *each)
    assert right >= (count if snr_db is None else 0.99 * count)
    assert max(off) < 0.01


def test_random_bands_in_a_row() -> None:
    """Two or three peaks and shelves, an octave apart at least, at 40 dB: gain within 0.2 dB, centre within 1/12
    octave."""
    rng = np.random.default_rng(21)
    samples, sweep = played(SPEC)
    good, count = 0, 30
    for number in range(count):
        centres = 40.0 * 2.0 ** (np.cumsum(rng.uniform(1.2, 2.8, rng.integers(2, 4))) - 1.0)
        bands = [("peak", c, rng.choice([-1, 1]) * rng.uniform(2, 8), rng.uniform(0.8, 4)) for c in centres]
        if rng.random() < 0.5:
            bands[0] = ("low-shelf", *bands[0][1:3], rng.uniform(0.5, 0.9))
        chain = in_a_row(*(boosted(*band) for band in bands))
        recording = noisy(through(samples[:, 0], chain), 40.0, seed=number)
        result = find_response(Capture.from_array(recording, RATE), sweep)
        fits = len(result.boosts) == len(bands) and result.verdict == "equalised"
        for (kind, centre_hz, gain_db, _), boost in zip(bands, result.boosts, strict=False):
            fits &= boost.kind == kind and abs(boost.gain_db - gain_db) < 0.2
            fits &= abs(np.log2(boost.centre_hz / centre_hz)) < 1 / 12
        good += bool(fits)
        if not fits:
            print("\n  ", bands, result.boosts, result.highpass, result.lowpass)
    print(f"\nbands in a row: {good} of {count} right")
    assert good >= 0.9 * count


@pytest.mark.parametrize("two_sided", [False, True], ids=["one filter", "two filters"])
def test_a_band_on_a_slope(two_sided: bool) -> None:
    """A filter and a boost that hide each other, at 40 dB: families and orders right, corners within 2 %, gain
    within 0.3 dB, centre within a tenth of an octave."""
    samples, sweep = played(SPEC)
    counts: Counter[str] = Counter()
    for seed in range(7_000, 7_040):
        filters, (kind, centre_hz, gain_db, quality), chain = filter_and_band(seed, two_sided=two_sided)
        recording = noisy(through(samples[:, 0], chain), 40.0, seed=seed)
        result = find_response(Capture.from_array(recording, RATE), sweep)
        fits = True
        for side, placed in (("high", result.highpass), ("low", result.lowpass)):
            wanted = filters.get(side)
            fits &= (placed is None) == (wanted is None)
            if placed is not None and wanted is not None:
                fits &= (placed.family, placed.order) == wanted[:2] and abs(
                    placed.corner_hz / wanted[2] - 1
                ) < 0.02
        told = result.highpass is not None or result.lowpass is not None or bool(result.boosts)
        if fits and len(result.boosts) == 1:
            (boost,) = result.boosts
            same = boost.kind == kind and abs(boost.gain_db - gain_db) < 0.3
            opposite = {boost.kind, kind} == {"low-shelf", "high-shelf"} and abs(boost.gain_db + gain_db) < 0.3
            fits &= (same or opposite) and abs(np.log2(boost.centre_hz / centre_hz)) < 0.1
        else:
            fits = False
        counts["right" if fits else "wrong" if told else "not told"] += 1
        if not fits:
            print("\n  ", seed, filters, (kind, centre_hz, gain_db, quality))
            print("     ", result.highpass, result.lowpass, result.boosts)
    print(f"\na band on a slope, two filters {two_sided}: {dict(counts)}")
    assert counts["right"] >= 0.9 * counts.total()


def fastest(work: Callable[[], object], times: int = 5) -> float:
    """CPU seconds of the quickest run."""
    best = float("inf")
    for _ in range(times):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best


@pytest.mark.parametrize("chain", ["wire", "high-pass"])
def test_speed_against_reading_and_one_transform(tmp_path: Path, chain: str) -> None:
    """A 60 s stereo capture: at most three times reading it with soundfile and one FFT of its length."""
    samples, sweep = played(ToneSpec("sweep", seconds=55.0))
    transfer = plain if chain == "wire" else filtered("butterworth", 4, 80.0, "high")
    left = through(samples[:, 0], transfer)
    path = tmp_path / "sixty.wav"
    soundfile.write(path, np.stack([left, left], axis=1)[: 60 * RATE], RATE, subtype="PCM_16")
    mono = np.ascontiguousarray(soundfile.read(path)[0][:, 0])
    reading, transform = fastest(lambda: soundfile.read(path)), fastest(lambda: np.fft.fft(mono))
    ours = fastest(lambda: find_response(read_capture(path), sweep))
    ratio = ours / (reading + transform)
    print(
        f"\n{chain}: {1e3 * ours:.0f} ms; reading {1e3 * reading:.0f}, FFT {1e3 * transform:.0f}: {ratio:.2f} times"
    )
    assert ratio < 3.0


@dataclasses.dataclass(frozen=True)
class Quiet:
    """A long recording that is made as it is read: silence and a trace of noise, the sweep at its beginning."""

    samples: np.ndarray

    def blocks(
        self, start: int, stop: int, block_frames: int, columns: tuple[int, ...], scale: float
    ) -> Iterator[tuple[np.ndarray, ...]]:
        for first in range(start, stop, block_frames):
            block = np.full(min(block_frames, stop - first), 1e-6)
            inside = self.samples[first : first + len(block)]
            block[: len(inside)] += inside
            yield tuple(block * scale for _ in columns)

    def line(self, frame: int) -> int | None:
        return None


def test_memory_does_not_grow_with_the_recording() -> None:
    samples, sweep = played(ToneSpec("sweep", seconds=5.0))
    recording = through(samples[:, 0], plain)
    peaks = []
    for minutes in (1, 20):
        frames = minutes * 60 * RATE
        capture = dataclasses.replace(
            Capture.from_array(np.zeros(1), RATE), frames=frames, source=Quiet(recording), may_hold_gaps=False
        )
        tracemalloc.start()
        result = find_response(capture, sweep)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert result.found
    print(f"\npeak memory: 1 min {peaks[0] / 1e6:.1f} MB, 20 min {peaks[1] / 1e6:.1f} MB")
    assert peaks[1] < 1.3 * peaks[0]
