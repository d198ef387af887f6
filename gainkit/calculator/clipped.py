"""A sine cut by hard rails, in closed form: what overdrive does to level, power, distortion and meters.

Everything is relative to the sine that just touches the rails, with k = 10^(-overdrive/20) the rail over the
underlying sine's peak and theta = arcsin k the angle at which the rail is met. Floats or arrays.

Source of all: direct integration over a quarter wave (derivation); checked against a circuit simulator's
Fourier analysis and numerical integration in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, cast

from gainkit.levels import FloatOrArray, ratio_from_db

MOST_OVERDRIVE_DB = 80.0
"""Beyond it the wave is a square one to eight digits [dB]."""

HALVINGS = 60
"""Of the interval when a closed form is read backwards [-]: as far as a float goes."""


def _angle(overdrive_db: Any) -> tuple[Any, Any, Any]:
    """(k, theta, cos theta) for a float or an array of overdrive >= 0 [dB]."""
    if isinstance(overdrive_db, (int, float)):
        k = ratio_from_db(-max(overdrive_db, 0.0))
        return k, math.asin(k), math.sqrt(1.0 - k * k)
    import numpy as np

    k = ratio_from_db(-np.maximum(overdrive_db, 0.0))
    return k, np.arcsin(k), np.sqrt(1.0 - k * k)


def power_ratio(overdrive_db: FloatOrArray) -> FloatOrArray:
    """Power over that of the sine at the rail [-]: 1 at 0 dB or less, 2 (a square wave) in the limit."""
    k, theta, cosine = _angle(overdrive_db)
    mean_square = (theta - k * cosine) / math.pi + k * k * (1.0 - 2.0 * theta / math.pi)
    return cast(FloatOrArray, 2.0 * mean_square / (k * k))


def rms_ratio(overdrive_db: FloatOrArray) -> FloatOrArray:
    """True rms over that of the sine at the rail [-]."""
    ratio: FloatOrArray = power_ratio(overdrive_db) ** 0.5
    return ratio


def average_reading_ratio(overdrive_db: FloatOrArray) -> FloatOrArray:
    """What an average-responding meter shows, over the sine at the rail [-].

    Such a meter shows the rectified mean times the form factor of a sine, pi / (2 sqrt 2).
    """
    k, theta, cosine = _angle(overdrive_db)
    rectified_mean = (1.0 - cosine + k * (math.pi / 2.0 - theta)) * 2.0 / math.pi
    return cast(FloatOrArray, rectified_mean * math.pi / (2.0 * k))


def fundamental_ratio(overdrive_db: FloatOrArray) -> FloatOrArray:
    """Fundamental over the sine at the rail [-]: 4/pi in the limit."""
    k, theta, cosine = _angle(overdrive_db)
    return cast(FloatOrArray, 2.0 / math.pi * (theta + k * cosine) / k)


def thd_percent(overdrive_db: FloatOrArray) -> FloatOrArray:
    """THD over the fundamental, all orders [%]: sqrt(total^2 - fundamental^2) / fundamental."""
    excess: Any = power_ratio(overdrive_db) / fundamental_ratio(overdrive_db) ** 2 - 1.0
    excess = (excess + abs(excess)) / 2.0  # rounding below zero at no overdrive
    return cast(FloatOrArray, 100.0 * excess**0.5)


def overdrive_db_of_power(ratio: float) -> float:
    """The overdrive at which `power_ratio` has that value [dB]: 0 for 1 and less, infinite from 2 on."""
    return math.inf if ratio >= 2.0 else _inverse(power_ratio, ratio)


def overdrive_db_of_thd(percent: float) -> float:
    """The overdrive at which `thd_percent` has that value [dB]; infinite from a square wave's 48.3 % on."""
    return math.inf if percent >= SQUARE_THD_PERCENT else _inverse(thd_percent, percent)


SQUARE_THD_PERCENT = 100.0 * math.sqrt(math.pi**2 / 8.0 - 1.0)
"""THD of a square wave, all orders [%]: the sum of 1/n^2 over odd n is pi^2 / 8."""


def _inverse(rising: Callable[[float], Any], wanted: float) -> float:
    """Where a function that rises with the overdrive reaches a value [dB], by halving the interval."""
    low, high = 0.0, MOST_OVERDRIVE_DB
    if wanted <= rising(low):
        return 0.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if rising(middle) < wanted else (low, middle)
    return (low + high) / 2.0


def onset_share(thd_percent_at_rating: float) -> float:
    """Power at the onset of clipping over the power at that distortion [-], 1 at 0 %.

    Of an amplifier that cuts at hard rails: a rating at 10 % THD is 1.2878 times the power that it gives
    without clipping. A model: an amplifier whose rails sag under load, or which clips softly, has another
    share.
    """
    return 1.0 / float(power_ratio(overdrive_db_of_thd(thd_percent_at_rating)))
