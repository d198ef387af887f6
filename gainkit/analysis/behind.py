"""Rails and a filter behind them, fitted together to all harmonics, magnitude and phase.

A grid over everything, then Levenberg-Marquardt; hard rails first, rails that bend where none of those is true.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.descent import Places, Points, Rules, descend, projected
from gainkit.analysis.explanation import CORE_LEAVES, DEPTHS_DB, LEAVES, UNTRUE, Explanation, Measured
from gainkit.analysis.filters import FILTERS, MOST_FIGURES, FilterFamily, Sections
from gainkit.analysis.rails import HARD, MOST_ORDERS, Knee, Knees, RailFit, harmonics_of, held_harmonics
from gainkit.analysis.railsearch import hard_starts

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

STARTS = 3
"""Points of each filter's grid that are refined [-]."""

RESONANT = frozenset({"band", "bell"})
"""Filters that turn single harmonics about, whatever made them."""

OF_RAILS = 3
"""Figures of rails in front of a filter: two overdrives and a knee's own [-]."""

SOFT_KNEES = (Knee("algebraic", 12.0), Knee("algebraic", 4.0), Knee("exponential", 4.0))
"""From these knees filters are tried behind rails that bend, where none is true behind hard ones."""

RULES = Rules(steps=25, tries=5, damping=1e-2, factor=6.0, longest=1.0, settled=1e-6)


@lru_cache(maxsize=1)
def _filter_grids() -> tuple[list[Floats], list[Phasors]]:
    """For each family, points (n, P) of its grid, and their models, (n, 40), from order 1 on."""
    pairs, shapes = hard_starts(MOST_ORDERS)
    points, models = [], []
    for family in FILTERS:
        logarithms = np.zeros((len(grid := family.logarithms()), MOST_FIGURES))
        logarithms[:, : grid.shape[1]] = grid
        filters, _ = Sections.of([family] * len(grid)).responses(logarithms, np.arange(1.0, MOST_ORDERS + 1))
        models.append((filters[:, None, :] * shapes[None, :, :]).reshape(-1, MOST_ORDERS))
        rails = np.column_stack([pairs, np.zeros(len(pairs))])
        points.append(np.hstack([np.tile(rails, (len(grid), 1)), np.repeat(logarithms, len(pairs), axis=0)]))
    return points, models


class _Behind:
    """Filters behind rails, to explain the harmonics measured. families, knees : of each start, (n,).

    A point is (overdrive +, overdrive -, logarithms of the knee's free figure and of the filter's), zeros where
    there are fewer.
    """

    def __init__(self, measured: Measured, families: list[FilterFamily], knees: list[Knee]) -> None:
        self._orders, self._twice = measured.orders, np.concatenate([measured.sigma] * 2)
        self._wanted = np.concatenate([measured.relative.real, measured.relative.imag]) / self._twice
        self._sections, self._knees = Sections.of(families), Knees.of(knees)
        limits = np.zeros((len(families), OF_RAILS + MOST_FIGURES, 2))
        limits[:, :2] = DEPTHS_DB
        for row, family, knee in zip(limits, families, knees, strict=True):
            row[2] = np.log(knee.limits) if knee.free else 0.0
            row[OF_RAILS : OF_RAILS + len(family.limits)] = np.log(family.limits)
        self._low, self._high = limits[:, :, 0], limits[:, :, 1]

    def models(self, which: Places, at: Floats) -> Points:
        """The models of some starts, in the size that fits best; what they leave is in standard deviations."""
        at = np.clip(at, self._low[which], self._high[which])
        knees = self._knees.taken(which).moved(np.exp(at[:, 2]))
        shapes, turns = held_harmonics(at[:, :2], knees, len(self._orders), slopes=True)
        filters, bends = self._sections.taken(which).responses(at[:, OF_RAILS:], self._orders)
        models = filters * shapes[:, 1:]
        changes = np.concatenate(
            [filters[:, :, None] * turns[:, 1:], (bends * shapes[:, None, 1:]).transpose(0, 2, 1)], axis=2
        )
        _, left, slopes = projected(
            np.concatenate([models.real, models.imag], axis=1) / self._twice,
            np.concatenate([changes.real, changes.imag], axis=1) / self._twice[:, None],
            self._wanted,
        )
        return Points(at, left, slopes)


