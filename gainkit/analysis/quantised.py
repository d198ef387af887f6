"""Coarse quantisers (8-bit oscilloscopes): a stored value stands for an interval, not for a point.

A least-squares fit takes the middle of each interval for the truth. On a flat crest, or where the tone
and the sample clock lock, that invents distortion of the order of a step. Here the fit looks for a
harmonic wave that lies within the intervals, starting from the plainest wave (a sine, then a sine held by
rails) and moving only as far as the stored values demand: alternating projections onto the intervals and
onto the harmonic waves (von Neumann; Bregman 1965). What the quantiser cannot tell is then not reported
as distortion.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.harmonic import (
    NYQUIST_SHARE,
    HarmonicFit,
    Phasors,
    basis,
    fit_harmonics,
    from_crest,
    refine,
)
from gainkit.analysis.rails import RailFit, held_sine
from gainkit.analysis.railsearch import fit_rails

Floats = NDArray[np.float64]

MOST_FRAMES = 1 << 15
"""Frames that are fitted within their intervals, at most: the fit's matrix stays below 22 MB [samples]."""

MOST_LEVELS = 1024
"""A quantiser with more steps in use is fine enough for least squares: 10 bits [-]."""

MOST_ORDERS, LEAST_ORDERS = 40, 4
"""Orders of the wave within the intervals: enough for a corner, and enough to hold more than a sine [-]."""

LEAST_FRAMES_PER_ORDER = 4
"""With fewer samples the intervals leave the wave free [-]."""

ROUNDS = 60
"""Alternating projections from one start, at most: those that meet do so in far fewer [-]."""

RELAXATION = 1.9
"""How far beyond the interval's edge each projection goes, as a multiple of the way to it: over-relaxed
projections converge up to 2, and quickest near it [-]."""

MET_STEPS = 1e-3
"""A violation this small is none [steps rms]."""

MOST_VIOLATION_STEPS = 0.05
"""A wave that still lies so far outside the intervals does not explain them [steps rms]."""

RESTARTS = 4
"""A wave held by rails is refined so often: each start is nearer to the rails that the intervals demand [-]."""

PURE_STEP_RATIO = 0.35
"""Residual over step [-]: 0.289 is a quantiser alone; noise of a third of a step makes it 0.44."""

RAILS_LEAVE = 0.3
"""Rails that leave more than this share of the harmonics' power are no guide [-]."""

LEAST_GUIDE_DB = 0.05
"""... nor are rails that hold the sine by less than this [dB]."""


# -- what kind of quantiser ----------------------------------------------------------------------------------


