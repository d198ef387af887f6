"""Rails and what the wave went through after them, fitted together: filters, and causes that look like rails.

A rail makes harmonics that are real when time is counted from the crest; a filter behind it (a coupling, a tone
control, a low-pass) turns and weighs each. Both are fitted to all harmonics, magnitude and phase. Slew
limiting and a core that saturates are candidates too: a triangle is a square wave behind a low-pass, nearly.
Which explanation holds is told by Schwarz's criterion (Ann. Statist. 6, 1978), chi^2 + p ln n; those that fit
alike are all kept.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.behind import filtered, softened, told
from gainkit.analysis.explanation import CORE_LEAVES, LEAVES, Cause, Explanation, Measured
from gainkit.analysis.ownlaw import behind_own_law
from gainkit.analysis.rails import MOST_ORDERS, Knee, Knees, RailFit, harmonics_of, held_harmonics
from gainkit.analysis.rivals import HARDLY_TRUE, untrue

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]


def _plain(measured: Measured, rails: RailFit, straight: Phasors, corner: float) -> Explanation:
    """Rails alone, or behind a first-order coupling that was taken out before, as an explanation."""
    figures = 3 + (rails.knee.free is not None) + (corner > 0)
    model = harmonics_of(*rails.overdrive_db, rails.knee, len(straight))[1:] * rails.sine_peak
    left = (straight - model) / measured.sigma
    left = np.concatenate([left.real, left.imag])
    cause: Cause = "coupling" if corner > 0 else "rails"
    return Explanation(cause, "plain", float(left @ left), figures, measured.left_share(left), rails)


def explanations(measured: Measured, rails: RailFit, straight: Phasors, corner: float) -> list[Explanation]:
    """Rails alone; then filters behind rails, slew limits, a mere curve, saturation, if they leave little.

    rails : fitted to the harmonics straight (K,), from which a coupling of this corner was taken out.
    """
    alone = _plain(measured, rails, straight, corner)
    ends = filtered(measured, alone.chi2)
    others = [each for each in (_slewed(measured), *_curved(measured)) if each.left_share < LEAVES]
    cores = [core] if (core := _saturated(measured)).left_share < CORE_LEAVES else []
    found = [alone, *told(measured, ends), *others, *cores]
    if untrue(alone, len(straight), HARDLY_TRUE):
        found += behind_own_law(measured, straight, rails, alone.chi2)
    # a core's voltage is the slope of a flux that bends: exactly rails that bend before a filter
    if not cores and all(untrue(one, len(straight)) for one in found):
        found += told(measured, softened(measured, ends, alone.chi2))
    return found


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
