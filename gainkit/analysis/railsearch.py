"""Rails and the sine behind them, from the harmonics of one capture.

Measured harmonics h_1..h_K are compared with those of the model in `rails`, which makes the fit blind to
everything that is no harmonic (noise, hum, switching residue) and exact for band-limited captures, where a
cut-off crest shows ripples instead of a flat. The wave is linear in the sine's peak, so only the two overdrives
and one figure of the knee are searched (variable projection): a coarse grid, then Levenberg-Marquardt
(Marquardt 1963) from the best of its points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.rails import HARD, LIMITS, Knee, RailFit, harmonics_of, held_half
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

STEPS, TRIES = 40, 8
"""Of Levenberg-Marquardt: moves at most, and shorter and shorter trials for each [-]."""

DAMPING, DAMPING_FACTOR = 1e-3, 6.0
"""Damping at the start, and by what it grows or shrinks [-]."""

NUDGE = 1e-5
"""For the slopes, by differences [dB], and in the logarithm of the knee's figure [-]."""

LONGEST_MOVE = 3.0
"""A trial moves no overdrive further [dB], nor the logarithm of the knee's figure [-]."""

LEAST_OVERDRIVE_DB = -40.0
"""Rails further off than this are none [dB]."""

OUT_OF_NOISE = 3.0
"""What an order is missed by stands out of the noise from so many standard deviations on [-]."""

MOST_PULL = 0.95
"""An order's misfit is taken for no more than twenty times what the fit leaves of it: the fundamental's, which
sets the size, would be nothing else [-]."""

SETTLED_SHARE = 1e-10
"""A move that lowers the misfit by less than this share of it is the last [-]."""


def fit_rails(real_harmonics: Floats, noise_peak: Floats) -> RailFit:
    """Fit hard and other rails to h_1..h_K and return the better fit.

    real_harmonics : (K,) signed peak volts with time counted from the crest, K at least 3 [V].
    noise_peak : (K,) standard deviation of each [V].
    Another knee has one more parameter and must pay for it: its misfit has to be lower by more than noise
    would make it.
    """
    hard = _best_of(real_harmonics, [HARD], noise_peak)
    noise_power = float(np.mean(noise_peak**2))
    families = [knees for least, knees in OTHERS if len(real_harmonics) >= least]
    if not families or hard.misfit < float(noise_peak @ noise_peak):
        return hard
    fits = [_best_of(real_harmonics, knees, noise_peak) for knees in families]
    other = min(fits, key=lambda fit: fit.misfit)
    pays = hard.misfit - other.misfit > BETTER_SIGMAS**2 * noise_power
    return other if pays and other.misfit < BETTER_SHARE * hard.misfit else hard


def _best_of(harmonics: Floats, knees: list[Knee], noise_peak: Floats) -> RailFit:
    """The best fit of one family of knees: from a coarse grid over overdrives and starts, refined."""
    points, models, powers = _starts(tuple(knees), len(harmonics))
    peaks = models @ harmonics / powers
    misfits = np.sum((harmonics - peaks[:, np.newaxis] * models) ** 2, axis=1)
    best = [points[place] for place in np.argsort(misfits, kind="stable")[:STARTS]]
    fits = [_refine(harmonics, pair, knee, noise_peak) for pair, knee in best]
    return min(fits, key=lambda fit: fit.misfit)


@lru_cache(maxsize=128)
def _starts(
    knees: tuple[Knee, ...], orders: int
) -> tuple[list[tuple[tuple[float, float], Knee]], Floats, Floats]:
    """The coarse grid, h_1..h_K of its points, (points, orders), and their powers: no capture changes them."""
    points = [(pair, knee) for knee in knees for pair in _grid_of(knee)]
    models = np.array([harmonics_of(*pair, knee, orders)[1:] for pair, knee in points])
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


def _misfit_at(harmonics: Floats, overdrive_db: tuple[float, float], knee: Knee) -> float:
    """What the best sine behind such rails leaves of the harmonics [V^2]."""
    return _misfit_of(harmonics, harmonics_of(*overdrive_db, knee, len(harmonics))[1:])


def _misfit_of(harmonics: Floats, model: Floats) -> float:
    """What a model of free size leaves of the harmonics, sum of squares [V^2]; both (K,)."""
    gain = float(model @ harmonics) / float(model @ model)
    return float(np.sum((harmonics - gain * model) ** 2))


@dataclass(frozen=True)
class _Trial:
    """The model at one point: (overdrive +, overdrive -, logarithm of the knee's free figure).

    left : (K,) harmonics that it does not explain [V]; mean : of its wave [V].
    """

    point: Floats
    sine_peak: float
    left: Floats
    mean: float

    @property
    def misfit(self) -> float:
        """Sum of squares left [V^2]."""
        return float(self.left @ self.left)