def quantiser_step(samples: Floats) -> float | None:
    """The step of a coarse quantiser [V], None when values are fine or not on a grid.

    samples : (frames,) [V]. A grid is accepted when all distances between neighbouring values are whole
    multiples of the smallest, within 2 %, and at most 1024 values occur.
    """
    if len(distinct(samples[: 4 * MOST_LEVELS])) > MOST_LEVELS:
        return None
    stride = max(len(samples) // MOST_FRAMES, 1)
    values = distinct(samples[::stride])
    if not 4 <= len(values) <= MOST_LEVELS:
        return None
    gaps = np.diff(values)
    gaps = gaps[gaps > 1e-9 * np.ptp(values)]
    step = float(gaps.min())
    multiples = gaps / step
    if np.any(np.abs(multiples - np.rint(multiples)) > 0.02 * np.maximum(np.rint(multiples), 1)):
        return None
    return float(np.ptp(values) / np.rint(np.ptp(values) / step))


def distinct(samples: Floats) -> Floats:
    """The values that occur, in order: (values,). numpy's own function loads its masked arrays first."""
    ordered = np.sort(samples)
    return ordered[np.diff(ordered, prepend=-np.inf) > 0]


def is_pure_quantiser(samples: Floats, sample_rate_hz: float, step: float, frequency_hz: float) -> bool:
    """True when a tone and its harmonics leave hardly more over than the quantiser's own error.

    frequency_hz : where the tone lies, as from `harmonic.coarse_frequency` [Hz]. Then every so-manieth sample
    serves as well as all: there is nothing above the band that could fold.
    """
    if frequency_hz * len(samples) / sample_rate_hz < 2.5:  # cycles: with fewer no fit tells
        return False
    fit = fit_harmonics(samples, sample_rate_hz, frequency_hz, highest_hz=NYQUIST_SHARE * sample_rate_hz)
    return bool(np.sqrt(np.mean(fit.residual**2)) < PURE_STEP_RATIO * step)


def crest_blur(step: float, own_rms_volts: float) -> float:
    """Standard deviation of a flat crest's height that a quantiser leaves however long the record is [V].

    own_rms_volts : all that a tone and its harmonics leave over [V]. A quantiser's mean error is a sawtooth of
    step / sqrt(12) rms; Gaussian noise s smooths its first harmonic by exp(-2 (pi s / step)^2) (Widrow and
    Kollar, Quantization Noise, 2008, from memory).
    """
    noise = max(own_rms_volts**2 - step**2 / 12, 0.0)
    return float(step / np.sqrt(12) * np.exp(-2 * np.pi**2 * noise / step**2))


# -- the wave within the intervals ---------------------------------------------------------------------------


def within_steps(samples: Floats, fit: HarmonicFit, step: float) -> HarmonicFit:
    """Refit so that the wave lies within the quantiser's intervals, staying as plain as they allow.

    samples : (frames,) [V] with errors of half a step at most, at most 32768 of them; fit : their least-
    squares fit, kept where noise of the record's own exceeds the step or no plain wave fits.
    """
    orders = min(MOST_ORDERS, int(0.98 * np.pi / fit.angular))
    if not _intervals_tell(fit, step, orders):
        return fit
    intervals = Intervals(samples, step, fit.angular, orders)
    sine = samples - refine(samples, fit.angular, 1, fixed=True).residual
    wave, violation = intervals.nearest(sine)
    for _ in range(RESTARTS):
        held = _held_by_rails(refine(wave, fit.angular, orders, fixed=True))
        if held is None:
            break
        wave, violation = intervals.nearest(held)
    if violation > MOST_VIOLATION_STEPS:
        return fit
    inside = intervals.inside(wave)
    settled = refine(inside, fit.angular, fit.orders)
    return HarmonicFit(settled.angular, settled.dc, settled.phasors, samples - (inside - settled.residual))


def _intervals_tell(fit: HarmonicFit, step: float, orders: int) -> bool:
    """Whether the quantiser's intervals tell more of the wave than their middles do."""
    frames = len(fit.residual)
    noise = float(np.sqrt(np.mean(fit.residual**2)))
    enough = orders >= LEAST_ORDERS and LEAST_FRAMES_PER_ORDER * orders <= frames <= MOST_FRAMES
    return noise <= PURE_STEP_RATIO * step and enough


class Intervals:
    """The two projections for one record: onto its intervals, and onto harmonic waves of a known frequency."""

    def __init__(self, samples: Floats, step: float, angular: float, orders: int) -> None:
        self._low, self._high, self._step = samples - step / 2, samples + step / 2, step
        columns = basis(angular, np.arange(orders + 1), len(samples))
        columns = np.delete(columns, orders + 1, axis=1)  # the sine of order 0 is nothing
        self._across, _ = np.linalg.qr(columns)

    def inside(self, wave: Floats) -> Floats:
        """The nearest samples within the intervals, (frames,) [V]."""
        return np.asarray(np.clip(wave, self._low, self._high))

    def harmonic(self, wave: Floats) -> Floats:
        """The nearest harmonic wave, (frames,) [V]."""
        return np.asarray(self._across @ (self._across.T @ wave))

    def nearest(self, wave: Floats) -> tuple[Floats, float]:
        """From a start, the harmonic wave within the intervals, and what it still violates [steps rms]."""
        wave = self.harmonic(wave)
        for _ in range(ROUNDS):
            inside = self.inside(wave)
            violation = float(np.sqrt(np.mean((inside - wave) ** 2))) / self._step
            if violation < MET_STEPS:
                break
            wave = self.harmonic(wave + RELAXATION * (inside - wave))
        return wave, violation


def _held_by_rails(fit: HarmonicFit) -> Floats | None:
    """The wave of a sine held by rails that is nearest to a fit, (frames,) [V]; None if rails tell little."""
    relative: Phasors = from_crest(fit.phasors)
    power = float(np.sum(np.abs(relative[1:]) ** 2))
    rails = fit_rails(relative.real.copy(), np.full(fit.orders, 1e-4 * np.sqrt(power)))
    if rails.misfit > RAILS_LEAVE * power or max(rails.overdrive_db) < LEAST_GUIDE_DB:
        return None
    return _held_wave(rails, fit)


def _held_wave(rails: RailFit, fit: HarmonicFit) -> Floats:
    """Samples of the rail model at a fit's frequency and phase, (frames,) [V]."""
    frames = len(fit.residual)
    index = np.arange(frames) - (frames - 1) / 2
    sine = np.cos(fit.angular * index + float(np.angle(fit.phasors[0])))
    return np.asarray(fit.dc - rails.mean + rails.sine_peak * held_sine(sine, rails.overdrive_db, rails.knee))
