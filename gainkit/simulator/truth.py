"""Where a stage clips and what it distorts, in closed form: the truth beside what is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db
from gainkit.simulator.stage import Amplifier

Floats = NDArray[np.float64]

QUADRATURE_POINTS = 1 << 12
"""Midpoints of half a period [-]: many for each of the orders asked for."""

SEARCH_DB = 40.0
"""The onset is looked for this far on either side of the nearer rail [dB]: past it a held sine is a square
wave."""

SEARCH_STEPS = 161
"""Levels of the first look, half a decibel apart [-]."""

SURE_LOG = 1e-12
"""Bisection ends where the logarithm of the peak is known to this [-]."""


@dataclass(frozen=True)
class TrueOnset:
    """Where THD reaches a limit.

    level_dbfs : of the tone [dBFS]. output_volts : rms of the output's AC part there, orders counted [V].
    overdrive_db : of the wanted sine beyond the nearer rail as it then stands [dB].
    rail_volts : that rail [V peak].
    """

    level_dbfs: float
    output_volts: float
    overdrive_db: float
    rail_volts: float


def harmonics(amplifier: Amplifier, wanted_peak_volts: float, orders: int = 20) -> Floats:
    """Orders 0..K of the output for a cosine of that wanted peak, steady state: (K + 1,) [V peak], signed.

    Order 0 is the mean. Hard rails: the Fourier integral in closed form, see ``_cut``; other stages by
    quadrature over half a period, midpoints.
    """
    rails = ratio_from_db(-amplifier.sag_db * sagging_power(amplifier, wanted_peak_volts))
    if math.isinf(amplifier.knee) and amplifier.dead_zone_volts == 0:
        up = _cut(wanted_peak_volts, amplifier.positive_rail_volts * rails, orders)
        down = _cut(wanted_peak_volts, amplifier.low * rails, orders)
        series = -up - down * (-1.0) ** (np.arange(orders + 1) + 1)
        series[1] += wanted_peak_volts
    else:
        cosine, rows = _quadrature(orders)
        series = rows @ amplifier.hold(wanted_peak_volts * cosine, rails)
    series[0] += amplifier.offset_volts
    return np.asarray(series)


def thd_percent(amplifier: Amplifier, wanted_peak_volts: float, orders: int = 20) -> float:
    """THD over the fundamental, orders 2..K, noise and hum aside [%]."""
    series = harmonics(amplifier, wanted_peak_volts, orders)
    return 100 * float(np.linalg.norm(series[2:]) / abs(series[1]))


def true_onset(
    amplifier: Amplifier, source_volts: float, limit_thd_percent: float = 1.0, orders: int = 20
) -> TrueOnset | None:
    """The lowest level from which THD stays above the limit, from the Fourier series; None if it never does.

    Bisection between the nearer rail less 40 dB and plus 40 dB. A dead zone's distortion, which falls with
    level, is passed by: the search starts where THD is least.
    """
    nearer = min(amplifier.positive_rail_volts, amplifier.low)
    peaks = nearer * ratio_from_db(np.linspace(-SEARCH_DB, SEARCH_DB, SEARCH_STEPS))
    curve = np.array([thd_percent(amplifier, float(peak), orders) for peak in peaks])
    above = curve >= limit_thd_percent
    if not above[-1] or above.all():
        return None
    first = len(above) - int(np.argmin(above[::-1]))
    low, high = math.log(peaks[first - 1]), math.log(peaks[first])
    while high - low > SURE_LOG:
        middle = (low + high) / 2
        over = thd_percent(amplifier, math.exp(middle), orders) >= limit_thd_percent
        low, high = (low, middle) if over else (middle, high)
    peak = math.exp(high)
    rail = nearer * ratio_from_db(-amplifier.sag_db * sagging_power(amplifier, peak))
    series = harmonics(amplifier, peak, orders)
    return TrueOnset(
        level_dbfs=db_from_ratio(peak / (amplifier.gain * source_volts * SINE_CREST)),
        output_volts=float(np.linalg.norm(series[1:]) / SINE_CREST),
        overdrive_db=db_from_ratio(peak / rail),
        rail_volts=rail,
    )


def sagging_power(amplifier: Amplifier, wanted_peak_volts: float) -> float:
    """Output power over that of a sine at the unsagged rail, which the sag follows [-], steady sine.

    Mean square of a sine held at k of its peak: (2/pi)(theta/2 - sin(2 theta)/4) + k^2 (1 - 2 theta/pi),
    theta = arcsin k.
    """
    nearer = min(amplifier.positive_rail_volts, amplifier.low)
    k = min(nearer / wanted_peak_volts, 1.0)
    theta = math.asin(k)
    mean_square = 2 / math.pi * (theta / 2 - math.sin(2 * theta) / 4) + k * k * (1 - 2 * theta / math.pi)
    return mean_square * wanted_peak_volts**2 / (nearer**2 / 2)


def _cut(peak: float, rail: float, orders: int) -> Floats:
    """Cosine series (K + 1,) of what one hard rail takes off a cosine: peak cos(theta) - rail where positive.

    With cos(phi) = rail / peak, integrated over -phi..phi and over pi: e_0 = peak (sin phi - phi cos phi) / pi,
    e_1 = peak (phi - sin phi cos phi) / pi,
    e_n = (2 peak / pi) [sin(n phi) cos phi - n cos(n phi) sin phi] / (n (n^2 - 1)).
    """
    series = np.zeros(orders + 1)
    if peak <= rail:
        return series
    phi = math.acos(rail / peak)
    sine, cosine = math.sin(phi), math.cos(phi)
    series[0] = (sine - phi * cosine) / math.pi
    series[1] = (phi - sine * cosine) / math.pi
    n = np.arange(2, orders + 1)
    series[2:] = 2 / math.pi * (np.sin(n * phi) * cosine - n * np.cos(n * phi) * sine) / (n * (n * n - 1.0))
    return series * peak


@lru_cache(maxsize=4)
def _quadrature(orders: int) -> tuple[Floats, Floats]:
    """Midpoints of half a period as cos(theta) (points,), and what takes a wave on them to its series."""
    theta = (np.arange(QUADRATURE_POINTS) + 0.5) * np.pi / QUADRATURE_POINTS
    rows = np.cos(np.multiply.outer(np.arange(orders + 1), theta)) * (2 / QUADRATURE_POINTS)
    rows[0] /= 2
    return np.cos(theta), rows
