"""Rails behind the stage's own law: an amplifier bends a little before its rail cuts what it made.

The law is that of a square and a cube, g(x) = x + b x^2 + c x^3, the first terms of any smooth one; the rail
stands where the undisturbed sine reaches it, at g(10^(-overdrive/20)). What a rail cuts of a bent crest is not
what it cuts of a sine: a law that makes 1 % of distortion alone moves the overdrive of rails by 0.1 to 0.5 dB.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.descent import Places, Points, Rules, descend, projected
from gainkit.analysis.explanation import Explanation, Measured
from gainkit.analysis.rails import (
    GRID,
    HARD,
    Knee,
    Knees,
    RailFit,
    algebraic,
    exponential,
    half_period,
    held_half,
)
from gainkit.analysis.thresholds import LEAST_OVERDRIVE_DB
from gainkit.levels import db_from_ratio

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

LEAST_ORDERS = 9
"""Harmonics with which a law can be told beside rails: with fewer its figures fit anything [-]."""

DEPTHS_DB = (-3.0, 20.0)
"""Between which overdrives such rails are searched [dB]."""

STRAIGHT_ENOUGH = 0.005
"""Of the harmonics' power so much or less may stand across the crest: no law and no rail makes it [-]."""

MOST_BENT = (0.08, 0.06)
"""Terms b and c end here: so much of a law alone makes 4 % of second and 1.5 % of third harmonic [-]."""

STARTS = (
    (HARD, (0.05, 0.3, 1.0, 3.0)),
    (Knee("algebraic", 8.0), (0.2, 2.0)),
    (Knee("algebraic", 25.0), (0.4,)),
    (Knee("exponential", 6.0), (0.2, 2.0)),
)
"""Knees, and overdrives on both sides to start from [dB]."""

RULES = Rules(steps=40, tries=8, damping=1e-3, factor=6.0, longest=1.0, settled=1e-6)
"""Moves are in overdrives [dB], in the logarithm of the knee's figure, and in b and c over BEND [-]."""

BEND = 0.02
"""Terms are searched in units of so much, that of a law that makes 1 % of second harmonic [-]."""

DB = np.log(10) / 20


@dataclass(frozen=True)
class _Law:
    """Laws of the positive and the negative halves: b changes its sign, (n, 2), c does not, (n, 1)."""

    b: Floats
    c: Floats

    def at(self, x: Floats) -> Floats:
        """g of magnitudes (n, 2) or (n, 2, points)."""
        b, c = (each.reshape(*each.shape, *(1,) * (x.ndim - 2)) for each in (self.b, self.c))
        return np.asarray(x * (1 + x * (b + c * x)))

    def slope(self, x: Floats) -> Floats:
        """Of g at magnitudes (n, 2)."""
        return np.asarray(1 + x * (2 * self.b + 3 * self.c * x))


