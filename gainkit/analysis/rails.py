"""The model of a sine held by rails: its wave, its harmonics, and what a fit of it says.

A memoryless output stage turns A cos(theta) into a wave that is even in theta, so with time counted from
the crest all its harmonics are real: h_1..h_K. The model per side, with x the undisturbed sine and r the rail:

    hard         y = min(x, r)
    algebraic    y = x / (1 + (x/r)^(2s))^(1/(2s))    nears the rail like a power
    exponential  y = r tanh((x/r)^s)^(1/s)            nears it like a diode clamp; s = 1 is tanh

The larger s, the harder the knee. A hard rail may give way, y = r + slope (x - r) beyond it (a clamp with
resistance; a bridge of which one half is held), or come after a dead zone that takes min(x, zone) off every
half wave (crossover distortion).

Amplifier offset and AC coupling move the wave as a whole; the mean is therefore left free and rails are placed
around the measured DC. `railsearch` finds the model that fits measured harmonics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, overload

import numpy as np
from numpy.typing import NDArray

from gainkit.levels import ratio_from_db

Floats = NDArray[np.float64]

Free = Literal["sharpness", "slope", "zone"]

GRID = 1024
"""Points over half a period: many times the highest harmonic, so that a soft knee's are exact to 1e-12 [-]."""

MOST_ORDERS = 40
"""Highest harmonic of the model [-]."""

STRAIGHT = -18.0
"""Below this logarithm a hyperbolic tangent is its argument, to the last digit [-]."""

TOUCHING_DB = 4e-6
"""A rail at the very crest is taken for so deep where its slope is asked for [dB]."""

SHARPEST = 60.0
"""Knee exponents s end here: sharper is hard [-]."""

LIMITS = {
    "algebraic": (1.0, SHARPEST),
    "exponential": (0.8, SHARPEST),
    "slope": (1e-3, 0.7),
    "zone": (1e-4, 0.5),
}
"""Between which figures a knee is searched [-]: a power-law knee with s below 1 never nears its rail, a slope
above 0.7 is hardly a rail, a dead zone of half the wave is no amplifier."""


@dataclass(frozen=True)
class Knee:
    """How the output bends into the rail.

    kind, and sharpness s [-] (of no meaning for a hard one). slope : of what goes on beyond a hard rail, over
    the slope before it [-]. zone : dead zone around zero over the sine's peak, with a hard rail [-].
    """

    kind: Literal["hard", "algebraic", "exponential"] = "hard"
    sharpness: float = SHARPEST
    slope: float = 0.0
    zone: float = 0.0

    def after(self, change_db: float) -> Knee:
        """The knee once the gain has changed [dB]: a dead zone of some volts weighs less on a larger sine."""
        return replace(self, zone=self.zone * ratio_from_db(-change_db)) if self.zone else self

    @property
    def free(self) -> Free | None:
        """Which of its figures the search may move; None for a plain hard rail."""
        if self.kind != "hard":
            return "sharpness"
        return "zone" if self.zone else "slope" if self.slope else None

    def moved(self, figure: float) -> Knee:
        """The knee with its free figure at another place, kept where it means something."""
        if self.free == "zone":
            return replace(self, zone=_within(figure, self.limits))
        if self.free == "slope":
            return replace(self, slope=_within(figure, self.limits))
        return replace(self, sharpness=_within(figure, self.limits)) if self.free else self

    @property
    def limits(self) -> tuple[float, float]:
        """Between which values the free figure lies [-]."""
        return LIMITS[self.free if self.kind == "hard" and self.free else self.kind]


def _within(figure: float, limits: tuple[float, float]) -> float:
    return min(max(figure, limits[0]), limits[1])


HARD = Knee()


