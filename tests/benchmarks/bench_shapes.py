"""Waves without a rail, soft rails, and rails behind filters: how many are told right, family by family.

Run with: pytest -m benchmark -s tests/benchmarks/bench_shapes.py. Waves are put together from their series below half the rate,
40 Hz to 2 kHz, 0.4 to 2 s at 48 kHz, noise 55 to 90 dB under. Curves: right when no rail is told beyond which the
tone lies. Soft rails: right when held, and so told. Filters (scipy.signal.butter) behind hard rails: right when clipped
within 0.3 dB and a tenth, clean without a rail.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import butter, freqs
from scipy.special import erf

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture
from tests.waves import RATE, Floats, with_noise

pytestmark = pytest.mark.benchmark

TRIALS, FIRST_SEED, POINTS = 30, 71_000, 8192
THETA = 2 * np.pi * np.arange(POINTS) / POINTS
SINE = np.sin(THETA)

Rng = np.random.Generator


def recorded(
    rng: Rng, wave: Floats, hz: float, behind: Callable[[Floats], np.ndarray] | None = None
) -> Measurement:
    """One period of a wave (POINTS,), put together anew."""
    series = np.fft.rfft(wave)
    orders = np.arange(1, min(int(0.49 * RATE / hz), 200) + 1)
    weights = series[orders] * (1.0 if behind is None else behind(orders * hz))
    seconds = np.arange(int(RATE * rng.uniform(0.4, 2))) / RATE
    turned = 2 * np.pi * hz * seconds + rng.uniform(0, 2 * np.pi)
    out = np.zeros(len(seconds))
    for weight, order in zip(weights, orders, strict=True):
        if abs(weight) > 1e-9 * abs(weights[0]):
            out += (weight * np.exp(1j * order * turned)).real
    noisy = with_noise(out * 23 / abs(weights[0]), rng.uniform(55, 90), seed=int(rng.integers(1 << 30)))
    return measure(Capture.from_array(noisy, RATE))


def _harmonics(rng: Rng, size: float, orders: range, real: bool) -> Floats:
    """Some harmonics, each as large as it likes."""
    wave = SINE.copy()
    for order in orders:
        phase = np.pi * rng.integers(2) if real else rng.uniform(0, 2 * np.pi)
        wave = wave + size / order * rng.normal() * np.sin(order * THETA + phase)
    return wave


CURVES: dict[str, Callable[[Rng, float], Floats]] = {
    "u + a u |u|": lambda _, a: SINE + a * SINE * np.abs(SINE),
    "u + a u^3": lambda _, a: SINE + a * SINE**3,
    "u + a u^5": lambda _, a: SINE + a * SINE**5,
    "u + a u^2": lambda _, a: SINE + a * SINE**2,
    "sinh": lambda _, a: np.sinh((0.3 + 3 * a) * SINE),
    "halves of unequal gain": lambda _, a: np.where(SINE > 0, SINE, SINE * (1 + a)),
    "dead zone": lambda _, a: np.sign(SINE) * np.maximum(np.abs(SINE) - a / 2, 0),
    "orders 2 to 8, any phase": lambda rng, a: _harmonics(rng, a, range(2, 9), False),
    "orders 3 and 5, any phase": lambda rng, a: _harmonics(rng, a, range(3, 6, 2), False),
}


@pytest.mark.parametrize("curve", CURVES)
def test_curves_without_a_rail(curve: str) -> None:
    wrong = []
    for trial in range(TRIALS):
        rng = np.random.default_rng([FIRST_SEED, trial])
        hz, size = (float(np.exp(rng.uniform(*np.log(each)))) for each in ((40, 2000), (0.01, 0.3)))
        found = recorded(rng, CURVES[curve](rng, size), hz)
        if found.clipping.state != "clean" and (found.clipping.overdrive_db or 0.0) > 0:
            wrong.append((trial, round(hz), round(size, 3), found.clipping.overdrive_db))
    print(f"\n{curve:28} {TRIALS - len(wrong)} of {TRIALS} without a rail {wrong}")
    assert len(wrong) <= 2


SOFT: dict[str, Callable[[Floats, float], Floats]] = {
    "arctangent": lambda u, _: np.arctan(2 * u),
    "error function": lambda u, _: np.asarray(erf(u)),
    "hyperbolic tangent off its middle": lambda u, bias: np.tanh(u + bias),
    "u / (1 + |u|^5)^(1/5)": lambda u, _: u / (1 + np.abs(u) ** 5) ** 0.2,
    "exponential": lambda u, _: np.sign(u) * (1 - np.exp(-np.abs(u) * (1 + np.abs(u)))),
}


@pytest.mark.parametrize("shape", SOFT)
def test_soft_rails(shape: str) -> None:
    right = 0
    for trial in range(TRIALS):
        rng = np.random.default_rng([FIRST_SEED, 1, trial])
        hz, drive = float(np.exp(rng.uniform(np.log(40), np.log(2000)))), 10 ** (rng.uniform(0, 8) / 20)
        right += (
            recorded(rng, SOFT[shape](drive * SINE, rng.uniform(-0.15, 0.15)), hz).clipping.state != "clean"
        )
    print(f"\n{shape:34} {right} of {TRIALS} held")
    assert right >= TRIALS - 1


@pytest.mark.parametrize(("kind", "order"), [("low", 2), ("low", 4), ("high", 2), ("high", 4)])
@pytest.mark.parametrize("overdrive_db", [None, 1.5, 3.0, 6.0])
def test_filters_behind_rails(kind: str, order: int, overdrive_db: float | None) -> None:
    right, told, worst = 0, 0, 0.0
    for trial in range(TRIALS):
        rng = np.random.default_rng([FIRST_SEED, 2, trial])
        hz = float(rng.uniform(35, 90))
        corner = hz * float(rng.uniform(1.1, 3) if kind == "low" else rng.uniform(0.3, 0.9))
        b, a = butter(order, 2 * np.pi * corner, kind, analog=True)
        wave = SINE if overdrive_db is None else np.clip(10 ** (overdrive_db / 20) * SINE, -1, 1)
        found = recorded(rng, wave, hz, lambda f, b=b, a=a: np.asarray(freqs(b, a, 2 * np.pi * f)[1])).clipping
        if overdrive_db is None:
            right += found.state == "clean"
        elif found.state != "clean":
            told += 1
            off = abs((found.overdrive_db or 0.0) - overdrive_db)
            right += off <= 0.3 + overdrive_db / 10
            worst = max(worst, off)
    print(
        f"\n{kind}-pass {order}, {overdrive_db} dB: {right} of {TRIALS} right, {told} told, worst {worst:.2f} dB"
    )
    assert right >= (TRIALS - 1 if overdrive_db is None else told - 2)