class _OwnLaws:
    """Rails behind a law, to explain real harmonics. knees : of each start, (n,).

    A point is (overdrive +, overdrive -, logarithm of the knee's figure, b / BEND, c / BEND).
    """

    def __init__(self, wanted: Floats, sigma: Floats, knees: list[Knee]) -> None:
        self._wanted, self._sigma, self._columns = wanted / sigma, sigma, Knees.of(knees)
        figures = np.array([knee.limits if knee.free else (1.0, 1.0) for knee in knees])
        most = np.array(MOST_BENT) / BEND
        self._low, self._high = (
            np.column_stack([np.full((len(knees), 2), db), np.log(figure), np.tile(bent, (len(knees), 1))])
            for db, figure, bent in zip(DEPTHS_DB, figures.T, (-most, most), strict=True)
        )

    def models(self, which: Places, at: Floats) -> Points:
        """The models of some starts, in the size that fits best; what they leave is in standard deviations."""
        at = np.clip(at, self._low[which], self._high[which])
        shapes, turns = self._harmonics(self._columns.taken(which).moved(np.exp(at[:, 2])), at)
        _, left, slopes = projected(shapes / self._sigma, turns / self._sigma[:, None], self._wanted)
        return Points(at, left, slopes)

    def _harmonics(self, knees: Knees, at: Floats) -> tuple[Floats, Floats]:
        """h_1..h_K of a unit sine, (n, K), and how they change with each figure, (n, K, 5)."""
        sine, rows = half_period()
        x, rows = sine[: GRID // 2], rows[1 : len(self._wanted) + 1].T
        up, down = rows[: GRID // 2], -rows[: GRID // 2 - 1 : -1]
        law = _Law(at[:, 3:4] * BEND * np.array([1.0, -1.0]), at[:, 4:5] * BEND)
        reach = 10 ** (-at[:, :2] / 20)
        rail, bent = np.maximum(law.at(reach), 0.05), law.at(np.broadcast_to(x, (len(at), 2, len(x))))
        held, by_rail, by_figure = _held(bent, rail, knees)
        # a wave and its rail that grow alike let what is held grow alike: d/dln g + d/dln r is the wave itself
        by_wave = (held - by_rail) / bent
        by_rail = by_rail / rail[:, :, None]
        turns = np.empty((len(at), len(self._wanted), 5))
        along = (-DB * reach * law.slope(reach))[:, :, None] * by_rail
        turns[:, :, 0], turns[:, :, 1] = along[:, 0] @ up, along[:, 1] @ down
        sides = np.array([1.0, -1.0])[:, None]
        of_b = sides * (by_wave * x**2 + by_rail * reach[:, :, None] ** 2) * BEND
        of_c = (by_wave * x**3 + by_rail * reach[:, :, None] ** 3) * BEND
        for place, change in ((2, by_figure), (3, of_b), (4, of_c)):
            turns[:, :, place] = change[:, 0] @ up + change[:, 1] @ down
        return held[:, 0] @ up + held[:, 1] @ down, turns


def behind_own_law(measured: Measured, straight: Phasors, rails: RailFit, rival: float) -> list[Explanation]:
    """Rails behind a law of the stage's own: the best of each kind of knee; none where rails alone are true, or
    the harmonics do not stand on the crest.

    straight : harmonics (K,) from the crest, a coupling taken out. rails : fitted alone, and rival : chi^2 of
    them.
    """
    across = float(np.sum((straight.imag[1:] / measured.sigma[1:]) ** 2))
    power = float(np.sum(np.abs(straight[1:] / measured.sigma[1:]) ** 2))
    if len(straight) < LEAST_ORDERS or across > STRAIGHT_ENOUGH * power:
        return []
    own = [max(depth, 0.05) for depth in rails.overdrive_db]
    starts = [(knee, depth, depth) for knee, depths in STARTS for depth in depths]
    starts += [(knee, own[0], own[1]) for knee in (HARD, *((rails.knee,) if not rails.hard else ()))]
    knees = [knee for knee, *_ in starts]
    problem = _OwnLaws(straight.real, measured.sigma, knees)
    figures = [np.log(knee.sharpness) if knee.free else 0.0 for knee in knees]
    points = np.array([(up, down, figure, 0, 0) for (_, up, down), figure in zip(starts, figures, strict=True)])
    ends = descend(problem.models, points, RULES, rival=rival, alike=2.0 * len(straight))
    best: dict[str, int] = {}
    for place in np.argsort(ends.misfit, kind="stable"):
        best.setdefault(knees[place].kind, int(place))
    # a hard rail that the sine does not reach is none: what is left is a curve
    return [
        _described(measured, straight, ends, place, knees[place], across)
        for kind, place in best.items()
        if kind != "hard" or float(ends.at[place, :2].max()) > LEAST_OVERDRIVE_DB
    ]


def _described(
    measured: Measured, straight: Phasors, ends: Points, place: int, knee: Knee, across: float
) -> Explanation:
    """One end as an explanation. across : chi^2 of what stands across the crest."""
    at, left, orders = ends.at[place], ends.left[place], len(straight)
    figures = 5 + (knee.free is not None)
    chi2 = float(left @ left) + across
    slopes = ends.slopes[place]
    spread = max(chi2 / max(2 * orders - figures, 1), 1.0)
    variance = np.diag(np.linalg.pinv(slopes.T @ slopes, rcond=1e-14)) * spread
    knee = knee.moved(float(np.exp(at[2])))
    overdrive = (float(at[0]), float(at[1]))
    law = float(at[3]) * BEND, float(at[4]) * BEND
    fitted = straight.real - left * measured.sigma
    deviation = np.sqrt(np.maximum(variance[:2], 0))
    rails = RailFit(
        sine_peak=1.0,
        overdrive_db=overdrive,
        knee=knee,
        compression_db=(_held_db(overdrive[0], knee), _held_db(overdrive[1], knee)),
        mean=0.0,
        misfit=float(np.sum((left * measured.sigma) ** 2)),
        misfit_without_rails=measured.power,
        deviation_db=(float(deviation[0]), float(deviation[1])),
        law=law,
    )
    sine, rows = half_period()
    unit = rows[: orders + 1] @ rails.wave(sine)
    size = float(fitted @ unit[1:]) / float(unit[1:] @ unit[1:])
    rails = replace(rails, sine_peak=size, mean=size * float(unit[0]))
    both = np.concatenate([left, straight.imag / measured.sigma])
    return Explanation("rails", "own law", chi2, figures, measured.left_share(both), rails)


def _held(wave: Floats, rail: Floats, knees: Knees) -> tuple[Floats, Floats, Floats]:
    """Halves (n, 2, points) held at rails (n, 2), and how they change with the logarithm of rail and figure."""
    beyond = wave > rail[:, :, None]
    held, by_figure = np.where(beyond, rail[:, :, None], wave), np.zeros_like(wave)
    by_rail = np.where(beyond, held, 0.0)
    for kind, which in ((algebraic, knees.algebraic), (exponential, knees.exponential)):
        if which.any():
            depths, sharpness = -np.log(rail[which]).ravel() / DB, np.repeat(knees.sharpness[which], 2)
            soft = kind(wave[which].reshape(-1, wave.shape[2]), depths, sharpness, True)
            held[which], by_depth, by_figure[which] = (each.reshape(-1, *wave.shape[1:]) for each in soft)
            by_rail[which] = by_depth / -DB
    return held, by_rail, by_figure


def _held_db(overdrive_db: float, knee: Knee) -> float:
    """How far a crest is held down [dB]."""
    return -db_from_ratio(float(held_half(np.ones(1), overdrive_db, knee)[0]))
