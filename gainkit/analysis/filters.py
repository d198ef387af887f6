"""What may stand behind a rail: couplings, tone controls and crossovers up to fourth order.

Every coefficient of a filter is a product of powers of its figures, or a sum of such products. So all filters
of a batch are evaluated at once, and their slopes are closed forms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

Polynomial = dict[int, tuple[tuple[int, ...], ...]]
"""For each power of s, in units of the tone, the products that its coefficient is the sum of: exponents of the
figures; () is 1."""


@dataclass(frozen=True)
class FilterFamily:
    """A family of responses.

    names : of its figures, corners in units of the tone; grids : starts of each; limits : between which each is
    kept. constants : that the denominator's coefficients are multiplied by, from that of 1 on.
    """

    name: str
    cause: Literal["coupling", "filter"]
    numerator: Polynomial
    denominator: Polynomial
    names: tuple[str, ...]
    grids: tuple[tuple[float, ...], ...]
    limits: tuple[tuple[float, float], ...]
    constants: tuple[float, ...] = ()

    def logarithms(self) -> Floats:
        """Of the figures at the points of the grid, (n, F) [-]."""
        figures = np.stack([grid.ravel() for grid in np.meshgrid(*self.grids, indexing="ij")], axis=1)
        return np.asarray(np.log(figures))


_LOW, _HIGH, _Q = (0.02, 0.1, 0.25, 0.5, 0.8, 1.1), (0.7, 1.5, 2.5, 4.0, 7.0, 12.0), (0.5, 0.75, 1.2)
ONE = ((),)

STEEP: tuple[tuple[str, tuple[float, ...]], ...] = (
    ("3", (1.0, 2.0, 2.0, 1.0)),
    ("4", (1.0, 2**1.5, 4.0, 2**1.5, 1.0)),
    ("4b", (1.0, 2.6131259, 3.4142136, 2.6131259, 1.0)),
)
"""Crossovers of third and fourth order: Butterworth, Linkwitz-Riley (two Butterworth sections of second order)
and Butterworth again; coefficients of 1, s, s^2, ... of the normalised low-pass (Zverev, Handbook of Filter
Synthesis, 1967, from memory; tests compare them with scipy.signal)."""

BESSEL: tuple[tuple[str, tuple[float, ...]], ...] = (
    ("3s", (1.0, 1.7556724, 1.2329542, 0.3607773)),
    ("4s", (1.0, 2.1139177, 1.9151348, 0.8996528, 0.1901792)),
)
"""Low-passes after Bessel, 3 dB down at the corner: they hardly turn what they take away, so that their wave is
nearly that of a soft knee (tests compare them with scipy.signal)."""


def _low_pass(name: str, constants: tuple[float, ...]) -> FilterFamily:
    below: Polynomial = {power: ((-power,),) if power else ONE for power in range(len(constants))}
    return FilterFamily(
        f"low-pass {name}", "filter", {0: ONE}, below, ("corner",), (_HIGH,), ((0.5, 100.0),), constants
    )


def _high_pass(name: str, constants: tuple[float, ...]) -> FilterFamily:
    """constants : the same read backwards and forwards."""
    order = len(constants) - 1
    below: Polynomial = {power: ((order - power,),) if power < order else ONE for power in range(order + 1)}
    return FilterFamily(
        f"high-pass {name}", "coupling", {order: ONE}, below, ("corner",), (_LOW,), ((1e-3, 2.0),), constants
    )


FILTERS = (
    FilterFamily(
        "high-pass 1", "coupling", {1: ONE}, {0: ((1,),), 1: ONE}, ("corner",), (_LOW,), ((1e-3, 5.0),)
    ),
    FilterFamily(
        "high-pass 2", "coupling", {2: ONE}, {0: ((2, 0),), 1: ((1, -1),), 2: ONE}, ("corner", "q"), (_LOW, _Q),
        ((1e-3, 3.0), (0.3, 3.0)),
    ),
    FilterFamily(
        "low-pass 1", "filter", {0: ONE}, {0: ONE, 1: ((-1,),)}, ("corner",), (_HIGH,), ((0.3, 100.0),)
    ),
    FilterFamily(
        "low-pass 2", "filter", {0: ONE}, {0: ONE, 1: ((-1, -1),), 2: ((-2, 0),)}, ("corner", "q"), (_HIGH, _Q),
        ((0.5, 100.0), (0.3, 3.0)),
    ),
    *(made(*each) for each in STEEP for made in (_low_pass, _high_pass)),
    *(_low_pass(*each) for each in BESSEL),
    FilterFamily(
        "shelf", "filter", {0: ONE, 1: ((-1, 0),)}, {0: ONE, 1: ((0, -1),)}, ("zero", "pole"),
        ((0.4, 1.0, 2.0, 4.0, 8.0, 16.0),) * 2, ((0.02, 200.0), (0.02, 200.0)),
    ),
    FilterFamily(
        "band", "filter", {1: ONE}, {0: ((1, 0),), 1: ((0, 0), (1, -1)), 2: ((0, -1),)}, ("low", "high"),
        (_LOW, _HIGH), ((1e-3, 3.0), (0.3, 100.0)),
    ),
    FilterFamily(
        "bell", "filter", {0: ONE, 1: ((-1, -1, 1),), 2: ((-2, 0, 0),)},
        {0: ONE, 1: ((-1, -1, 0),), 2: ((-2, 0, 0),)}, ("centre", "q", "gain"),
        ((0.5, 1.0, 2.0, 5.0), (0.7, 2.0), (0.5, 2.0)), ((0.1, 20.0), (0.3, 8.0), (0.1, 10.0)),
    ),
)  # fmt: skip
MOST_FIGURES = max(len(family.names) for family in FILTERS)
MOST_PRODUCTS = 2
POWERS = 5
"""Powers of s, from 0 on [-]."""


@dataclass(frozen=True)
class Sections:
    """A batch of filters: weights (n, 10, products) of the products in numerator and denominator, powers (n, 10
    x products, F) of the figures in them."""

    weights: Floats
    powers: Floats

    @staticmethod
    def of(families: list[FilterFamily]) -> Sections:
        """One of each."""
        weights = np.zeros((len(families), 2, POWERS, MOST_PRODUCTS))
        powers = np.zeros((*weights.shape, MOST_FIGURES))
        for number, family in enumerate(families):
            for row, polynomial in enumerate((family.numerator, family.denominator)):
                for power, products in polynomial.items():
                    constant = family.constants[power] if row and family.constants else 1.0
                    for place, exponents in enumerate(products):
                        weights[number, row, power, place] = constant
                        powers[number, row, power, place, : len(exponents)] = exponents
        count = len(families)
        return Sections(weights.reshape(count, 2 * POWERS, -1), powers.reshape(count, -1, MOST_FIGURES))

    def taken(self, which: NDArray[np.intp]) -> Sections:
        """Some of them."""
        return Sections(self.weights[which], self.powers[which])

    def responses(self, logarithms: Floats, orders: Floats) -> tuple[Phasors, Phasors]:
        """At multiples of the tone, (n, K) from order 1 on; and how they change with the logarithms of the
        figures, (n, F), of each: (n, F, K).

        The phase is turned so that order 1 stays at its crest, and keeps its size.
        """
        count = len(logarithms)
        products = (
            np.exp(np.matmul(self.powers, logarithms[:, :, None])).reshape(count, 2 * POWERS, -1) * self.weights
        )
        changes = np.matmul(products[:, :, None, :], self.powers.reshape(count, 2 * POWERS, MOST_PRODUCTS, -1))[
            :, :, 0
        ]
        s = np.stack([(1j * orders) ** power for power in range(POWERS)])
        above, below = products[:, :POWERS].sum(axis=2) @ s, products[:, POWERS:].sum(axis=2) @ s
        h = above / below
        # d ln h, then the turn and the size of order 1 taken off
        of_above = np.matmul(changes[:, :POWERS].transpose(0, 2, 1), s) / above[:, None]
        of_below = np.matmul(changes[:, POWERS:].transpose(0, 2, 1), s) / below[:, None]
        slope = of_above - of_below
        first = slope[:, :, :1]
        slope -= first.real + 1j * orders * first.imag
        h *= np.exp(-1j * orders * np.angle(h[:, :1])) / np.abs(h[:, :1])
        return h, slope * h[:, None]
