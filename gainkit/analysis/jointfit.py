"""Rails and what the wave went through after them, fitted together: filters, and causes that look like rails.

A rail makes harmonics that are real when time is counted from the crest; a filter behind it (a coupling, a tone
control, a low-pass) turns and weighs each. Both are fitted to all harmonics, magnitude and phase. Slew
limiting and a core that saturates are candidates too: a triangle is a square wave behind a low-pass, nearly.
Which explanation holds is told by Schwarz's criterion (Ann. Statist. 6, 1978), chi^2 + p ln n; those that fit
alike are all kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.descent import Places, Points, Rules, descend, projected
from gainkit.analysis.filters import FILTERS, MOST_FIGURES, FilterFamily, Sections
from gainkit.analysis.rails import HARD, MOST_ORDERS, Knee, Knees, RailFit, harmonics_of, held_harmonics
from gainkit.analysis.railsearch import hard_starts

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

Cause = Literal["rails", "coupling", "filter", "slew", "saturation", "curve"]

FLOOR_SHARE = 0.0007
"""A model is not asked to be truer than this share of all distortion: amplifiers have some of their own [-]."""

PLAIN_CURVE = 5
"""Figures of the plainest curve: its size, and orders 2 and 3 [-]."""

STARTS = 3
"""Points of each filter's grid that are refined [-]."""

LEAVES = 0.02
"""What is no rail alone must leave less than this share of the harmonics' power [-]: with so many free figures
filters, slew limits and cores come near to any wave."""

CORE_LEAVES = 0.005
"""... and a core or a resonance less than this: curves of many kinds come near to them [-]."""

RESONANT = frozenset({"band", "bell"})
"""Filters that turn single harmonics about, whatever made them."""

RULES = Rules(steps=25, tries=5, damping=1e-2, factor=6.0, longest=1.0, settled=1e-6)

DEPTHS_DB = (-20.0, 40.0)
"""Between which overdrives rails are searched [dB]."""


@dataclass(frozen=True)
class Explanation:
    """One way to make the harmonics that were measured.

    chi2 : misfit over what noise and other distortion make [-]; figures : how many it was fitted with.
    left_share : of the harmonics' power that it leaves [-]. rails : None where there is none. values : what is
    told of it, in units of the tone.
    """

    cause: Cause
    name: str
    chi2: float
    figures: int
    left_share: float
    rails: RailFit | None = None
    values: dict[str, float] | None = None

    def criterion(self, orders: int, scale: float) -> float:
        """Schwarz's, with chi^2 over what the best explanation leaves."""
        return self.chi2 / scale + self.figures * float(np.log(2 * orders))


class Measured:
    """Harmonics (K,) from the crest, with the standard deviation of each part, (K,) [V peak]."""

    def __init__(self, relative: Phasors, noise_peak: Floats) -> None:
        self.relative = relative
        self.orders = np.arange(1.0, len(relative) + 1)
        self.power = float(np.sum(np.abs(relative[1:]) ** 2))
        floor = FLOOR_SHARE * np.sqrt(self.power)
        self.sigma = np.sqrt(noise_peak**2 / 2 + floor**2)

    def scaled(self, model: Phasors) -> tuple[float, Floats]:
        """The size with which a model (K,) fits best [V], and what it leaves over sigma, real and imaginary."""
        size = float(np.real(np.vdot(model / self.sigma, self.relative / self.sigma)))
        size /= max(float(np.sum(np.abs(model / self.sigma) ** 2)), 1e-300)
        left = (self.relative - size * model) / self.sigma
        return size, np.concatenate([left.real, left.imag])

    def left_share(self, left: Floats) -> float:
        """Of the harmonics' power [-]; the fundamental's own misfit, which the size takes up, included."""
        count = len(self.relative)
        own = (left[:count] ** 2 + left[count:] ** 2) * self.sigma**2
        return float(own.sum()) / max(self.power, 1e-300)