@dataclass(frozen=True)
class RailFit:
    """The model wave that fits best.

    sine_peak : A of the underlying sine [V]. overdrive_db : (positive, negative) sides [dB]; 0 or less: a
    hard side is not reached. compression_db : how far each crest is held down [dB].
    mean : mean of the model wave around the sine's own centre [V]. misfit : sum of squares left [V^2];
    misfit_without_rails : what the same knee would leave without rails [V^2].
    deviation_db : standard deviation of each overdrive from noise and misfit [dB]. behind : name of the filter
    behind the rails with which they were fitted; empty for rails alone. law : terms b and c of what bends the
    sine before the rails, g(x) = x + b x^2 + c x^3 of a sine of peak 1 [-].
    """

    sine_peak: float
    overdrive_db: tuple[float, float]
    knee: Knee
    compression_db: tuple[float, float]
    mean: float
    misfit: float
    misfit_without_rails: float
    deviation_db: tuple[float, float]
    behind: str = ""
    law: tuple[float, float] = (0.0, 0.0)

    @property
    def hard(self) -> bool:
        """Whether the rail is met with a corner."""
        return self.knee.kind == "hard"

    @property
    def thd_percent(self) -> float:
        """Of the wave at the rails, before any filter, orders 2 to 40 [%]."""
        held = harmonics_of(*self.overdrive_db, self.knee, MOST_ORDERS)
        return 100 * float(np.linalg.norm(held[2:])) / max(abs(float(held[1])), 1e-300)

    def rail_volts(self, side: int) -> float:
        """Where a side's rail stands from the sine's own centre [V peak]; side : 0 positive, 1 negative."""
        reach = ratio_from_db(-self.overdrive_db[side])
        return float(self.sine_peak * (_rail(reach, self.law, 1 - 2 * side) - self.knee.zone))

    def rms_at(self, change_db: float) -> float:
        """Rms of the AC part of the model wave after a change of gain [V]."""
        sine, _ = half_period()
        return float(np.std(self.wave(sine, change_db)))

    def wave(self, sine: Floats, change_db: float = 0.0) -> Floats:
        """Of a sine (n,) of values -1..1, after a change of gain [V]."""
        ratio = ratio_from_db(change_db)
        overdrive_db = self.overdrive_db[0] + change_db, self.overdrive_db[1] + change_db
        peak, knee = self.sine_peak * ratio, self.knee.after(change_db)
        if not any(self.law):
            return np.asarray(peak * held_sine(sine, overdrive_db, knee))
        law = self.law[0] * ratio, self.law[1] * ratio**2
        held = []
        for depth, sign in zip(overdrive_db, (1, -1), strict=True):
            rail = _rail(ratio_from_db(-depth), law, sign)
            held.append(rail * held_half(_bent(np.maximum(sign * sine, 0), law, sign) / rail, 0.0, knee))
        return np.asarray(peak * (held[0] - held[1]))


def _bent(sine: Floats, law: tuple[float, float], sign: int) -> Floats:
    """g of one half of a sine, values 0.. (n,); it goes no lower again once it has risen to its highest."""
    b, c = sign * law[0], law[1]
    turns = np.roots([3 * c, 2 * b, 1.0])
    ends = [float(each.real) for each in turns if abs(each.imag) < 1e-12 and each.real > 0]
    x = np.minimum(sine, min(ends, default=np.inf))
    return np.asarray(x * (1 + x * (b + c * x)))


def _rail(reach: float, law: tuple[float, float], sign: int) -> float:
    """Where a rail stands that a sine of peak 1 meets at this value [-]."""
    return float(_bent(np.array([reach]), law, sign)[0]) if any(law) else reach


@lru_cache(maxsize=1)
def half_period() -> tuple[Floats, Floats]:
    """Midpoints of theta over half a period as cos(theta), and the matrix that takes a wave to h_0..h_40."""
    theta = (np.arange(GRID) + 0.5) * np.pi / GRID
    rows = np.cos(np.multiply.outer(np.arange(MOST_ORDERS + 1), theta)) * (2.0 / GRID)
    rows[0] /= 2
    return np.cos(theta), rows


def held_sine(sine: Floats, overdrive_db: tuple[float, float], knee: Knee) -> Floats:
    """A sine of peak 1 held at both rails; sine (n,) of values -1..1, overdrive_db of (positive, negative)."""
    up, down = np.maximum(sine, 0), np.maximum(-sine, 0)
    return held_half(up, overdrive_db[0], knee) - held_half(down, overdrive_db[1], knee)


def held_half(sine: Floats, overdrive_db: float | Floats, knee: Knee) -> Floats:
    """One side of a sine of peak 1 held at the rail 10^(-overdrive/20); sine (n,) of values 0..1.

    overdrive_db : one, or (m,) of them for (m, n).
    """
    depths = np.atleast_1d(overdrive_db)
    rail = 10 ** (depths[:, None] / -20)
    if knee.kind == "hard":
        held = np.minimum(sine, rail)
        held = held + knee.slope * (sine - held) - np.minimum(sine, knee.zone)
    else:
        kind = algebraic if knee.kind == "algebraic" else exponential
        (held,) = kind(np.maximum(sine, 1e-9 * rail), depths, np.full(len(depths), knee.sharpness), False)
    return np.asarray(held if np.ndim(overdrive_db) else held[0])


def harmonics_of(positive_db: float, negative_db: float, knee: Knee, orders: int) -> Floats:
    """h_0..h_K of a unit sine held at rails: (orders + 1,); see ``held_harmonics``."""
    overdrive_db = np.array([[positive_db, negative_db]], dtype=np.float64)
    return np.asarray(held_harmonics(overdrive_db, Knees.of([knee]), orders)[0])