@dataclass(frozen=True)
class _Problem:
    """The harmonics to explain and the family of knees to explain them with."""

    harmonics: Floats
    family: Knee

    @property
    def unknowns(self) -> int:
        """Figures that are searched."""
        return 2 if self.family.free is None else 3

    def start(self, overdrive_db: tuple[float, float]) -> _Trial:
        """The family's own knee at these overdrives."""
        figure = 1.0 if self.family.free is None else getattr(self.family, self.family.free)
        return self.at(np.array([*overdrive_db, np.log(figure)]))

    def knee_at(self, point: Floats) -> Knee:
        return self.family.moved(float(np.exp(point[2])))

    def at(self, point: Floats) -> _Trial:
        """The model at a point, with the sine's peak that explains most."""
        model = harmonics_of(point[0], point[1], self.knee_at(point), len(self.harmonics))
        peak = float(model[1:] @ self.harmonics) / float(model[1:] @ model[1:])
        return _Trial(point, peak, self.harmonics - peak * model[1:], peak * model[0])

    def moved(self, point: Floats, shift: Floats) -> _Trial:
        """The model after a move, kept where its figures mean something."""
        point = point.copy()
        point[: self.unknowns] += np.clip(shift, -LONGEST_MOVE, LONGEST_MOVE)
        point[:2] = np.clip(point[:2], LEAST_OVERDRIVE_DB, LARGEST_OVERDRIVE_DB)
        if self.family.free is not None:
            point[2] = np.clip(point[2], *np.log(self.family.limits))
        return self.at(point)

    def slopes(self, trial: _Trial) -> Floats:
        """(K, unknowns) how what is left changes with each figure, by differences."""
        columns = np.empty((len(self.harmonics), self.unknowns))
        for column in range(self.unknowns):
            nudge = NUDGE if column < 2 else -NUDGE  # a knee at its hardest can only soften
            nudged = trial.point.copy()
            nudged[column] += nudge
            columns[:, column] = (self.at(nudged).left - trial.left) / nudge
        return columns


def _refine(harmonics: Floats, start: tuple[float, float], knee: Knee, noise_peak: Floats) -> RailFit:
    """Levenberg-Marquardt from one start: slopes, the best damped move, until nothing gets better."""
    problem = _Problem(harmonics, knee)
    best, damping = problem.start(start), DAMPING
    for _ in range(STEPS):
        slopes = problem.slopes(best)
        better, damping = _damped_move(problem, best, slopes, damping)
        if better is None:
            break
        settled = best.misfit - better.misfit < SETTLED_SHARE * best.misfit
        best = better
        if settled:
            break
    return _described(problem, best, slopes, noise_peak)


def _damped_move(
    problem: _Problem, best: _Trial, slopes: Floats, damping: float
) -> tuple[_Trial | None, float]:
    """A trial that leaves less than the best so far, and the next damping; None where none of them does."""
    normal, gradient = slopes.T @ slopes, slopes.T @ best.left
    for _ in range(TRIES):
        damped = normal + damping * np.diag(np.diag(normal)) + 1e-30 * np.eye(problem.unknowns)
        shift: Floats = np.asarray(np.linalg.lstsq(damped, -gradient, rcond=None)[0])
        trial = problem.moved(best.point, shift)
        if trial.misfit < best.misfit:
            return trial, damping / DAMPING_FACTOR
        damping *= DAMPING_FACTOR
    return None, damping


def _described(problem: _Problem, best: _Trial, slopes: Floats, noise_peak: Floats) -> RailFit:
    """The fit in terms of volts and decibels, with the uncertainty that noise and misfit leave."""
    knee = problem.knee_at(best.point)
    deviation = _deviation(problem, best, slopes, noise_peak)
    positive_db, negative_db = float(best.point[0]), float(best.point[1])
    return RailFit(
        sine_peak=best.sine_peak,
        overdrive_db=(positive_db, negative_db),
        knee=knee,
        compression_db=(_compression_db(positive_db, knee), _compression_db(negative_db, knee)),
        mean=best.mean,
        misfit=best.misfit,
        misfit_without_rails=_misfit_without_rails(problem.harmonics, knee),
        deviation_db=(float(deviation[0]), float(deviation[1])),
    )


def _deviation(problem: _Problem, best: _Trial, slopes: Floats, noise_peak: Floats) -> Floats:
    """Standard deviations of the two overdrives [dB], the larger of two readings of the misfit: as noise, alike
    on all orders; and each order's own, where it stands out of the noise, as much larger as the fit's pull on
    that order hides it (HC3 of MacKinnon and White, J. Econometrics 29, 1985). A curve before the rail sits in
    two or three orders, which are those that tell the overdrive.
    """
    spare = max(len(problem.harmonics) - problem.unknowns - 1, 1)
    variance = max(best.misfit / spare, float(np.mean(noise_peak**2)))
    even = np.diag(np.linalg.pinv(slopes.T @ slopes, rcond=1e-12)) * variance
    model = problem.harmonics - best.left
    jacobian = np.column_stack([slopes, model])
    inverse = np.linalg.pinv(jacobian, rcond=1e-10)
    hidden = np.minimum(np.einsum("ij,ji->i", jacobian, inverse), MOST_PULL)
    beyond_noise = np.maximum(best.left**2 - OUT_OF_NOISE**2 * noise_peak**2, 0.0)
    own = inverse**2 @ np.maximum(beyond_noise / (1 - hidden) ** 2, noise_peak**2)
    return np.asarray(np.sqrt(np.maximum(np.maximum(even, 0.0)[:2], own[:2])))


def _compression_db(overdrive_db: float, knee: Knee) -> float:
    """How far a crest is held down [dB]."""
    return -db_from_ratio(float(held_half(np.ones(1), overdrive_db, knee)[0]))


def _misfit_without_rails(harmonics: Floats, knee: Knee) -> float:
    """What is left of harmonics with a knee's dead zone, if any, as large as it likes but no rail [V^2]."""
    if not knee.zone:
        return float(harmonics[1:] @ harmonics[1:])
    nowhere = (-200.0, -200.0)
    zones = np.geomspace(knee.zone / 4, min(4 * knee.zone, LIMITS["zone"][1]), 33)
    return min(_misfit_at(harmonics, nowhere, replace(knee, zone=float(zone))) for zone in zones)
