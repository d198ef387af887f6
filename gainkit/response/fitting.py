"""Least squares for a handful of parameters: Levenberg and Marquardt's way, without scipy."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP = 1e-4
"""Parameters are of order one (dB, logarithms); they are moved by so much for slopes [-]."""

ROUNDS = 30
SETTLED = 1e-7
"""A round that lowers the sum by less than this part of it is the last [-]."""


def least_squares(
    residual: Callable[[Floats], Floats], start: Floats, low: Floats, high: Floats
) -> tuple[Floats, float]:
    """Parameters that make the sum of squares least, and that sum. residual : parameters -> (points,)."""
    at = np.clip(np.asarray(start, dtype=float), low, high)
    here = residual(at)
    total = float(here @ here)
    damping = 1e-3
    for _ in range(ROUNDS):
        slopes = np.empty((len(here), len(at)))
        for number in range(len(at)):
            moved = at.copy()
            moved[number] += STEP
            slopes[:, number] = (residual(moved) - here) / STEP
        normal, pull = slopes.T @ slopes, slopes.T @ here
        better = False
        for _ in range(8):
            scale = damping * (np.diag(normal) + 1e-12)
            move = np.linalg.solve(normal + np.diag(scale), -pull)
            tried = np.clip(at + move, low, high)
            there = residual(tried)
            sum_there = float(there @ there)
            if sum_there < total:
                better, gained = True, total - sum_there
                at, here, total = tried, there, sum_there
                damping = max(damping / 5.0, 1e-9)
                break
            damping *= 4.0
        if not better or gained <= SETTLED * total:
            break
    return at, total
