"""Levenberg-Marquardt (Marquardt 1963) from many starts at once: one pass of numpy moves all that still fall.

A search from one start takes dozens of passes over arrays of twenty figures, and costs what calls of numpy
cost; twenty starts side by side cost hardly more than one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

LEAST_DAMPING = 1e-14
"""Columns that are alike can still be solved for with so much [-]."""

HOPELESS_GAIN, HOPELESS_RATIO = 0.01, 3.0
"""A start is given up whose moves gain less than this share of its misfit while it leaves more than so many
times what the best leaves [-]."""


@dataclass(frozen=True)
class Rules:
    """How a descent goes. steps : moves at most; tries : shorter and shorter trials for each. damping : at the
    start; factor : by which it grows or shrinks. longest : move of any figure. settled : a move that lowers the
    misfit by less than this share of it is the last [-]."""

    steps: int
    tries: int
    damping: float
    factor: float
    longest: float
    settled: float


@dataclass(frozen=True)
class Points:
    """Models at some points (n, P) of the figures searched.

    left : (n, M) what they leave; slopes : (n, M, P) how that changes with each figure. Zero where a start has
    fewer figures.
    """

    at: Floats
    left: Floats
    slopes: Floats

    @property
    def misfit(self) -> Floats:
        """Sums of squares left, (n,)."""
        return np.asarray(np.einsum("nm,nm->n", self.left, self.left))


def projected(models: Floats, turns: Floats, wanted: Floats) -> tuple[Floats, Floats, Floats]:
    """Models (n, M) in the size that leaves least of what is wanted, (M,), so that size is not searched for.

    turns : how the models change with each figure, (n, M, P). Gives sizes (n,), what is left (n, M), and how
    that changes, (n, M, P): the size follows, d(s m) = s dm + m ds with ds = dm.(w - 2 s m) / m.m.
    """
    power = np.einsum("nm,nm->n", models, models)
    sizes = models @ wanted / power
    scaled = sizes[:, None] * models
    follows = np.matmul((wanted - 2 * scaled)[:, None, :], turns) / power[:, None, None]
    return sizes, wanted - scaled, -(sizes[:, None, None] * turns + models[:, :, None] * follows)


def descend(
    model: Callable[[Places, Floats], Points],
    starts: Floats,
    rules: Rules,
    *,
    rival: float = np.inf,
    alike: float = 0.0,
) -> Points:
    """The points (n, P) to which so many starts lead, each by itself.

    model : which starts (m,) and points (m, P) for them, to models, the points kept where they mean something.
    rival : the misfit of another explanation, which a start must come near to. alike : misfits below are as
    good as none, and no start is given up for them.
    """
    count, figures = starts.shape
    now = model(np.arange(count), starts)
    at, left, slopes, misfit = now.at, now.left, now.slopes, now.misfit
    damping = np.full(count, rules.damping)
    moves, tries = np.zeros(count, dtype=int), np.zeros(count, dtype=int)
    falling = np.arange(count)
    diagonal = np.arange(figures)
    while len(falling):
        here = slopes[falling]
        normal = np.matmul(here.transpose(0, 2, 1), here)
        gradient = np.matmul(left[falling, None, :], here)[:, 0, :]
        scale = np.sqrt(normal[:, diagonal, diagonal])
        scale[scale == 0] = 1.0
        normal /= scale[:, :, None] * scale[:, None, :]
        normal[:, diagonal, diagonal] = 1 + damping[falling, None]
        move = -np.linalg.solve(normal, (gradient / scale)[:, :, None])[:, :, 0] / scale
        trial = model(falling, at[falling] + np.clip(move, -rules.longest, rules.longest))
        there = trial.misfit
        gained = misfit[falling] - there
        better = gained > 0
        taken = falling[better]
        at[taken], left[taken], slopes[taken] = trial.at[better], trial.left[better], trial.slopes[better]
        settled = gained < rules.settled * misfit[falling]
        slow = gained < HOPELESS_GAIN * there
        misfit[taken] = there[better]
        damping[falling] = np.maximum(
            np.where(better, damping[falling] / rules.factor, damping[falling] * rules.factor), LEAST_DAMPING
        )
        moves[taken] += 1
        tries[falling] = np.where(better, 0, tries[falling] + 1)
        best = max(min(float(misfit.min()), rival), alike)
        hopeless = slow & (misfit[falling] > HOPELESS_RATIO * best)
        spent = (moves[falling] >= rules.steps) | (tries[falling] >= rules.tries)
        falling = falling[~(spent | (better & (settled | hopeless)))]
    return Points(at, left, slopes)
