"""Rails and the sine behind them, from the harmonics of one capture.

Measured harmonics h_1..h_K are compared with those of the model in `rails`, which makes the fit blind to
everything that is no harmonic (noise, hum, switching residue) and exact for band-limited captures, where a
cut-off crest shows ripples instead of a flat. The wave is linear in the sine's peak, so only the two overdrives
and one figure of the knee are searched (variable projection): a coarse grid, then Levenberg-Marquardt
(Marquardt 1963) from the best of its points.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.descent import Places, Points, Rules, descend, projected
from gainkit.analysis.rails import HARD, LIMITS, Knee, Knees, RailFit, held_half, held_harmonics
from gainkit.analysis.thresholds import LARGEST_OVERDRIVE_DB
from gainkit.levels import db_from_ratio

Floats = NDArray[np.float64]

OTHERS = (
    (5, [Knee("algebraic", s) for s in (1.5, 3.0, 6.0, 14.0)]),
    (5, [Knee("exponential", s) for s in (1.0, 3.0, 8.0)]),
    (9, [Knee(slope=s) for s in (0.1, 0.5)]),
    (9, [Knee(zone=z) for z in (0.01, 0.05)]),
)
"""The other families of knees: harmonics needed (with fewer, the third parameter fits anything), and starts."""

BETTER_SHARE = 0.7
"""Another knee than a hard one must leave less than this share of what a hard rail leaves [-]."""

BETTER_SIGMAS = 3.0
"""... and less by so many standard deviations of the noise [-]."""

DEPTHS_DB = (0.05, 0.3, 1.0, 2.5, 5.0, 9.0)
"""Overdrives of the coarse grid: close enough for the search to reach any between [dB]."""

UNEQUAL_DB = ((1.5, 0.5), (0.5, 1.5), (4.0, 1.5), (1.5, 4.0))
"""... of rails that both hold, one deeper [dB]."""

SOFT_DB = ((-2.0, -2.0), (-6.0, -6.0), (-12.0, -12.0))
"""... of a soft knee long before its rail [dB]."""

STARTS = 3
"""Points of the grid that are refined [-]."""

RULES = Rules(steps=40, tries=8, damping=1e-3, factor=6.0, longest=3.0, settled=1e-10)
"""Of Levenberg-Marquardt; moves are in overdrives [dB] and in the logarithm of the knee's figure [-]."""

LEAST_OVERDRIVE_DB = -40.0
"""Rails further off than this are none [dB]."""

OUT_OF_NOISE = 3.0
"""What an order is missed by stands out of the noise from so many standard deviations on [-]."""

MOST_PULL = 0.95
"""An order's misfit is taken for no more than twenty times what the fit leaves of it: the fundamental's, which
sets the size, would be nothing else [-]."""


def fit_rails(real_harmonics: Floats, noise_peak: Floats) -> RailFit:
    """Fit hard and other rails to h_1..h_K and return the better fit.

    real_harmonics : (K,) signed peak volts with time counted from the crest, K at least 3 [V].
    noise_peak : (K,) standard deviation of each [V].
    Another knee has one more parameter and must pay for it: its misfit has to be lower by more than noise
    would make it.
    """
    hard = _best_of(real_harmonics, [[HARD]], noise_peak)
    noise_power = float(np.mean(noise_peak**2))
    families = [knees for least, knees in OTHERS if len(real_harmonics) >= least]
    if not families or hard.misfit < float(noise_peak @ noise_peak):
        return hard
    other = _best_of(real_harmonics, families, noise_peak, BETTER_SHARE * hard.misfit)
    pays = hard.misfit - other.misfit > BETTER_SIGMAS**2 * noise_power
    return other if pays and other.misfit < BETTER_SHARE * hard.misfit else hard


def _best_of(
    harmonics: Floats, families: list[list[Knee]], noise_peak: Floats, rival: float = np.inf
) -> RailFit:
    """The best fit of some families of knees: of each the best points of a coarse grid, refined.

    rival : what something else leaves [V^2].
    """
    starts: list[tuple[tuple[float, float], Knee]] = []
    for knees in families:
        points, models, powers = _starts(tuple(knees), len(harmonics))
        peaks = models @ harmonics / powers
        misfits = np.sum((harmonics - peaks[:, np.newaxis] * models) ** 2, axis=1)
        starts += [points[place] for place in np.argsort(misfits, kind="stable")[:STARTS]]
    problem = _Problem(harmonics, [knee for _, knee in starts])
    ends = descend(problem.models, problem.points([pair for pair, _ in starts]), RULES, rival=rival)
    return problem.described(ends, int(np.argmin(ends.misfit)), noise_peak)


@lru_cache(maxsize=128)
def _starts(
    knees: tuple[Knee, ...], orders: int
) -> tuple[list[tuple[tuple[float, float], Knee]], Floats, Floats]:
    """The coarse grid, h_1..h_K of its points, (points, orders), and their powers: no capture changes them."""
    points = [(pair, knee) for knee in knees for pair in _grid_of(knee)]
    overdrive_db = np.array([pair for pair, _ in points])
    models = held_harmonics(overdrive_db, Knees.of([knee for _, knee in points]), orders)[:, 1:]
    return points, models, np.sum(models**2, axis=1)


def hard_starts(orders: int) -> tuple[list[tuple[float, float]], Floats]:
    """Overdrives of the coarse grid for hard rails [dB], and h_1..h_K of a unit sine there, (points,
    orders)."""
    points, models, _ = _starts((HARD,), orders)
    return [pair for pair, _ in points], models


