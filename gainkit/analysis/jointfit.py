"""Rails and what the wave went through after them, fitted together: filters, and causes that look like rails.

A rail makes harmonics that are real when time is counted from the crest; a filter behind it (a coupling, a tone
control, a low-pass) turns and weighs each. Both are fitted to all harmonics, magnitude and phase. Slew
limiting and a core that saturates are candidates too: a triangle is a square wave behind a low-pass, nearly.
Which explanation holds is told by Schwarz's criterion (Ann. Statist. 6, 1978), chi^2 + p ln n; those that fit
alike are all kept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.rails import HARD, Knee, RailFit, harmonics_of
from gainkit.analysis.railsearch import hard_starts

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

Cause = Literal["rails", "coupling", "filter", "slew", "saturation", "curve"]

FLOOR_SHARE = 0.0007
"""A model is not asked to be truer than this share of all distortion: amplifiers have some of their own [-]."""

ALIKE = 10.0
"""Explanations whose criterion differs by less fit alike: odds of 150 to 1 (Kass and Raftery 1995, 'very
strong' from there on, from memory) [-]."""

LEAST_JOINT_ORDERS = 7
"""Orders without which a filter could be anything [-]."""

STEPS, NUDGE, LONGEST_MOVE = 25, 1e-5, 1.0
STARTS = 2


def _first_high(s: Phasors, c: float) -> Phasors:
    return np.asarray(s / (s + c))


def _second_high(s: Phasors, c: float, q: float) -> Phasors:
    return np.asarray(s * s / (s * s + s * c / q + c * c))


def _first_low(s: Phasors, d: float) -> Phasors:
    return np.asarray(1 / (1 + s / d))


def _second_low(s: Phasors, d: float, q: float) -> Phasors:
    return np.asarray(1 / (1 + s / (d * q) + (s / d) ** 2))


def _fourth_low(s: Phasors, d: float) -> Phasors:
    return _second_low(s, d, 0.5**0.5) ** 2


def _shelf(s: Phasors, zero: float, pole: float) -> Phasors:
    return np.asarray((1 + s / zero) / (1 + s / pole))


def _band(s: Phasors, c: float, d: float) -> Phasors:
    return _first_high(s, c) * _first_low(s, d)


def _bell(s: Phasors, centre: float, q: float, gain: float) -> Phasors:
    w = s / centre
    return np.asarray((1 + w * gain / q + w * w) / (1 + w / q + w * w))


@dataclass(frozen=True)
class Filter:
    """A family of responses. grids : starts of each of its figures, corners in units of the tone; names : of
    them.

    limits : between which each is kept.
    """

    name: str
    cause: Cause
    response: Callable[..., Phasors]
    names: tuple[str, ...]
    grids: tuple[tuple[float, ...], ...]
    limits: tuple[tuple[float, float], ...]

    def at(self, orders: Floats, figures: Floats) -> Phasors:
        """The response at multiples of the tone, phase turned so that order 1 stays at its crest, (K,)."""
        h = self.response(1j * orders, *figures)
        return np.asarray(h * np.exp(-1j * orders * np.angle(h[0])) / np.abs(h[0]))


_LOW, _HIGH, _Q = (0.02, 0.1, 0.25, 0.5, 0.8, 1.1), (0.7, 1.5, 2.5, 4.0, 7.0, 12.0), (0.5, 0.75, 1.2)
FILTERS = (
    Filter("high-pass 1", "coupling", _first_high, ("corner",), (_LOW,), ((1e-3, 5.0),)),
    Filter("high-pass 2", "coupling", _second_high, ("corner", "q"), (_LOW, _Q), ((1e-3, 3.0), (0.3, 3.0))),
    Filter("low-pass 1", "filter", _first_low, ("corner",), (_HIGH,), ((0.3, 100.0),)),
    Filter("low-pass 2", "filter", _second_low, ("corner", "q"), (_HIGH, _Q), ((0.5, 100.0), (0.3, 3.0))),
    Filter("low-pass 4", "filter", _fourth_low, ("corner",), (_HIGH,), ((0.7, 100.0),)),
    Filter(
        "shelf", "filter", _shelf, ("zero", "pole"), ((0.4, 1.0, 2.0, 4.0, 8.0, 16.0),) * 2,
        ((0.02, 200.0), (0.02, 200.0)),
    ),
    Filter("band", "filter", _band, ("low", "high"), (_LOW, _HIGH), ((1e-3, 3.0), (0.3, 100.0))),
    Filter(
        "bell", "filter", _bell, ("centre", "q", "gain"), ((0.5, 1.0, 2.0, 5.0), (0.7, 2.0), (0.5, 2.0)),
        ((0.1, 20.0), (0.3, 8.0), (0.1, 10.0)),
    ),
)  # fmt: skip


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


def plain(measured: Measured, rails: RailFit, straight: Phasors, corner: float, figures: int) -> Explanation:
    """Rails alone, or behind a first-order coupling that was taken out before, as an explanation."""
    model = harmonics_of(*rails.overdrive_db, rails.knee, len(straight))[1:] * rails.sine_peak
    left = (straight - model) / measured.sigma
    left = np.concatenate([left.real, left.imag])
    cause: Cause = "coupling" if corner > 0 else "rails"
    return Explanation(cause, "plain", float(left @ left), figures, measured.left_share(left), rails)


def explanations(measured: Measured) -> list[Explanation]:
    """Filters behind hard rails, where there are orders enough to tell; slew limiting, saturation, a mere
    curve."""
    enough = len(measured.relative) >= LEAST_JOINT_ORDERS
    found = [_filtered(measured, family) for family in FILTERS] if enough else []
    return [*found, _slewed(measured), _saturated(measured), _curved(measured)]


def ranked(of: list[Explanation], orders: int) -> tuple[Explanation, list[float]]:
    """The best explanation, and by how much the criterion of each is worse."""
    scale = max(min(one.chi2 / max(2 * orders - one.figures, 1) for one in of), 1.0)
    worse = [one.criterion(orders, scale) for one in of]
    best = min(worse)
    return of[worse.index(best)], [each - best for each in worse]


def _curved(measured: Measured) -> Explanation:
    """No rail, and of harmonics only orders 2 and 3, as large and at whatever phase they like.

    A smooth curve makes such a wave, before or behind a filter; and so little tells no rail behind a filter,
    either.
    """
    model = measured.relative.copy()
    model[3:] = 0
    _, left = measured.scaled(model)
    return Explanation("curve", "curve", float(left @ left), 5, measured.left_share(left))


# ---- filters behind hard rails -----------------------------------------------------------------------------


def _filtered(measured: Measured, family: Filter) -> Explanation:
    """The best filter of a family behind hard rails: a grid over everything, then Levenberg-Marquardt."""
    orders = measured.orders
    pairs, shapes = hard_starts(len(orders))
    figures = np.stack([g.ravel() for g in np.meshgrid(*family.grids, indexing="ij")], axis=1)
    responses = np.array([family.at(orders, row) for row in figures])
    models = (responses[:, None, :] * shapes[None, :, :]) / measured.sigma
    wanted = measured.relative / measured.sigma
    match = np.real(np.conj(models) @ wanted) / np.sqrt(np.sum(np.abs(models) ** 2, axis=2))
    best: tuple[float, Floats, Floats] | None = None
    for place in np.argsort(-match, axis=None)[:STARTS]:
        row, column = np.unravel_index(place, match.shape)
        start = np.concatenate([pairs[int(column)], np.log(figures[int(row)])])
        trial = _refined(measured, family, start)
        if best is None or trial[0] < best[0]:
            best = trial
    assert best is not None
    chi2, point, left = best
    return _described(measured, family, chi2, point, left)


def _model_at(measured: Measured, family: Filter, point: Floats) -> Phasors:
    shape = harmonics_of(float(point[0]), float(point[1]), HARD, len(measured.orders))[1:]
    return family.at(measured.orders, np.exp(point[2:])) * shape


def _kept(family: Filter, point: Floats) -> Floats:
    point = point.copy()
    point[:2] = np.clip(point[:2], -20.0, 40.0)
    low, high = np.log(np.array(family.limits)).T
    point[2:] = np.clip(point[2:], low, high)
    return point


def _slopes(measured: Measured, family: Filter, point: Floats, left: Floats) -> Floats:
    columns = []
    for place in range(len(point)):
        nudged = point.copy()
        nudged[place] += NUDGE
        columns.append((measured.scaled(_model_at(measured, family, nudged))[1] - left) / NUDGE)
    return np.stack(columns, axis=1)


def _refined(measured: Measured, family: Filter, point: Floats) -> tuple[float, Floats, Floats]:
    point = _kept(family, point)
    left = measured.scaled(_model_at(measured, family, point))[1]
    cost, damping = float(left @ left), 1e-2
    for _ in range(STEPS):
        slopes = _slopes(measured, family, point, left)
        normal, gradient = slopes.T @ slopes, slopes.T @ left
        for _ in range(5):
            damped = normal + np.diag(damping * np.diag(normal) + 1e-12)
            move = np.clip(-np.linalg.solve(damped, gradient), -LONGEST_MOVE, LONGEST_MOVE)
            trial = _kept(family, point + move)
            there = measured.scaled(_model_at(measured, family, trial))[1]
            if float(there @ there) < cost:
                break
            damping *= 6
        else:
            break
        gained = cost - float(there @ there)
        point, left, cost, damping = trial, there, float(there @ there), damping / 6
        if gained < 1e-6 * cost:
            break
    return cost, point, left


def _described(measured: Measured, family: Filter, chi2: float, point: Floats, left: Floats) -> Explanation:
    orders = len(measured.orders)
    size, _ = measured.scaled(_model_at(measured, family, point))
    slopes = _slopes(measured, family, point, left)
    spare = max(2 * orders - len(point) - 1, 1)
    normal = slopes.T @ slopes
    covariance = np.linalg.pinv(normal, rcond=1e-14) * max(chi2 / spare, 1.0)
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0))
    overdrive = float(point[0]), float(point[1])
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
    values = dict(zip(family.names, np.exp(point[2:]).tolist(), strict=True))
    return Explanation(
        family.cause, family.name, chi2, len(point) + 1, measured.left_share(left), rails, values
    )


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
    weighed = shapes / measured.sigma
    match = np.real(np.conj(weighed) @ wanted) ** 2 / np.sum(np.abs(weighed) ** 2, axis=1)
    place = int(np.clip(np.argmax(match), 1, len(match) - 2))
    best: tuple[float, float, float, Floats] | None = None
    for between in np.linspace(-1, 1, 41):
        other = place + (1 if between > 0 else -1)
        weight = abs(float(between))
        model = (1 - weight) * shapes[place] + weight * shapes[other]
        size, left = measured.scaled(model)
        share = (1 - weight) * SLEW_SHARES[place] + weight * SLEW_SHARES[other]
        if best is None or float(left @ left) < best[0]:
            best = float(left @ left), size, float(share), left
    assert best is not None
    chi2, size, share, left = best
    # the steepest slope is that of the limit: share times w times the peak of the sine behind
    return Explanation(
        "slew", "slew", chi2, 2, measured.left_share(left), None, {"slope": share * size, "share": share}
    )


