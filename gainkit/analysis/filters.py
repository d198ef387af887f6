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

Polynomial = dict[int, tuple[tuple[float, tuple[int, ...]], ...]]
"""For each power of s, in units of the tone, the products that its coefficient is the sum of: a weight, and
exponents of the figures; none where they do not enter."""


@dataclass(frozen=True)
class FilterFamily:
    """A family of responses.

    names : of its figures, corners in units of the tone; grids : starts of each; limits : between which each is
    kept.
    """

    name: str
    cause: Literal["coupling", "filter"]
    numerator: Polynomial
    denominator: Polynomial
    names: tuple[str, ...]
    grids: tuple[tuple[float, ...], ...]
    limits: tuple[tuple[float, float], ...]

    def logarithms(self) -> Floats:
        """Of the figures at the points of the grid, (n, F) [-]."""
        figures = np.stack([grid.ravel() for grid in np.meshgrid(*self.grids, indexing="ij")], axis=1)
        return np.asarray(np.log(figures))


_LOW, _HIGH, _Q = (0.02, 0.1, 0.25, 0.5, 0.8, 1.1), (0.7, 1.5, 2.5, 4.0, 7.0, 12.0), (0.5, 0.75, 1.2)
_BELOW = (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15)
_NEAR = (1.1, 1.5, 2.0, 2.6, 3.3, 4.2, 5.4, 7.5, 12.0)
_CENTRES = (0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.2, 1.4, 1.6, 1.9, 2.3, 2.9, 4.0)


def _sum(*products: tuple[int, ...]) -> tuple[tuple[float, tuple[int, ...]], ...]:
    """Products of weight one."""
    return tuple((1.0, exponents) for exponents in products)


ONE = _sum(())

TWO_SECTIONS = (1.0, 2**1.5, 4.0, 2**1.5, 1.0)
"""Linkwitz-Riley of fourth order, two Butterworth sections of second: coefficients of 1, s, s^2, ... of the
normalised low-pass."""

SMOOTH: tuple[tuple[str, tuple[float, ...]], ...] = (
    ("4", TWO_SECTIONS),
    ("3s", (1.0, 1.7556724, 1.2329542, 0.3607773)),
    ("4s", (1.0, 2.1139177, 1.9151348, 0.8996528, 0.1901792)),
)
"""Low-passes after Linkwitz-Riley and after Bessel, 3 dB down at the corner: the latter hardly turn what they
take away, so that their wave is nearly that of a soft knee (Bessel's coefficients from memory; tests compare
them with scipy.signal)."""

STEEP = (3, 4, 5, 6)
"""Orders of high-passes after Butterworth [-]."""

RIPPLED = (3, 4, 5, 6)
"""Orders of low-passes whose poles stand on an ellipse: Butterworth's and Chebyshev's [-]."""


def _low_pass(name: str, constants: tuple[float, ...]) -> FilterFamily:
    below: Polynomial = {power: ((c, (-power,) if power else ()),) for power, c in enumerate(constants)}
    return FilterFamily(f"low-pass {name}", "filter", {0: ONE}, below, ("corner",), (_HIGH,), ((0.5, 100.0),))


def _high_pass(name: str, constants: tuple[float, ...]) -> FilterFamily:
    """constants : the same read backwards and forwards."""
    order = len(constants) - 1
    below: Polynomial = {power: ((c, (order - power,)),) for power, c in enumerate(constants)}
    return FilterFamily(
        f"high-pass {name}", "coupling", {order: ONE}, below, ("corner",), (_BELOW,), ((1e-3, 2.0),)
    )


def _butterworth(order: int) -> tuple[float, ...]:
    """Of 1, s, s^2, ...: poles on a circle (tests compare them with scipy.signal)."""
    return tuple(sum(weight for weight, _ in products) for products in _on_ellipse(order).values())


def _rippled(order: int) -> FilterFamily:
    """Poles at -d sin t + i cos t, t = (2 m - 1) pi / (2 n): Butterworth's with d = 1, Chebyshev's below.

    His d is tanh(asinh(1/ripple) / n), and the corner his times cosh of the same (tests compare them with
    scipy.signal).
    """
    return FilterFamily(
        f"low-pass {order}{'b' * (order == 4)}", "filter", {0: ONE}, _on_ellipse(order), ("corner", "damping"),
        (_NEAR, (1.0, 0.4, 0.2)), ((0.5, 100.0), (0.08, 1.2)),
    )  # fmt: skip


