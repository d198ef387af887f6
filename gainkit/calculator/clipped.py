"""A sine cut by hard rails, in closed form: what overdrive does to level, power, distortion and meters.

Everything is relative to the sine that just touches the rails, with k = 10^(-overdrive/20) the rail over the
underlying sine's peak and theta = arcsin k the angle at which the rail is met. Floats or arrays.

Source of all: direct integration over a quarter wave (derivation); checked against a circuit simulator's
Fourier analysis and numerical integration in the tests.
"""

from __future__ import annotations

import math
from typing import Any, cast

from gainkit.levels import FloatOrArray, ratio_from_db


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
