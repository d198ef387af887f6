"""Preferred values that resistors are made in."""

from __future__ import annotations

import math
from collections.abc import Iterator

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = (
    10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
)  # fmt: skip
E96 = tuple(round(100 * 10 ** (step / 96)) for step in range(96))
"""Preferred values of one decade, IEC 60063. E12 and E24 are tabulated there, not rounded powers; E96 is."""

SERIES = {"E12": (E12, 10, 0.10), "E24": (E24, 10, 0.05), "E96": (E96, 100, 0.01)}
"""Name: (values, first value of the decade, tolerance the series was made for)."""


def preferred_values(series: str, low_ohms: float, high_ohms: float) -> Iterator[float]:
    """The preferred values from low_ohms to high_ohms [ohm], rising."""
    values, first, _ = SERIES[series]
    for decade in range(math.floor(math.log10(low_ohms)), math.floor(math.log10(high_ohms)) + 1):
        for value in values:
            ohms = value * 10.0**decade / first
            ohms = float(f"{ohms:.4g}")
            if low_ohms * (1 - 1e-9) <= ohms <= high_ohms * (1 + 1e-9):
                yield ohms


def next_preferred(series: str, ohms: float) -> float:
    """The smallest preferred value of at least that many ohms."""
    return next(preferred_values(series, ohms, ohms * 11.0))
