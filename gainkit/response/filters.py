"""Crossover filters by their magnitudes: Butterworth, Linkwitz-Riley, Bessel, first to eighth order.

Sources: S. Butterworth, Wireless Engineer 7, 1930 (|H|^2 = 1 / (1 + x^2n)); S. Linkwitz, J. Audio Eng. Soc. 24,
1976 (two equal Butterworth filters in a row); W. E. Thomson, Proc. IEE 96, 1949 (Bessel polynomials).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.response.model import Family

Floats = NDArray[np.float64]

HIGHEST_ORDER = 8
"""48 dB per octave."""


@dataclass(frozen=True)
class Shape:
    """A family and an order; a Bessel filter of first order is a Butterworth one and stands there."""

    family: Family
    order: int

    def lowpass_db(self, ratio: Floats) -> Floats:
        """Level at frequency over corner [dB], any shape; a high-pass has it at the ratio's inverse."""
        ratio = np.minimum(ratio, 1e6)
        if self.family == "butterworth":
            return np.asarray(-10.0 * np.log10(1.0 + ratio ** (2 * self.order)))
        if self.family == "linkwitz-riley":
            return np.asarray(-20.0 * np.log10(1.0 + ratio**self.order))
        return _bessel_db(self.order, ratio * _bessel_corner(self.order))


SHAPES = (
    *(Shape("butterworth", order) for order in range(1, HIGHEST_ORDER + 1)),
    *(Shape("linkwitz-riley", order) for order in range(2, HIGHEST_ORDER + 1, 2)),
    *(Shape("bessel", order) for order in range(2, HIGHEST_ORDER + 1)),
)


ROLL_OFFS = (Shape("butterworth", 1), Shape("butterworth", 2))
"""What ends an amplifier's band beyond the audible one: a capacitor, or an output's coil and capacitor."""


@functools.cache
def _bessel_squared(order: int) -> tuple[float, ...]:
    """|theta_n(jw)|^2 / theta_n(0)^2 as a polynomial in w^2, lowest power first.

    theta_n(s) = sum a_k s^k, a_k = (2n - k)! / (2^(n-k) k! (n - k)!), the reverse Bessel polynomial.
    """
    n = order
    a = [
        math.factorial(2 * n - k) / (2 ** (n - k) * math.factorial(k) * math.factorial(n - k))
        for k in range(n + 1)
    ]
    squared = [0.0] * (n + 1)
    for i, first in enumerate(a):
        for j, second in enumerate(a):
            if (i + j) % 2 == 0:  # (jw)^i times its conjugate's (-jw)^j
                squared[(i + j) // 2] += first * second * (-1) ** ((i - j) // 2)
    return tuple(each / squared[0] for each in squared)


def _bessel_db(order: int, radians: Floats) -> Floats:
    total = np.zeros_like(radians)
    for each in reversed(_bessel_squared(order)):
        total = total * radians**2 + each
    return np.asarray(-10.0 * np.log10(total))


@functools.cache
def _bessel_corner(order: int) -> float:
    """Where the filter of unit delay has half its power [rad/s], by bisection."""
    low, high = 0.1, 10.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        if float(_bessel_db(order, np.array([middle]))[0]) > -10.0 * math.log10(2.0):
            low = middle
        else:
            high = middle
    return low
