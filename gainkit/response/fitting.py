"""Least squares for a sum of few parts: Levenberg and Marquardt's way, without scipy.

Each part has parameters of its own, so a slope costs one evaluation of one part.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP = 1e-4
"""Parameters are of order one (dB, logarithms); they are moved by so much for slopes [-]."""

TRIES = 6
"""Steps tried in a round, each shorter than the one before [-]."""


@dataclass(frozen=True)
class SumPart:
    """One part of the sum: parameters -> (points,), where to begin and between which bounds."""

    curve: Callable[..., Floats]
    start: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def fit_sum(
    wanted: Floats, weight: Floats, parts: Sequence[SumPart], rounds: int, settled: float
) -> tuple[list[list[float]], float]:
    """Parameters of each part that make sum((wanted - sum of parts)^2 weight^2) least, and that sum.

    rounds : most of them. settled : a round that lowers the sum by less than this part of it is the last.
    """
    at = [list(part.start) for part in parts]
    at = [_held(figures, part) for figures, part in zip(at, parts, strict=True)]
    curves = [part.curve(*figures) for part, figures in zip(parts, at, strict=True)]
    left = (wanted - np.sum(curves, axis=0)) * weight
    total = float(left @ left)
    damping = 1e-3
    for _ in range(rounds):
        moved = np.array(slopes(parts, at, curves)) * weight
        normal, pull = moved @ moved.T, moved @ left
        diagonal = np.diag(normal) + 1e-12
        before = total
        for _ in range(TRIES):
            move = np.linalg.solve(normal + np.diag(damping * diagonal), pull).tolist()
            tried = []
            for figures, part in zip(at, parts, strict=True):
                tried.append(_held([figure + move.pop(0) for figure in figures], part))
            there = [part.curve(*figures) for part, figures in zip(parts, tried, strict=True)]
            rest = (wanted - np.sum(there, axis=0)) * weight
            if (sum_there := float(rest @ rest)) < total:
                at, curves, left, total = tried, there, rest, sum_there
                damping = max(damping / 8.0, 1e-9)
                break
            damping *= 8.0
        if before - total <= settled * before:
            break
    return at, total


def _held(figures: list[float], part: SumPart) -> list[float]:
    return [min(max(figure, low), high) for figure, low, high in zip(figures, part.low, part.high, strict=True)]


def slopes(parts: Sequence[SumPart], at: list[list[float]], curves: list[Floats]) -> list[Floats]:
    """Derivative of the sum by each parameter, in order."""
    columns = []
    for part, figures, curve in zip(parts, at, curves, strict=True):
        for number in range(len(figures)):
            moved = list(figures)
            moved[number] += STEP
            columns.append((part.curve(*moved) - curve) / STEP)
    return columns