# ---- saturation --------------------------------------------------------------------------------------------

SATURATION_KNEES = tuple(Knee("exponential", s) for s in (0.9, 1.0, 1.3, 1.8, 2.5)) + tuple(
    Knee("algebraic", s) for s in (1.0, 1.5, 2.5)
)
SATURATION_DB = tuple(np.linspace(-16.0, 10.0, 105).tolist())


@lru_cache(maxsize=4)
def _saturation_shapes(orders: int) -> Floats:
    """(knees, overdrives, K): k h_k of a flux that is held: the voltage is its slope."""
    weights = np.arange(1, orders + 1)
    return np.array(
        [[harmonics_of(d, d, knee, orders)[1:] * weights for d in SATURATION_DB] for knee in SATURATION_KNEES]
    )


def _saturated(measured: Measured) -> Explanation:
    """A core whose flux nears its limit: the integral of the wave is a sine held at a soft knee.

    From the crest of the voltage the flux is at zero; its harmonics, a quarter turn later, alternate in sign.
    """
    orders = len(measured.orders)
    shapes = _saturation_shapes(orders)
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


def with_interval(of: list[Explanation]) -> tuple[float, float] | None:
    """Lowest and highest overdrive of those with rails [dB]; None where all say nearly the same."""
    depths = [max(one.rails.overdrive_db) for one in of if one.rails is not None]
    if len(depths) < 2 or max(depths) - min(depths) < 0.1:
        return None
    return min(depths), max(depths)


def tone_units(one: Explanation, tone_hz: float) -> Explanation:
    """The same with corners in hertz."""
    if not one.values:
        return one
    corners = ("corner", "low", "high", "zero", "pole", "centre")
    return replace(one, values={n: v * tone_hz if n in corners else v for n, v in one.values.items()})