def _plain(measured: Measured, rails: RailFit, straight: Phasors, corner: float) -> Explanation:
    """Rails alone, or behind a first-order coupling that was taken out before, as an explanation."""
    figures = 3 + (rails.knee.free is not None) + (corner > 0)
    model = harmonics_of(*rails.overdrive_db, rails.knee, len(straight))[1:] * rails.sine_peak
    left = (straight - model) / measured.sigma
    left = np.concatenate([left.real, left.imag])
    cause: Cause = "coupling" if corner > 0 else "rails"
    return Explanation(cause, "plain", float(left @ left), figures, measured.left_share(left), rails)


def explanations(measured: Measured, rails: RailFit, straight: Phasors, corner: float) -> list[Explanation]:
    """Rails alone; then filters behind hard rails, slew limits, a mere curve, saturation, if they leave little.

    rails : fitted to the harmonics straight (K,), from which a coupling of this corner was taken out.
    """
    alone = _plain(measured, rails, straight, corner)
    filtered = [alone, *_filtered(measured, alone.chi2)]
    others = [each for each in (_slewed(measured), *_curved(measured)) if each.left_share < LEAVES]
    core = _saturated(measured)
    return [*filtered, *others, core] if core.left_share < CORE_LEAVES else [*filtered, *others]


def _curved(measured: Measured) -> list[Explanation]:
    """No rail: some low orders as large and at whatever phase they like, of the others none, or those of a
    curve.

    A smooth curve makes such a wave, before or behind a filter: of orders 2 and 3 a square and a cube law, of
    orders to 5 their next, u |u| beside them a square law that is alike on both sides. So little tells no rail
    behind a filter, either.
    """
    return [
        _of_low_orders(measured, 3, None),
        _of_low_orders(measured, 5, None),
        _of_low_orders(measured, 3, _odd_square(len(measured.orders))),
    ]


def _of_low_orders(measured: Measured, free: int, beyond: Floats | None) -> Explanation:
    """Orders to `free` as they are; those beyond in the ratio of (K,), or none."""
    model = measured.relative.copy()
    model[free:] = 0
    figures = 1 + 2 * (free - 1)
    if beyond is not None and len(model) > free:
        weighed = beyond[free:] / measured.sigma[free:] ** 2
        power = float(weighed @ beyond[free:])
        model[free:] = beyond[free:] * (float(weighed @ measured.relative[free:].real) / max(power, 1e-300))
        figures += 1
    _, left = measured.scaled(model)
    return Explanation("curve", "curve", float(left @ left), figures, measured.left_share(left))