def filtered(measured: Measured, rival: float) -> list[End]:
    """The best filter of each family behind hard rails: a grid over everything, then Levenberg-Marquardt.

    rival : chi^2 of rails alone.
    """
    orders, weights = len(measured.orders), measured.sigma**-2
    wanted = measured.relative * weights
    starts, families, pairs = [], [], len(hard_starts(MOST_ORDERS)[0])
    for family, points, of_grid in zip(FILTERS, *_filter_grids(), strict=True):
        models = of_grid[:, :orders]
        match = models.real @ wanted.real + models.imag @ wanted.imag
        match /= np.sqrt((models.real**2 + models.imag**2) @ weights)
        by_filter = match.reshape(-1, pairs)  # starts side by side lead to one end: of each filter the best
        best = np.argsort(-by_filter.max(axis=1), kind="stable")[:STARTS]
        starts += list(points[best * pairs + by_filter[best].argmax(axis=1)])
        families += [family] * STARTS
    ends = _ends(measured, np.array(starts), families, [HARD] * len(families), rival)
    ends = [min(ends[at : at + STARTS], key=lambda end: end.misfit) for at in range(0, len(ends), STARTS)]
    return ends


def told(measured: Measured, ends: list[End]) -> list[Explanation]:
    """Those that leave little."""
    return [
        end.described(measured)
        for end in ends
        if measured.left_share(end.left) < (CORE_LEAVES if end.family.name in RESONANT else LEAVES)
    ]


def softened(measured: Measured, ends: list[End], rival: float) -> list[End]:
    """The same filters behind rails that bend: with a knee to move they come near to anything, so only what is
    true counts."""
    starts, families, knees = [], [], []
    for end in ends:
        for knee in SOFT_KNEES:
            point = end.at.copy()
            point[2] = np.log(knee.sharpness)
            starts.append(point)
            families.append(end.family)
            knees.append(knee)
    found = _ends(measured, np.array(starts), families, knees, rival)
    count = len(SOFT_KNEES)
    best = [min(found[at : at + count], key=lambda end: end.misfit) for at in range(0, len(found), count)]
    spare = 2 * len(measured.orders) - MOST_FIGURES - OF_RAILS
    return [end for end in best if end.misfit < UNTRUE * spare]


def _ends(
    measured: Measured, starts: Floats, families: list[FilterFamily], knees: list[Knee], rival: float
) -> list[End]:
    """Where the descent leads from each start."""
    behind = _Behind(measured, families, knees)
    ends = descend(behind.models, starts, RULES, rival=rival, alike=2.0 * len(measured.orders))
    slopes = ends.slopes
    covariances = np.linalg.pinv(np.matmul(slopes.transpose(0, 2, 1), slopes), rcond=1e-14)
    return [
        End(family, knee.moved(float(np.exp(at[2]))), at, left, np.diag(covariance))
        for family, knee, at, left, covariance in zip(
            families, knees, ends.at, ends.left, covariances, strict=True
        )
    ]


@dataclass(frozen=True)
class End:
    """Where one descent led. at : figures, (P,). left : (2 K,) over sigma. variance : of each figure, for noise
    of a standard deviation of one, (P,)."""

    family: FilterFamily
    knee: Knee
    at: Floats
    left: Floats
    variance: Floats

    @property
    def misfit(self) -> float:
        """Chi^2 [-]."""
        return float(self.left @ self.left)

    def described(self, measured: Measured) -> Explanation:
        """It as an explanation."""
        family, orders, chi2 = self.family, len(measured.orders), self.misfit
        figures = 2 + (self.knee.free is not None) + len(family.names)
        of_filter = self.at[OF_RAILS:]
        overdrive = (float(self.at[0]), float(self.at[1]))
        response, _ = Sections.of([family]).responses(of_filter[np.newaxis], measured.orders)
        shape = harmonics_of(*overdrive, self.knee, orders)
        size, _ = measured.scaled(response[0] * shape[1:])
        deviation = np.sqrt(np.maximum(self.variance, 0) * max(chi2 / max(2 * orders - figures - 1, 1), 1.0))
        share = measured.left_share(self.left)
        rails = RailFit(
            sine_peak=size,
            overdrive_db=overdrive,
            knee=self.knee,
            compression_db=(max(overdrive[0], 0.0), max(overdrive[1], 0.0)),
            mean=0.0,
            misfit=share * measured.power,
            misfit_without_rails=measured.power,
            deviation_db=(float(deviation[0]), float(deviation[1])),
            behind=family.name,
        )
        named = dict(zip(family.names, np.exp(of_filter[: len(family.names)]).tolist(), strict=True))
        return Explanation(family.cause, family.name, chi2, figures + 1, share, rails, named)
