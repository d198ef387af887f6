"""What may stand behind a rail: couplings, tone controls and low-passes, as sections of second order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

Section = tuple[tuple[Floats | float, ...], tuple[Floats | float, ...]]
"""A numerator and a denominator in powers 0, 1 and 2 of s, in units of the tone; each term a number or (n,)."""


def _first_high(c: Floats) -> Section:
    return (0, 1, 0), (c, 1, 0)


def _second_high(c: Floats, q: Floats) -> Section:
    return (0, 0, 1), (c * c, c / q, 1)


def _first_low(d: Floats) -> Section:
    return (1, 0, 0), (1, 1 / d, 0)


def _second_low(d: Floats, q: Floats) -> Section:
    return (1, 0, 0), (1, 1 / (d * q), 1 / d**2)


def _butterworth(d: Floats) -> Section:
    return (1, 0, 0), (1, 2**0.5 / d, 1 / d**2)


def _shelf(zero: Floats, pole: Floats) -> Section:
    return (1, 1 / zero, 0), (1, 1 / pole, 0)


def _band(c: Floats, d: Floats) -> Section:
    return (0, 1, 0), (c, 1 + c / d, 1 / d)


def _bell(centre: Floats, q: Floats, gain: Floats) -> Section:
    return (1, gain / (q * centre), 1 / centre**2), (1, 1 / (q * centre), 1 / centre**2)


@dataclass(frozen=True)
class Filter:
    """A family of responses. grids : starts of each of its figures, corners in units of the tone; names : of
    them.

    limits : between which each is kept. times : how often the section stands in a row.
    """

    name: str
    cause: Literal["coupling", "filter"]
    section: Callable[..., Section]
    names: tuple[str, ...]
    grids: tuple[tuple[float, ...], ...]
    limits: tuple[tuple[float, float], ...]
    times: int = 1

    def coefficients(self, figures: Floats) -> Floats:
        """Of so many sets of figures (n, F): (n, 2, 3), numerator and denominator in powers of s."""
        out = np.empty((len(figures), 2, 3))
        for row, terms in enumerate(self.section(*figures.T)):
            for power, term in enumerate(terms):
                out[:, row, power] = term
        return out


def responses(coefficients: Floats, times: Floats, orders: Floats) -> Phasors:
    """Sections (n, 2, 3), each so many times (n,), at multiples of the tone, (n, K).

    The phase is turned so that order 1 stays at its crest, and keeps its size.
    """
    terms = coefficients @ np.stack([np.ones_like(orders), 1j * orders, -(orders**2)])
    h = (terms[:, 0] / terms[:, 1]) ** times[:, None]
    size = np.abs(h[:, :1])
    return np.asarray(h * np.exp(-1j * orders * np.angle(h[:, :1])) / size)


_LOW, _HIGH, _Q = (0.02, 0.1, 0.25, 0.5, 0.8, 1.1), (0.7, 1.5, 2.5, 4.0, 7.0, 12.0), (0.5, 0.75, 1.2)
FILTERS = (
    Filter("high-pass 1", "coupling", _first_high, ("corner",), (_LOW,), ((1e-3, 5.0),)),
    Filter("high-pass 2", "coupling", _second_high, ("corner", "q"), (_LOW, _Q), ((1e-3, 3.0), (0.3, 3.0))),
    Filter("low-pass 1", "filter", _first_low, ("corner",), (_HIGH,), ((0.3, 100.0),)),
    Filter("low-pass 2", "filter", _second_low, ("corner", "q"), (_HIGH, _Q), ((0.5, 100.0), (0.3, 3.0))),
    Filter("low-pass 4", "filter", _butterworth, ("corner",), (_HIGH,), ((0.7, 100.0),), 2),
    Filter(
        "shelf", "filter", _shelf, ("zero", "pole"), ((0.4, 1.0, 2.0, 4.0, 8.0, 16.0),) * 2,
        ((0.02, 200.0), (0.02, 200.0)),
    ),
    Filter("band", "filter", _band, ("low", "high"), (_LOW, _HIGH), ((1e-3, 3.0), (0.3, 100.0))),
    Filter(
        "bell", "filter", _bell, ("centre", "q", "gain"), ((0.5, 1.0, 2.0, 5.0), (0.7, 2.0), (0.5, 2.0)),
        ((0.1, 20.0), (0.3, 8.0), (0.1, 10.0)),
    ),
)  # fmt: skip
MOST_FIGURES = 2 + max(len(family.names) for family in FILTERS)
