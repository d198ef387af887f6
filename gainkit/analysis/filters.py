"""What may stand behind a rail: couplings, tone controls and low-passes, as sections of second order.

Every coefficient of a section is a product of powers of its figures, or a sum of such products. So all sections
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
    kept. damping : times the denominator's term in s. times : how often the section stands in a row.
    """

    name: str
    cause: Literal["coupling", "filter"]
    numerator: Polynomial
    denominator: Polynomial
    names: tuple[str, ...]
    grids: tuple[tuple[float, ...], ...]
    limits: tuple[tuple[float, float], ...]
    damping: float = 1.0
    times: int = 1

    def logarithms(self) -> Floats:
        """Of the figures at the points of the grid, (n, F) [-]."""
        figures = np.stack([grid.ravel() for grid in np.meshgrid(*self.grids, indexing="ij")], axis=1)
        return np.asarray(np.log(figures))


_LOW, _HIGH, _Q = (0.02, 0.1, 0.25, 0.5, 0.8, 1.1), (0.7, 1.5, 2.5, 4.0, 7.0, 12.0), (0.5, 0.75, 1.2)
ONE = ((),)
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
    FilterFamily(
        "low-pass 4", "filter", {0: ONE}, {0: ONE, 1: ((-1, -1),), 2: ((-2, 0),)}, ("corner", "q"), (_HIGH, _Q),
        ((0.7, 100.0), (0.4, 2.0)), times=2,
    ),
    FilterFamily(
        "high-pass 4", "coupling", {2: ONE}, {0: ((2, 0),), 1: ((1, -1),), 2: ONE}, ("corner", "q"), (_LOW, _Q),
        ((1e-3, 2.0), (0.4, 2.0)), times=2,
    ),
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


@dataclass(frozen=True)
class Sections:
    """A batch of filters: weights (n, 6, products) of the products in numerator and denominator, powers (n, 6 x
    products, F) of the figures in them, times (n,)."""

    weights: Floats
    powers: Floats
    times: Floats

    @staticmethod
    def of(families: list[FilterFamily]) -> Sections:
        """One section of each."""
        weights = np.zeros((len(families), 2, 3, MOST_PRODUCTS))
        powers = np.zeros((*weights.shape, MOST_FIGURES))
        for number, family in enumerate(families):
            for row, polynomial in enumerate((family.numerator, family.denominator)):
                for power, products in polynomial.items():
                    for place, exponents in enumerate(products):
                        weights[number, row, power, place] = family.damping if (row, power) == (1, 1) else 1.0
                        powers[number, row, power, place, : len(exponents)] = exponents
        count = len(families)
        times = np.array([float(family.times) for family in families])
        return Sections(weights.reshape(count, 6, -1), powers.reshape(count, -1, MOST_FIGURES), times)

    def taken(self, which: NDArray[np.intp]) -> Sections:
        """Some of them."""
        return Sections(self.weights[which], self.powers[which], self.times[which])

    def responses(self, logarithms: Floats, orders: Floats) -> tuple[Phasors, Phasors]:
        """At multiples of the tone, (n, K) from order 1 on; and how they change with the logarithms of the
        figures, (n, F), of each: (n, F, K).

        The phase is turned so that order 1 stays at its crest, and keeps its size.
        """
        count = len(logarithms)
        products = np.exp(np.matmul(self.powers, logarithms[:, :, None])).reshape(count, 6, -1) * self.weights
        changes = np.matmul(products[:, :, None, :], self.powers.reshape(count, 6, MOST_PRODUCTS, -1))[:, :, 0]
        s = np.stack([np.ones_like(orders), 1j * orders, -(orders**2)])
        above, below = products[:, :3].sum(axis=2) @ s, products[:, 3:].sum(axis=2) @ s
        h = (above / below) ** self.times[:, None]
        # d ln h, then the turn and the size of order 1 taken off
        of_above = np.matmul(changes[:, :3].transpose(0, 2, 1), s) / above[:, None]
        of_below = np.matmul(changes[:, 3:].transpose(0, 2, 1), s) / below[:, None]
        slope = self.times[:, None, None] * (of_above - of_below)
        first = slope[:, :, :1]
        slope -= first.real + 1j * orders * first.imag
        h *= np.exp(-1j * orders * np.angle(h[:, :1])) / np.abs(h[:, :1])
        return h, slope * h[:, None]
