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

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.levels import db_from_ratio, ratio_from_db

Floats = NDArray[np.float64]

Free = Literal["sharpness", "slope", "zone"]

GRID = 1024
"""Points over half a period: many times the highest harmonic, so that a soft knee's are exact to 1e-12 [-]."""

MOST_ORDERS = 40
"""Highest harmonic of the model [-]."""

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
    behind the rails with which they were fitted; empty for rails alone.
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

    @property
    def hard(self) -> bool:
        """Whether the rail is met with a corner."""
        return self.knee.kind == "hard"

    def rail_volts(self, side: int) -> float:
        """Where a side's rail stands from the sine's own centre [V peak]; side : 0 positive, 1 negative."""
        return float(self.sine_peak * (ratio_from_db(-self.overdrive_db[side]) - self.knee.zone))

    def rms_at(self, change_db: float) -> float:
        """Rms of the AC part of the model wave after a change of gain [V]."""
        sine, _ = _grid()
        overdrive_db = self.overdrive_db[0] + change_db, self.overdrive_db[1] + change_db
        wave = held_sine(sine, overdrive_db, self.knee.after(change_db))
        return self.sine_peak * ratio_from_db(change_db) * float(np.std(wave))


@lru_cache(maxsize=1)
def _grid() -> tuple[Floats, Floats]:
    """Midpoints of theta over half a period as cos(theta), and the matrix that takes a wave to h_0..h_40."""
    theta = (np.arange(GRID) + 0.5) * np.pi / GRID
    rows = np.cos(np.multiply.outer(np.arange(MOST_ORDERS + 1), theta)) * (2.0 / GRID)
    rows[0] /= 2
    return np.cos(theta), rows


def held_sine(sine: Floats, overdrive_db: tuple[float, float], knee: Knee) -> Floats:
    """A sine of peak 1 held at both rails; sine (n,) of values -1..1, overdrive_db of (positive, negative)."""
    up, down = np.maximum(sine, 0), np.maximum(-sine, 0)
    return held_half(up, overdrive_db[0], knee) - held_half(down, overdrive_db[1], knee)


def held_half(sine: Floats, overdrive_db: float, knee: Knee) -> Floats:
    """One side of a sine of peak 1 held at the rail 10^(-overdrive/20); sine (n,) of values 0..1."""
    rail = ratio_from_db(-overdrive_db)
    if knee.kind == "hard":
        held = np.minimum(sine, rail)
        return np.asarray(held + knee.slope * (sine - held) - np.minimum(sine, knee.zone))
    # in logarithms, so that deep overdrive does not overflow
    log_ratio = np.log(np.maximum(sine / rail, 1e-9))
    if knee.kind == "algebraic":
        return np.asarray(
            sine * np.exp(-np.logaddexp(0.0, 2 * knee.sharpness * log_ratio) / (2 * knee.sharpness))
        )
    power = np.exp(np.minimum(knee.sharpness * log_ratio, 50.0))
    return np.asarray(rail * np.tanh(power) ** (1 / knee.sharpness))


def harmonics_of(positive_db: float, negative_db: float, knee: Knee, orders: int) -> Floats:
    """h_0..h_K of a unit sine held at rails: (orders + 1,). Hard rails in closed form, soft by quadrature.

    Closed form: Fourier integral of cos(theta) beyond the rail; see ``hard_excess``.
    """
    if knee.kind == "hard":
        off = (1 - knee.slope) * _beyond(positive_db, negative_db, orders)
        if knee.zone:  # what a dead zone takes off is a sine held at the zone: all of it less what lies beyond
            zone_db = -db_from_ratio(float(knee.zone))
            off -= _beyond(zone_db, zone_db, orders)
        else:
            off[1] -= 1.0
        return np.asarray(-off)
    _, rows = _grid()
    wave = np.concatenate([_crest(0, float(positive_db), knee), -_crest(1, float(negative_db), knee)])
    return np.asarray(rows[: orders + 1] @ wave)


@lru_cache(maxsize=32)
def _crest(number: int, overdrive_db: float, knee: Knee) -> Floats:
    """A side of the grid's sine held at its rail; number : 0 positive, 1 negative.

    Kept a while, as is ``hard_excess``: a search moves one figure at a time.
    """
    sine, _ = _grid()
    half = GRID // 2  # midpoints: the first half is the positive side
    return held_half(-sine[half:] if number else sine[:half], overdrive_db, knee)


def _beyond(positive_db: float, negative_db: float, orders: int) -> Floats:
    """h_0..h_K of all of a unit sine that lies beyond two rails."""
    up, down = hard_excess(float(positive_db), orders), hard_excess(float(negative_db), orders)
    # shifting theta by pi turns h_k into (-1)^k h_k, and the side's sign flips it
    return np.asarray(up - (-1.0) ** np.arange(orders + 1) * down)


@lru_cache(maxsize=32)
def hard_excess(overdrive_db: float, orders: int) -> Floats:
    """h_0..h_K of what a rail k = 10^(-OD/20) cuts off one crest of cos(theta): (cos(theta) - k) beyond it.

    With phi = arccos k: h_0 = (sin phi - k phi)/pi, h_1 = (phi - sin phi cos phi)/pi, and for n >= 2
    h_n = (1/pi) [sin((n-1) phi)/(n-1) + sin((n+1) phi)/(n+1) - 2 k sin(n phi)/n]. Derivation: integral of
    (cos t - k) cos(n t) over -phi..phi, over pi.
    """
    rail = ratio_from_db(-max(overdrive_db, 0.0))
    phi = np.arccos(min(rail, 1.0))
    excess = np.empty(orders + 1)
    excess[0] = (np.sin(phi) - rail * phi) / np.pi
    excess[1] = (phi - np.sin(phi) * np.cos(phi)) / np.pi
    n = np.arange(2, orders + 1)
    excess[2:] = (
        np.sin((n - 1) * phi) / (n - 1) + np.sin((n + 1) * phi) / (n + 1) - 2 * rail * np.sin(n * phi) / n
    ) / np.pi
    return excess