def _grid_of(knee: Knee) -> list[tuple[float, float]]:
    """Pairs of overdrives to start from [dB]."""
    hard = knee.kind == "hard"
    far = 0.0 if hard else -6.0  # the side that is not held
    pairs = [(d, d) for d in DEPTHS_DB] + [(d, far) for d in DEPTHS_DB] + [(far, d) for d in DEPTHS_DB]
    return [*pairs, *UNEQUAL_DB, *(() if hard else SOFT_DB)]


class _Problem:
    """The harmonics to explain, and knees (n,) to explain them with.

    A point is (overdrive +, overdrive -, logarithm of the knee's free figure).
    """

    def __init__(self, harmonics: Floats, knees: list[Knee]) -> None:
        self._harmonics, self._knees, self._columns = harmonics, knees, Knees.of(knees)
        limits = [(1.0, 1.0) if knee.free is None else knee.limits for knee in knees]
        low, high = np.log(np.array(limits)).T
        self._low = np.column_stack([np.full((len(knees), 2), LEAST_OVERDRIVE_DB), low])
        self._high = np.column_stack([np.full((len(knees), 2), LARGEST_OVERDRIVE_DB), high])

    def points(self, overdrive_db: list[tuple[float, float]]) -> Floats:
        """Each knee's own figure at these overdrives, (n, 3)."""
        figures = [1.0 if knee.free is None else getattr(knee, knee.free) for knee in self._knees]
        return np.column_stack([np.array(overdrive_db), np.log(figures)])

    def models(self, which: Places, at: Floats) -> Points:
        """The models of some knees, each with the sine's peak that explains most."""
        at = np.clip(at, self._low[which], self._high[which])
        knees = self._columns.taken(which).moved(np.exp(at[:, 2]))
        models, turns = held_harmonics(at[:, :2], knees, len(self._harmonics), slopes=True)
        _, left, slopes = projected(models[:, 1:], turns[:, 1:], self._harmonics)
        return Points(at, left, slopes)

    def described(self, ends: Points, place: int, noise_peak: Floats) -> RailFit:
        """A fit in terms of volts and decibels, with the uncertainty that noise and misfit leave."""
        point, family = ends.at[place], self._knees[place]
        knee = family.moved(float(np.exp(point[2])))
        unknowns = 2 if family.free is None else 3
        slopes = ends.slopes[place][:, :unknowns]
        deviation = _deviation(self._harmonics, ends.left[place], slopes, noise_peak)
        positive_db, negative_db = float(point[0]), float(point[1])
        model = held_harmonics(point[np.newaxis, :2], Knees.of([knee]), len(self._harmonics))[0]
        peak = float(model[1:] @ self._harmonics) / float(model[1:] @ model[1:])
        return RailFit(
            sine_peak=peak,
            overdrive_db=(positive_db, negative_db),
            knee=knee,
            compression_db=(_compression_db(positive_db, knee), _compression_db(negative_db, knee)),
            mean=peak * float(model[0]),
            misfit=float(ends.misfit[place]),
            misfit_without_rails=_misfit_without_rails(self._harmonics, knee),
            deviation_db=(float(deviation[0]), float(deviation[1])),
        )


def _deviation(harmonics: Floats, left: Floats, slopes: Floats, noise_peak: Floats) -> Floats:
    """Standard deviations of the two overdrives [dB], the larger of two readings of the misfit: as noise, alike
    on all orders; and each order's own, where it stands out of the noise, as much larger as the fit's pull on
    that order hides it (HC3 of MacKinnon and White, J. Econometrics 29, 1985). A curve before the rail sits in
    two or three orders, which are those that tell the overdrive.
    """
    spare = max(len(harmonics) - slopes.shape[1] - 1, 1)
    variance = max(float(left @ left) / spare, float(np.mean(noise_peak**2)))
    even = np.diag(np.linalg.pinv(slopes.T @ slopes, rcond=1e-12)) * variance
    jacobian = np.column_stack([slopes, harmonics - left])
    inverse = np.linalg.pinv(jacobian, rcond=1e-10)
    hidden = np.minimum(np.einsum("ij,ji->i", jacobian, inverse), MOST_PULL)
    beyond_noise = np.maximum(left**2 - OUT_OF_NOISE**2 * noise_peak**2, 0.0)
    own = inverse**2 @ np.maximum(beyond_noise / (1 - hidden) ** 2, noise_peak**2)
    return np.asarray(np.sqrt(np.maximum(np.maximum(even, 0.0)[:2], own[:2])))


def _compression_db(overdrive_db: float, knee: Knee) -> float:
    """How far a crest is held down [dB]."""
    return -db_from_ratio(float(held_half(np.ones(1), overdrive_db, knee)[0]))


def _misfit_without_rails(harmonics: Floats, knee: Knee) -> float:
    """What is left of harmonics with a knee's dead zone, if any, as large as it likes but no rail [V^2]."""
    if not knee.zone:
        return float(harmonics[1:] @ harmonics[1:])
    zones = np.geomspace(knee.zone / 4, min(4 * knee.zone, LIMITS["zone"][1]), 33)
    knees = Knees.of([replace(knee, zone=float(zone)) for zone in zones])
    nowhere = np.full((len(zones), 2), -200.0)
    models = held_harmonics(nowhere, knees, len(harmonics))[:, 1:]
    gains = models @ harmonics / np.sum(models**2, axis=1)
    return float(np.min(np.sum((harmonics - gains[:, np.newaxis] * models) ** 2, axis=1)))
