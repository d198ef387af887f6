"""A first-order AC coupling behind the rails, taken out of the harmonics."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Phasors = NDArray[np.complex128]


def without_coupling(relative: Phasors) -> tuple[Phasors, float]:
    """Take the phase turn of a first-order AC coupling out of harmonics, and say its corner over the tone [-].

    relative : (K,) with time counted from the fundamental's crest. A memoryless stage has real harmonics
    there; a coupling at corner c (in units of the tone) multiplies order k by k / (k - i c), which slants the
    crests. c is the one that leaves the least imaginary power; order 1 keeps its size.
    """
    orders = np.arange(1, len(relative) + 1)
    distortion = float(np.sum(np.abs(relative[1:]) ** 2))

    def straightened(corner: float) -> Phasors:
        back = relative * (orders - 1j * corner) / orders
        back = back * np.exp(-1j * orders * np.angle(back[0]))
        return np.asarray(back * (relative[0].real / back[0].real))

    def slant(corner: float) -> float:
        return float(np.sum(straightened(corner).imag[1:] ** 2))

    if slant(0.0) < 1e-4 * distortion:
        return relative, 0.0
    grid = np.linspace(-0.01, 0.5, 52)
    costs = [slant(corner) for corner in grid]
    best = int(np.argmin(costs))
    if not 0 < best < len(grid) - 1 or costs[best] > 0.5 * slant(0.0):
        return relative, 0.0
    if grid[best] <= 0:  # no coupling turns that way
        return relative, 0.0
    bend = costs[best - 1] - 2 * costs[best] + costs[best + 1]
    corner = float(grid[best] + 0.5 * (grid[1] - grid[0]) * (costs[best - 1] - costs[best + 1]) / bend)
    return straightened(corner), corner