@lru_cache(maxsize=8)
def _odd_square(orders: int) -> Floats:
    """Harmonics 1.. of cos |cos| (orders,): 8 (-1)^((k-1)/2) / (pi k (4 - k^2)), odd k (its series)."""
    k = np.arange(1.0, orders + 1)
    odd = k % 2 == 1
    return np.where(odd, 8 * (-1.0) ** ((k - 1) // 2) / (np.pi * k * np.where(odd, 4 - k**2, 1.0)), 0.0)


# ---- filters behind hard rails -----------------------------------------------------------------------------


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
        points.append(np.hstack([np.tile(pairs, (len(grid), 1)), np.repeat(logarithms, len(pairs), axis=0)]))
    return points, models


class _Behind:
    """Filters behind hard rails, to explain the harmonics measured. families : of each start, (n,).

    A point is (overdrive +, overdrive -, logarithms of the filter's figures), zeros where a filter has fewer.
    """

    def __init__(self, measured: Measured, families: list[FilterFamily]) -> None:
        self._orders, self._twice = measured.orders, np.concatenate([measured.sigma] * 2)
        self._wanted = np.concatenate([measured.relative.real, measured.relative.imag]) / self._twice
        self._sections, self._hard = Sections.of(families), Knees.of([HARD] * len(families))
        limits = np.zeros((len(families), 2 + MOST_FIGURES, 2))
        limits[:, :2] = DEPTHS_DB
        for row, family in zip(limits, families, strict=True):
            row[2 : 2 + len(family.limits)] = np.log(family.limits)
        self._low, self._high = limits[:, :, 0], limits[:, :, 1]

    def models(self, which: Places, at: Floats) -> Points:
        """The models of some starts, in the size that fits best; what they leave is in standard deviations."""
        at = np.clip(at, self._low[which], self._high[which])
        hard = self._hard.taken(which)
        shapes, turns = held_harmonics(at[:, :2], hard, len(self._orders), slopes=True)
        filters, bends = self._sections.taken(which).responses(at[:, 2:], self._orders)
        models = filters * shapes[:, 1:]
        changes = np.concatenate(
            [filters[:, :, None] * turns[:, 1:, :2], (bends * shapes[:, None, 1:]).transpose(0, 2, 1)], axis=2
        )
        _, left, slopes = projected(
            np.concatenate([models.real, models.imag], axis=1) / self._twice,
            np.concatenate([changes.real, changes.imag], axis=1) / self._twice[:, None],
            self._wanted,
        )
        return Points(at, left, slopes)


def _filtered(measured: Measured, rival: float) -> list[Explanation]:
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
    behind = _Behind(measured, families)
    ends = descend(behind.models, np.array(starts), RULES, rival=rival, alike=2.0 * orders)
    best = np.argmin(ends.misfit.reshape(-1, STARTS), axis=1) + STARTS * np.arange(len(FILTERS))
    slopes = ends.slopes[best]
    covariances = np.linalg.pinv(np.matmul(slopes.transpose(0, 2, 1), slopes), rcond=1e-14)
    return [
        _described(measured, family, ends.at[place], ends.left[place], np.diag(covariance))
        for family, place, covariance in zip(FILTERS, best, covariances, strict=True)
        if measured.left_share(ends.left[place]) < (CORE_LEAVES if family.name in RESONANT else LEAVES)
    ]


def _described(
    measured: Measured, family: FilterFamily, point: Floats, left: Floats, variance: Floats
) -> Explanation:
    """variance : of each figure, for noise of a standard deviation of one (P,)."""
    orders, figures = len(measured.orders), 2 + len(family.names)
    overdrive, values = (float(point[0]), float(point[1])), np.exp(point[2:figures])
    response, _ = Sections.of([family]).responses(point[np.newaxis, 2:], measured.orders)
    size, _ = measured.scaled(response[0] * harmonics_of(*overdrive, HARD, orders)[1:])
    chi2 = float(left @ left)
    deviation = np.sqrt(np.maximum(variance, 0) * max(chi2 / max(2 * orders - figures - 1, 1), 1.0))
    rails = RailFit(
        sine_peak=size,
        overdrive_db=overdrive,
        knee=HARD,
        compression_db=(max(overdrive[0], 0.0), max(overdrive[1], 0.0)),
        mean=0.0,
        misfit=measured.left_share(left) * measured.power,
        misfit_without_rails=measured.power,
        deviation_db=(float(deviation[0]), float(deviation[1])),
        behind=family.name,
    )
    named = dict(zip(family.names, values.tolist(), strict=True))
    share = measured.left_share(left)
    return Explanation(family.cause, family.name, chi2, figures + 1, share, rails, named)


# ---- slew limiting -----------------------------------------------------------------------------------------

SLEW_SHARES = tuple(np.concatenate([np.linspace(0.08, 0.6, 27), np.linspace(0.61, 0.995, 78)]).tolist())
"""Steepest slope over that of the sine behind: the table of shapes [-]."""

SLEW_POINTS = 1024


@lru_cache(maxsize=1)
def _slew_shapes() -> Phasors:
    """Harmonics 1..40 from the crest of a sine of peak 1 behind a slew limit, for each share: (shares, 40).

    While it slews the output runs straight, at share x w; once it meets the sine it follows. Below a share of
    0.537 it never meets it: a triangle.
    """
    theta = 2 * np.pi * np.arange(SLEW_POINTS) / SLEW_POINTS
    sine, out = np.sin(theta), np.zeros((len(SLEW_SHARES), SLEW_POINTS))
    step = np.array(SLEW_SHARES) * 2 * np.pi / SLEW_POINTS
    at = np.zeros(len(SLEW_SHARES))
    for turn in range(4):
        for place in range(SLEW_POINTS):
            at = at + np.clip(sine[place] - at, -step, step)
            if turn == 3:
                out[:, place] = at
    phasors = np.fft.rfft(out, axis=1)[:, 1:41] * (2 / SLEW_POINTS)
    turned = np.exp(-1j * np.multiply.outer(np.angle(phasors[:, 0]), np.arange(1, 41)))
    return np.asarray(phasors * turned)


def _slewed(measured: Measured) -> Explanation:
    """Slew limiting, the same upwards and downwards: one figure, by a parabola between the table's shapes."""
    shapes = _slew_shapes()[:, : len(measured.orders)]
    wanted = measured.relative / measured.sigma

    def nearest(of: Phasors) -> int:
        weighed = of / measured.sigma
        return int(np.argmax(np.real(np.conj(weighed) @ wanted) ** 2 / np.sum(np.abs(weighed) ** 2, axis=1)))

    place = min(max(nearest(shapes), 1), len(shapes) - 2)
    between = np.linspace(-1, 1, 41)
    weight, other = np.abs(between), np.where(between > 0, place + 1, place - 1)
    models = (1 - weight)[:, None] * shapes[place] + weight[:, None] * shapes[other]
    shares = (1 - weight) * SLEW_SHARES[place] + weight * np.array(SLEW_SHARES)[other]
    best = nearest(models)
    (size, left), share = measured.scaled(models[best]), float(shares[best])
    chi2 = float(left @ left)
    # the steepest slope is that of the limit: share times w times the peak of the sine behind
    return Explanation(
        "slew", "slew", chi2, 2, measured.left_share(left), None, {"slope": share * size, "share": share}
    )


# ---- saturation --------------------------------------------------------------------------------------------

SATURATION_KNEES = tuple(Knee("exponential", s) for s in (0.9, 1.0, 1.3, 1.8, 2.5)) + tuple(
    Knee("algebraic", s) for s in (1.0, 1.5, 2.5)
)
SATURATION_DB = tuple(np.linspace(-16.0, 10.0, 105).tolist())


@lru_cache(maxsize=1)
def _saturation_shapes() -> Floats:
    """(knees, overdrives, 40): k h_k of a flux that is held: the voltage is its slope."""
    weights = np.arange(1, MOST_ORDERS + 1)
    depths = np.column_stack([SATURATION_DB, SATURATION_DB])
    columns = [Knees.of([knee] * len(depths)) for knee in SATURATION_KNEES]
    return np.array([held_harmonics(depths, knees, MOST_ORDERS)[:, 1:] * weights for knees in columns])


def _saturated(measured: Measured) -> Explanation:
    """A core whose flux nears its limit: the integral of the wave is a sine held at a soft knee.

    From the crest of the voltage the flux is at zero; its harmonics, a quarter turn later, alternate in sign.
    """
    orders = len(measured.orders)
    shapes = _saturation_shapes()[:, :, :orders]
    # flux h_k cos(k t), its slope -k h_k sin(k t); counted from the slope's crest, t = u - pi/2 (k odd)
    k = np.arange(1, orders + 1)
    turned = shapes * np.real(1j ** (k - 1.0) * np.where(k % 2 == 1, 1, 0))
    flat = turned.reshape(-1, orders)
    weighed, wanted = flat / measured.sigma, measured.relative / measured.sigma
    match = np.real(weighed @ wanted) ** 2 / np.maximum(np.sum(weighed**2, axis=1), 1e-300)
    place = int(np.argmax(match))
    _, left = measured.scaled(flat[place].astype(np.complex128))
    depth = SATURATION_DB[place % len(SATURATION_DB)]
    return Explanation(
        "saturation", "saturation", float(left @ left), 3, measured.left_share(left), None, {"depth_db": depth}
    )


def tone_units(one: Explanation, tone_hz: float) -> Explanation:
    """The same with corners in hertz."""
    if not one.values:
        return one
    corners = ("corner", "low", "high", "zero", "pole", "centre")
    return replace(one, values={n: v * tone_hz if n in corners else v for n, v in one.values.items()})