@dataclass(frozen=True)
class Knees:
    """Many knees as columns: sharpness, slope and zone, (n,) [-], and which of them are of each kind, (n,)."""

    sharpness: Floats
    slope: Floats
    zone: Floats
    algebraic: NDArray[np.bool_]
    exponential: NDArray[np.bool_]

    @staticmethod
    def of(knees: Sequence[Knee]) -> Knees:
        """Columns of these."""
        sharpness, slope, zone = np.array([(k.sharpness, k.slope, k.zone) for k in knees]).T
        kinds = np.array([k.kind for k in knees])
        return Knees(sharpness, slope, zone, kinds == "algebraic", kinds == "exponential")

    def taken(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> Knees:
        """Some of them."""
        shapes = self.sharpness[which], self.slope[which], self.zone[which]
        return Knees(*shapes, self.algebraic[which], self.exponential[which])

    def moved(self, figure: Floats) -> Knees:
        """With the free figure of each, (n,), in place of its own; a plain hard rail has none."""
        soft = self.algebraic | self.exponential
        return replace(
            self,
            sharpness=np.where(soft, figure, self.sharpness),
            slope=np.where(self.slope > 0, figure, 0.0),
            zone=np.where(self.zone > 0, figure, 0.0),
        )


@overload
def held_harmonics(
    overdrive_db: Floats, knees: Knees, orders: int, *, slopes: Literal[False] = False
) -> Floats: ...
@overload
def held_harmonics(
    overdrive_db: Floats, knees: Knees, orders: int, *, slopes: Literal[True]
) -> tuple[Floats, Floats]: ...
def held_harmonics(
    overdrive_db: Floats, knees: Knees, orders: int, *, slopes: bool = False
) -> Floats | tuple[Floats, Floats]:
    """h_0..h_K of unit sines held at rails, (n, orders + 1). Hard rails in closed form, soft by quadrature.

    overdrive_db : (n, 2) of the positive and the negative side [dB]. slopes : also how they change with each
    overdrive [1/dB] and with the logarithm of the knee's free figure [-], (n, orders + 1, 3).
    Closed form: Fourier integral of cos(theta) beyond the rail; see ``hard_excess``.
    """
    soft = knees.algebraic | knees.exponential
    if not soft.any():
        model, turn = _hard(overdrive_db, knees, orders)
    elif soft.all():
        model, turn = _soft(overdrive_db, knees, orders, slopes)
    else:
        model, turn = np.empty((len(soft), orders + 1)), np.empty((len(soft), orders + 1, 3))
        model[soft], turn[soft] = _soft(overdrive_db[soft], knees.taken(soft), orders, slopes)
        model[~soft], turn[~soft] = _hard(overdrive_db[~soft], knees.taken(~soft), orders)
    return (model, turn) if slopes else model


def _hard(overdrive_db: Floats, knees: Knees, orders: int) -> tuple[Floats, Floats]:
    """Models and slopes of hard rails that may give way, or come after a dead zone."""
    with np.errstate(divide="ignore"):
        zone_db = np.where(knees.zone > 0, -20 * np.log10(knees.zone), 0.0)
    depths = np.column_stack([overdrive_db, zone_db])
    excess, turn = hard_excess(depths, orders)
    # shifting theta by pi turns h_k into (-1)^k h_k, and the side's sign flips it
    flip = (-1.0) ** np.arange(orders + 1)
    keeps = (1 - knees.slope)[:, None]
    beyond = excess[:, 0] - flip * excess[:, 1]
    model = -keeps * beyond
    # what a dead zone takes off is a sine held at the zone: all of it less what lies beyond
    model += (1 - flip) * excess[:, 2]
    model[:, 1] += knees.zone == 0
    slopes = np.empty((*model.shape, 3))
    slopes[:, :, 0] = -keeps * turn[:, 0]
    slopes[:, :, 1] = keeps * flip * turn[:, 1]
    of_zone = (1 - flip) * turn[:, 2] * (-20 / np.log(10) * (knees.zone > 0)[:, None])
    slopes[:, :, 2] = knees.slope[:, None] * beyond + of_zone
    return model, slopes


def hard_excess(overdrive_db: Floats, orders: int) -> tuple[Floats, Floats]:
    """h_0..h_K of what a rail k = 10^(-OD/20) cuts off one crest of cos(theta): (cos(theta) - k) beyond it.

    overdrive_db : (...); both results (..., orders + 1), the second their change per dB.
    With phi = arccos k: h_0 = (sin phi - k phi)/pi, h_1 = (phi - sin phi cos phi)/pi, and for n >= 2
    h_n = (1/pi) [sin((n-1) phi)/(n-1) + sin((n+1) phi)/(n+1) - 2 k sin(n phi)/n]. Derivation: integral of
    (cos t - k) cos(n t) over -phi..phi, over pi; its change with k is that of -cos(n t).
    """
    rail = 10 ** (np.maximum(overdrive_db, 0.0) / -20)
    phi = np.arccos(rail)
    n = np.arange(1, orders + 2)
    sines = np.sin(phi[..., None] * n) / n  # sin(n phi)/n
    excess, turn = np.empty((*phi.shape, orders + 1)), np.empty((*phi.shape, orders + 1))
    excess[..., 0] = sines[..., 0] - rail * phi
    excess[..., 1] = phi - sines[..., 0] * rail
    excess[..., 2:] = sines[..., : orders - 1] + sines[..., 2:] - 2 * rail[..., None] * sines[..., 1:orders]
    # a rail that just touches the crest: the slope there is 0, yet the next move may well go on
    near = 10 ** (np.maximum(overdrive_db, np.where(overdrive_db < 0, 0.0, TOUCHING_DB)) / -20)
    phi_near = np.arccos(near)
    turn[..., 0] = phi_near
    turn[..., 1:] = 2 * np.sin(phi_near[..., None] * n[:orders]) / n[:orders]
    turn *= (np.log(10) / 20) * near[..., None]
    return excess / np.pi, turn / np.pi


def _soft(overdrive_db: Floats, knees: Knees, orders: int, slopes: bool) -> tuple[Floats, Floats]:
    """Models and slopes of knees that near their rail, by quadrature over half a period."""
    sine, rows = half_period()
    half = GRID // 2  # midpoints: the first half is the positive side, the other its mirror image
    crest, rows = sine[:half], rows[: orders + 1].T
    sides = np.empty((2, len(overdrive_db), half))
    by_depth, by_figure = np.empty_like(sides), np.empty_like(sides)
    for kind, which in ((algebraic, knees.algebraic), (exponential, knees.exponential)):
        if which.any():
            sharpness = np.concatenate([knees.sharpness[which]] * 2)
            held = kind(crest, np.concatenate(overdrive_db[which].T), sharpness, slopes)
            for out, part in zip((sides, by_depth, by_figure), held, strict=False):
                out[:, which] = part.reshape(2, -1, half)
    up, down = rows[:half], -rows[: half - 1 : -1]
    model = sides[0] @ up + sides[1] @ down
    turn = np.empty((*model.shape, 3))
    if slopes:
        turn[:, :, 0] = by_depth[0] @ up
        turn[:, :, 1] = by_depth[1] @ down
        turn[:, :, 2] = by_figure[0] @ up + by_figure[1] @ down
    return model, turn


def algebraic(crest: Floats, overdrive_db: Floats, sharpness: Floats, slopes: bool) -> tuple[Floats, ...]:
    """x / (1 + u^(2s))^(1/(2s)), u = x/r, (n, points); with slopes its change per dB, and with ln s."""
    log_ratio = np.log(crest) + (np.log(10) / 20) * overdrive_db[:, None]
    twice = 2 * sharpness[:, None]
    exponent = twice * log_ratio  # in logarithms, so that deep overdrive does not overflow
    small = np.exp(-np.abs(exponent))
    soft = (np.maximum(exponent, 0) + np.log1p(small)) / twice  # ln(1 + u^(2s)) / (2s)
    held = crest * np.exp(-soft)
    if not slopes:
        return (held,)
    share = np.where(exponent > 0, 1.0, small) / (1 + small)  # u^(2s) / (1 + u^(2s))
    return held, held * share * (-np.log(10) / 20), held * (soft - log_ratio * share)


def exponential(crest: Floats, overdrive_db: Floats, sharpness: Floats, slopes: bool) -> tuple[Floats, ...]:
    """r tanh(u^s)^(1/s), u = x/r, (n, points); with slopes its change per dB, and with ln s."""
    rail, s = 10 ** (overdrive_db[:, None] / -20), sharpness[:, None]
    log_ratio = np.log(crest) + (np.log(10) / 20) * overdrive_db[:, None]
    exponent = s * log_ratio
    power = np.exp(np.clip(exponent, STRAIGHT, 50.0))
    log_tanh = np.where(exponent < STRAIGHT, exponent, np.log(np.tanh(power)))
    held = rail * np.exp(log_tanh / s)
    if not slopes:
        return (held,)
    bend = 2 * power / np.sinh(np.minimum(2 * power, 700.0))  # d ln tanh(p) / d ln p
    return held, held * (1 - bend) * (-np.log(10) / 20), held * (bend * log_ratio - log_tanh / s)