def _on_ellipse(order: int) -> Polynomial:
    """The denominator, in corner and damping."""
    product = np.ones((1, 1))  # rows: powers of s; columns: powers of the damping
    for number in range(order // 2):
        angle = (2 * number + 1) * np.pi / (2 * order)
        sine, cosine = float(np.sin(angle)), float(np.cos(angle))
        product = _times(product, np.array([[cosine**2, 0, sine**2], [0, 2 * sine, 0], [1, 0, 0]]))
    if order % 2:
        product = _times(product, np.array([[0.0, 1.0], [1.0, 0.0]]))
    return {
        power: tuple((float(row[d]), (-power, int(d))) for d in np.flatnonzero(row))
        for power, row in enumerate(product)
    }


def _times(one: Floats, other: Floats) -> Floats:
    """The product of two polynomials in two variables."""
    out = np.zeros((len(one) + len(other) - 1, one.shape[1] + other.shape[1] - 1))
    for (row, column), weight in np.ndenumerate(one):
        out[row : row + len(other), column : column + other.shape[1]] += weight * other
    return out


FILTERS = (
    FilterFamily(
        "high-pass 1", "coupling", {1: ONE}, {0: _sum((1,)), 1: ONE}, ("corner",), (_LOW,), ((1e-3, 5.0),)
    ),
    FilterFamily(
        "high-pass 2", "coupling", {2: ONE}, {0: _sum((2, 0)), 1: _sum((1, -1)), 2: ONE}, ("corner", "q"),
        (_LOW, _Q), ((1e-3, 3.0), (0.3, 3.0)),
    ),
    FilterFamily(
        "low-pass 1", "filter", {0: ONE}, {0: ONE, 1: _sum((-1,))}, ("corner",), (_HIGH,), ((0.3, 100.0),)
    ),
    FilterFamily(
        "low-pass 2", "filter", {0: ONE}, {0: ONE, 1: _sum((-1, -1)), 2: _sum((-2, 0))}, ("corner", "q"),
        (_HIGH, _Q), ((0.5, 100.0), (0.3, 3.0)),
    ),
    _high_pass("4", TWO_SECTIONS),
    *(_high_pass(f"{order}{'b' * (order == 4)}", _butterworth(order)) for order in STEEP),
    *(_low_pass(*each) for each in SMOOTH),
    *(_rippled(order) for order in RIPPLED),
    FilterFamily(
        "shelf", "filter", {0: ONE, 1: _sum((-1, 0))}, {0: ONE, 1: _sum((0, -1))}, ("zero", "pole"),
        ((0.4, 1.0, 2.0, 4.0, 8.0, 16.0),) * 2, ((0.02, 200.0), (0.02, 200.0)),
    ),
    FilterFamily(
        "band", "filter", {1: ONE}, {0: _sum((2, 0)), 1: _sum((1, -1)), 2: ONE}, ("centre", "q"),
        (_CENTRES, (0.1, 0.3, 0.7, 1.4, 2.8)), ((0.03, 20.0), (0.005, 8.0)),
    ),
    FilterFamily(
        "bell", "filter", {0: ONE, 1: _sum((-1, -1, 1)), 2: _sum((-2, 0, 0))},
        {0: ONE, 1: _sum((-1, -1, 0)), 2: _sum((-2, 0, 0))}, ("centre", "q", "gain"),
        ((0.5, 0.8, 1.4, 2.0, 2.8, 4.0, 6.0), (0.25, 0.7, 2.0), (0.3, 0.6, 2.0, 4.0)),
        ((0.1, 20.0), (0.1, 8.0), (0.1, 10.0)),
    ),
)  # fmt: skip
MOST_FIGURES = max(len(family.names) for family in FILTERS)
MOST_PRODUCTS = max(
    len(products)
    for family in FILTERS
    for polynomial in (family.numerator, family.denominator)
    for products in polynomial.values()
)
POWERS = 7
"""Powers of s, from 0 on [-]."""


@dataclass(frozen=True)
class Sections:
    """A batch of filters: weights (n, 14, products) of the products in numerator and denominator, powers (n, 14
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
                    for place, (weight, exponents) in enumerate(products):
                        weights[number, row, power, place] = weight
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
