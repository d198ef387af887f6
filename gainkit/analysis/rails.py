"""Rails and the sine behind them, from the harmonics of one capture.

A memoryless output stage turns A cos(theta) into a wave that is even in theta, so with time counted from
the crest all its harmonics are real: h_1..h_K. Here they are compared with those of a model wave, which
makes the fit blind to everything that is no harmonic (noise, hum, switching residue) and exact for band-
limited captures, where a cut-off crest shows ripples instead of a flat. The model per side, with x the
undisturbed sine and r the rail:

    hard         y = min(x, r)
    algebraic    y = x / (1 + (x/r)^(2s))^(1/(2s))    nears the rail like a power
    exponential  y = r tanh((x/r)^s)^(1/s)            nears it like a diode clamp; s = 1 is tanh

The larger s, the harder the knee. A hard rail may give way, y = r + slope (x - r) beyond it (a clamp with
resistance; a bridge of which one half is held), or come after a dead zone that takes min(x, zone) off every
half wave (crossover distortion).

The wave is linear in A, so only the two overdrives and one figure of the knee are searched (variable
projection). Amplifier
offset and AC coupling move the wave as a whole; the mean is therefore left free and rails are placed
around the measured DC.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.model import LARGEST_OVERDRIVE_DB

Floats = NDArray[np.float64]

Free = Literal["sharpness", "slope", "zone"]

GRID = 1024
SHARPEST = 60.0
"""Knee exponents s end here: sharper is hard [-]."""

LIMITS = {
    "algebraic": (1.0, SHARPEST),
    "exponential": (0.8, SHARPEST),
    "slope": (1e-3, 0.7),
    "zone": (1e-4, 0.5),
}
"""Between which figures a knee is searched [-]."""


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
        return replace(self, zone=self.zone * 10 ** (-change_db / 20)) if self.zone else self

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
OTHERS = (
    (5, [Knee("algebraic", s) for s in (1.5, 3.0, 6.0, 14.0)]),
    (5, [Knee("exponential", s) for s in (1.0, 3.0, 8.0)]),
    (9, [Knee(slope=s) for s in (0.1, 0.5)]),
    (9, [Knee(zone=z) for z in (0.01, 0.05)]),
)
"""The other families of knees: harmonics needed (with fewer, the third parameter fits anything), and starts."""


@dataclass(frozen=True)
class RailFit:
    """The model wave that fits best.

    sine_peak : A of the underlying sine [V]. overdrive_db : (positive, negative) sides [dB]; 0 or less: a
    hard side is not reached. compression_db : how far each crest is held down [dB].
    mean : mean of the model wave around the sine's own centre [V]. misfit : sum of squares left [V^2];
    railless : what the same knee would leave without rails [V^2].
    deviation_db : standard deviation of each overdrive from noise and misfit [dB].
    """

    sine_peak: float
    overdrive_db: tuple[float, float]
    knee: Knee
    compression_db: tuple[float, float]
    mean: float
    misfit: float
    railless: float
    deviation_db: tuple[float, float]

    @property
    def hard(self) -> bool:
        return self.knee.kind == "hard"

    def reach(self, side: int) -> float:
        """Where a side's rail stands from the sine's own centre [V peak]; side : 0 positive, 1 negative."""
        return float(self.sine_peak * (10 ** (-self.overdrive_db[side] / 20) - self.knee.zone))

    def rms_at(self, change_db: float) -> float:
        """Rms of the AC part of the model wave after a change of gain [V]."""
        sine, _ = _grid()
        up, down = np.maximum(sine, 0), np.maximum(-sine, 0)
        knee = self.knee.after(change_db)
        wave = side(up, self.overdrive_db[0] + change_db, knee)
        wave -= side(down, self.overdrive_db[1] + change_db, knee)
        return self.sine_peak * 10 ** (change_db / 20) * float(np.std(wave))


@lru_cache(maxsize=1)
def _grid() -> tuple[Floats, Floats]:
    """Midpoints of theta over half a period as cos(theta), and the matrix that takes a wave to h_0..h_40."""
    theta = (np.arange(GRID) + 0.5) * np.pi / GRID
    rows = np.cos(np.multiply.outer(np.arange(41), theta)) * (2.0 / GRID)
    rows[0] /= 2
    return np.cos(theta), rows


def side(sine: Floats, overdrive_db: float, knee: Knee) -> Floats:
    """One side of a sine of peak 1 held at the rail 10^(-overdrive/20); sine (n,) of values 0..1."""
    rail = 10.0 ** (-overdrive_db / 20)
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
            zone_db = -20 * float(np.log10(knee.zone))
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
    return side(-sine[half:] if number else sine[:half], overdrive_db, knee)


def _beyond(positive_db: float, negative_db: float, orders: int) -> Floats:
    """h_0..h_K of all of a unit sine that lies beyond two rails."""
    up, down = hard_excess(float(positive_db), orders), hard_excess(float(negative_db), orders)
    # shifting theta by pi turns h_k into (-1)^k h_k, and the side's sign flips it
    return np.asarray(up - _signs(orders) * down)


@lru_cache(maxsize=32)
def hard_excess(overdrive_db: float, orders: int) -> Floats:
    """h_0..h_K of what a rail k = 10^(-OD/20) cuts off one crest of cos(theta): (cos(theta) - k) beyond it.

    With phi = arccos k: h_0 = (sin phi - k phi)/pi, h_1 = (phi - sin phi cos phi)/pi, and for n >= 2
    h_n = 2 [n sin phi... ] integrated by parts: (1/pi) [sin((n-1) phi)/(n-1) + sin((n+1) phi)/(n+1)
    - 2 k sin(n phi)/n]. Derivation: integral of (cos t - k) cos(n t) over -phi..phi, over pi.
    """
    if overdrive_db <= 0:
        return np.zeros(orders + 1)
    rail = 10.0 ** (-overdrive_db / 20)
    phi = np.arccos(rail)
    turns = _counted(orders + 1)
    sines = np.sin(turns * phi)
    shares = sines / turns
    excess = np.empty(orders + 1)
    excess[0] = sines[0] - rail * phi
    excess[1] = phi - sines[0] * np.cos(phi)
    excess[2:] = shares[:-2] + shares[2:] - 2 * rail * sines[1:-1] / turns[1:-1]
    return excess / np.pi


@lru_cache(maxsize=64)
def _counted(last: int) -> Floats:
    """1, 2 .. last."""
    return np.arange(1.0, last + 1)


@lru_cache(maxsize=64)
def _signs(orders: int) -> Floats:
    """(-1)^k for k of 0..K."""
    return np.asarray((-1.0) ** np.arange(orders + 1))


def fit_rails(real_harmonics: Floats, noise_peak: Floats) -> RailFit:
    """Fit a hard and a soft model to h_1..h_K and return the better one.

    real_harmonics : (K,) signed peak volts with time counted from the crest, K at least 3 [V].
    noise_peak : (K,) standard deviation of each [V].
    Another knee has one more parameter and must pay for it: its misfit has to be lower by more than noise
    would make it.
    """
    hard = _search(real_harmonics, [HARD], noise_peak)
    noise_power = float(np.mean(noise_peak**2))
    families = [knees for least, knees in OTHERS if len(real_harmonics) >= least]
    if not families or hard.misfit < float(noise_peak @ noise_peak):
        return hard
    other = min((_search(real_harmonics, knees, noise_peak) for knees in families), key=lambda fit: fit.misfit)
    better = hard.misfit - other.misfit > 9 * noise_power and other.misfit < 0.7 * hard.misfit
    return other if better else hard


def _search(harmonics: Floats, knees: list[Knee], noise_peak: Floats) -> RailFit:
    """Coarse grid over overdrives (and knees), then Levenberg-Marquardt from the best starts."""
    starts, models, powers = _starts(tuple(knees), len(harmonics))
    gains = np.array([model @ harmonics for model in models]) / powers
    misfits = np.sum((harmonics - gains[:, np.newaxis] * models) ** 2, axis=1)
    best = [starts[place] for place in np.argsort(misfits, kind="stable")[:3]]
    fits = [_refine(harmonics, pair, knee, noise_peak) for pair, knee in best]
    return min(fits, key=lambda fit: fit.misfit)


@lru_cache(maxsize=128)
def _starts(
    knees: tuple[Knee, ...], orders: int
) -> tuple[list[tuple[tuple[float, float], Knee]], Floats, Floats]:
    """The coarse grid, h_1..h_K of its points, (points, orders), and their powers: no capture changes them."""
    starts: list[tuple[tuple[float, float], Knee]] = []
    depths = (0.05, 0.3, 1.0, 2.5, 5.0, 9.0)
    for knee in knees:
        low = 0.0 if knee.kind == "hard" else -6.0
        pairs = [(d, d) for d in depths] + [(d, low) for d in depths] + [(low, d) for d in depths]
        pairs += [(1.5, 0.5), (0.5, 1.5), (4.0, 1.5), (1.5, 4.0)]
        if knee.kind != "hard":
            pairs += [(-2.0, -2.0), (-6.0, -6.0), (-12.0, -12.0)]
        starts += [(pair, knee) for pair in pairs]
    models = np.array([harmonics_of(*pair, knee, orders)[1:] for pair, knee in starts])
    return starts, models, np.array([model @ model for model in models])


def _refine(harmonics: Floats, start: tuple[float, float], knee: Knee, noise_peak: Floats) -> RailFit:
    """Levenberg-Marquardt over (overdrive +, overdrive -, log knee); the amplitude is solved each time."""
    orders = len(harmonics)
    family = knee
    free = 2 if family.free is None else 3
    figure = 1.0 if family.free is None else getattr(family, family.free)
    point = np.array([*start, np.log(figure)])

    def evaluate(at: Floats) -> tuple[float, Floats, float]:
        model = harmonics_of(at[0], at[1], family.moved(float(np.exp(at[2]))), orders)
        gain = float(model[1:] @ harmonics) / float(model[1:] @ model[1:])
        return gain, harmonics - gain * model[1:], gain * model[0]

    gain, left, mean = evaluate(point)
    cost, damping = float(left @ left), 1e-3
    jacobian = np.zeros((orders, free))
    for _ in range(40):
        for column in range(free):
            nudged = point.copy()
            step = 1e-5 * (1 if column < 2 else -1)
            nudged[column] += step
            jacobian[:, column] = (evaluate(nudged)[1] - left) / step
        normal, slope = jacobian.T @ jacobian, jacobian.T @ left
        improved = False
        for _ in range(8):
            shift = np.linalg.lstsq(
                normal + damping * np.diag(np.diag(normal)) + 1e-30 * np.eye(free), -slope, rcond=None
            )[0]
            trial = point.copy()
            trial[:free] += np.clip(shift, -3.0, 3.0)
            trial[:2] = np.clip(trial[:2], -40.0, LARGEST_OVERDRIVE_DB)
            if family.free is not None:
                trial[2] = np.clip(trial[2], *np.log(family.limits))
            new_gain, new_left, new_mean = evaluate(trial)
            new_cost = float(new_left @ new_left)
            if new_cost < cost:
                improved = True
                break
            damping *= 6
        if not improved:
            break
        settled = cost - new_cost < 1e-10 * cost
        point, gain, left, mean, cost, damping = trial, new_gain, new_left, new_mean, new_cost, damping / 6
        if settled:
            break
    knee = family.moved(float(np.exp(point[2])))
    spare = max(orders - free - 1, 1)
    variance = max(cost / spare, float(np.mean(noise_peak**2)))
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-12)), 0) * variance)
    tops = [-20 * np.log10(float(side(np.ones(1), float(od), knee)[0])) for od in point[:2]]
    return RailFit(
        sine_peak=gain,
        overdrive_db=(float(point[0]), float(point[1])),
        knee=knee,
        compression_db=(float(tops[0]), float(tops[1])),
        mean=mean,
        misfit=cost,
        railless=_railless(harmonics, knee),
        deviation_db=(float(spread[0]), float(spread[1])),
    )


def _railless(harmonics: Floats, knee: Knee) -> float:
    """What is left of harmonics with a knee's dead zone, if any, as large as it likes but no rail [V^2]."""
    if not knee.zone:
        return float(harmonics[1:] @ harmonics[1:])
    below = -200.0
    zones = np.geomspace(knee.zone / 4, min(4 * knee.zone, LIMITS["zone"][1]), 33)
    models = [harmonics_of(below, below, replace(knee, zone=float(zone)), len(harmonics))[1:] for zone in zones]
    return min(
        float(np.sum((harmonics - model * (model @ harmonics) / (model @ model)) ** 2)) for model in models
    )
