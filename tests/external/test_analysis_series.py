"""Waves whose harmonics are known in closed form, written to files and measured through the command line.

Sources: square sqrt(pi^2/8 - 1) = 48.3426 % and triangle sqrt(pi^4/96 - 1) = 12.1153 % THD (Fourier
series; also vcalc.com, 'THD Square Wave' and 'THD Triangular Wave'); to order 20: 45.6860 % and 12.1067 %
(derived). Hard-clipped sine: coefficients of the Fourier integral (derived; they agree with a 2^20-point FFT to
8e-13 and with ngspice to its printed digits), as tabulated below.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.conftest import Answer
from tests.waves import Floats

RATE = 48_000
# overdrive dB: THD to order 20 %, power over the sine that just touches the rail, crest factor [-]
SYMMETRIC = {
    0.1: (0.33030, 1.020303, 1.40007),
    0.5: (2.18536, 1.087478, 1.35614),
    1.0: (4.62747, 1.157052, 1.31474),
    3.0: (13.37486, 1.362518, 1.21156),
    6.0: (23.22866, 1.562913, 1.13122),
}
# overdrive dB: THD to order 20 %, DC over the input's peak [-]
ONE_SIDE = {0.5: (1.63052, -0.003982), 1.0: (3.53327, -0.010822), 3.0: (10.74980, -0.048093)}


def series(coefficients: Floats, frequency_hz: float, seconds: float = 1.0) -> Floats:
    """Sum of a_k cos(k w t), k = 0, 1, ...: band-limited by construction."""
    turn = 2 * np.pi * frequency_hz * np.arange(round(seconds * RATE)) / RATE + 0.7
    return np.sum([a * np.cos(k * turn) for k, a in enumerate(coefficients) if a], axis=0)


def clipped(overdrive_db: float, one_side: bool, orders: int = 20) -> Floats:
    """Coefficients of cos clipped at k = 10^(-OD/20): b_1 and h_n of the closed form."""
    rail = 10 ** (-overdrive_db / 20)
    phi = np.arccos(rail)
    part = 1.0 if one_side else 2.0
    out = np.zeros(orders + 1)
    out[0] = -(np.sin(phi) - phi * np.cos(phi)) / np.pi if one_side else 0.0
    out[1] = 1 - part / np.pi * (phi - np.sin(phi) * np.cos(phi))
    for n in range(2, orders + 1):
        h = (np.sin(n * phi) * np.cos(phi) - n * np.cos(n * phi) * np.sin(phi)) / (n * (n * n - 1.0))
        out[n] = -2 * part / np.pi * h * (1.0 if one_side or n % 2 else 0.0)
    return out


def measured(gainkit: Callable[..., Answer], path: Path, wave: Floats, *options: object) -> dict[str, object]:
    soundfile.write(path, wave / 2, RATE, subtype="PCM_24")
    return gainkit("measure", path, "--json", "--full-scale-volts", 2, *options).json


@pytest.mark.parametrize("frequency_hz", [997.0, 941.3])
def test_square_and_triangle(gainkit: Callable[..., Answer], tmp_path: Path, frequency_hz: float) -> None:
    n = np.arange(21)
    odd = n % 2 == 1
    square = np.where(odd, 4 / np.pi * (-1.0) ** ((n - 1) // 2) / np.maximum(n, 1), 0)
    triangle = np.where(odd, 8 / np.pi**2 / np.maximum(n, 1) ** 2, 0)
    for name, wave, to_20, all_orders in (
        ("square", square, 45.6860, 48.342585),
        ("triangle", triangle, 12.1067, 12.115293),
    ):
        found = measured(gainkit, tmp_path / f"{name}-{frequency_hz}.wav", series(wave, frequency_hz))
        assert found["thd_percent"] == pytest.approx(to_20, abs=1e-3)
        # what lies beyond order 20 by the series' own tail: the full figure
        tail = {"square": np.pi**2 / 8 - sum(1 / k**2 for k in range(1, 21, 2)),
                "triangle": np.pi**4 / 96 - sum(1 / k**4 for k in range(1, 21, 2))}[name]  # fmt: skip
        assert 100 * np.sqrt((to_20 / 100) ** 2 + tail) == pytest.approx(all_orders, abs=1e-3)


def test_a_low_square_holds_orders_to_twenty_in_the_figure(
    gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    """50 Hz: 400 orders fit the band, the figure counts to 20; THD+N sees them all."""
    n = np.arange(401)
    square = np.where(n % 2 == 1, 4 / np.pi * (-1.0) ** ((n - 1) // 2) / np.maximum(n, 1), 0)
    found = measured(gainkit, tmp_path / "low.wav", 0.7 * series(square, 50, 2.0))
    assert found["thd_percent"] == pytest.approx(45.6860, abs=1e-3)
    to_the_edge = 100 * np.sqrt(sum(1 / k**2 for k in range(3, 400, 2)))
    of_total = float(str(found["thd_n_percent"])) / 100
    assert 100 * of_total / np.sqrt(1 - of_total**2) == pytest.approx(to_the_edge, abs=0.005)


@pytest.mark.parametrize("overdrive_db", SYMMETRIC)
def test_a_sine_clipped_on_both_sides(
    gainkit: Callable[..., Answer], tmp_path: Path, overdrive_db: float
) -> None:
    thd, power, crest = SYMMETRIC[overdrive_db]
    wave = series(clipped(overdrive_db, False), 997.0) * 10 ** (overdrive_db / 20)
    found = measured(gainkit, tmp_path / "clipped.wav", wave)
    assert found["thd_percent"] == pytest.approx(thd, abs=2e-4)
    assert found["rms_volts"] == pytest.approx(np.sqrt(power / 2), rel=2e-4)
    assert found["clipping"]["overdrive_db"] == pytest.approx(overdrive_db, abs=0.01)  # type: ignore[index]
    assert found["clipping"]["side"] == "both"  # type: ignore[index]
    assert found["clipping"]["positive_rail_volts"] == pytest.approx(1, abs=1e-3)  # type: ignore[index]
    assert 10 ** (float(str(found["crest_factor_db"])) / 20) == pytest.approx(
        crest, rel=0.03
    )  # ripples of order 20
    thd_r = thd / np.sqrt(1 + (thd / 100) ** 2)
    assert found["thd_r_percent"] == pytest.approx(thd_r, abs=2e-4)


@pytest.mark.parametrize("overdrive_db", ONE_SIDE)
def test_a_sine_clipped_on_one_side(
    gainkit: Callable[..., Answer], tmp_path: Path, overdrive_db: float
) -> None:
    thd, dc = ONE_SIDE[overdrive_db]
    wave = series(clipped(overdrive_db, True), 997.0)
    found = measured(gainkit, tmp_path / "one.wav", wave)
    assert found["thd_percent"] == pytest.approx(thd, abs=2e-4)
    assert found["dc_volts"] == pytest.approx(dc, abs=1e-5)
    assert found["clipping"]["overdrive_db"] == pytest.approx(overdrive_db, abs=0.01)  # type: ignore[index]
    assert found["clipping"]["side"] == "positive"  # type: ignore[index]
    assert found["clipping"]["negative_rail_volts"] is None  # type: ignore[index]


@pytest.mark.parametrize(
    ("limit", "overdrive_db"), [(0.1, 0.04038), (0.5, 0.14015), (1.0, 0.25240), (3.0, 0.6665), (10.0, 2.17401)]
)
def test_the_state_turns_where_thd_reaches_the_limit(
    gainkit: Callable[..., Answer], tmp_path: Path, limit: float, overdrive_db: float
) -> None:
    """Overdrive at which THD to order 20 reaches a limit (derived): just below and above it."""
    for factor, state in ((0.998, "at-onset"), (1.002, "clipped")):
        wave = series(clipped(overdrive_db * factor, False), 997.0)
        found = measured(gainkit, tmp_path / f"{state}.wav", wave, "--limit-thd-percent", limit)
        assert found["clipping"]["state"] == state  # type: ignore[index]
