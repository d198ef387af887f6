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

from gainkit.analysis.harmonic import HarmonicFit, Phasors, basis, coarse_frequency, fit_harmonics, refine
from gainkit.analysis.rails import RailFit, fit_rails, side

Floats = NDArray[np.float64]

MOST_FRAMES = 1 << 15
MOST_LEVELS = 1024
MOST_ORDERS = 40
LEAST_ORDERS = 4
ROUNDS = 60
RESTARTS = 4
RELAXATION = 1.9
PURE_STEP_RATIO = 0.35
"""Residual over step [-]: 0.289 is a quantiser alone; noise of a third of a step makes it 0.44."""


def quantiser_step(samples: Floats) -> float | None:
    """The step of a coarse quantiser [V], None when values are fine or not on a grid.

    samples : (frames,) [V]. A grid is accepted when all distances between neighbouring values are whole
    multiples of the smallest, within 2 %, and fewer than 1024 values occur.
    """
    stride = max(len(samples) // MOST_FRAMES, 1)
    values = np.unique(samples[::stride])
    if not 4 <= len(values) <= MOST_LEVELS:
        return None
    gaps = np.diff(values)
    gaps = gaps[gaps > 1e-9 * np.ptp(values)]
    step = float(gaps.min())
    multiples = gaps / step
    if np.any(np.abs(multiples - np.rint(multiples)) > 0.02 * np.maximum(np.rint(multiples), 1)):
        return None
    return float(np.ptp(values) / np.rint(np.ptp(values) / step))


def pure_quantiser(samples: Floats, sample_rate_hz: float, step: float, band_hz: tuple[float, float]) -> bool:
    """True when a tone and its harmonics leave hardly more over than the quantiser's own error.

    Then every so-manieth sample serves as well as all: there is nothing above the band that could fold.
    """
    start = coarse_frequency(samples, sample_rate_hz, band_hz[0], min(band_hz[1], 0.49 * sample_rate_hz))
    if start is None or start * len(samples) / sample_rate_hz < 2.5:
        return False
    fit = fit_harmonics(samples, sample_rate_hz, start, highest_hz=0.49 * sample_rate_hz)
    return bool(np.sqrt(np.mean(fit.residual**2)) < PURE_STEP_RATIO * step)


def crest_blur(step: float, own_rms_volts: float) -> float:
    """Standard deviation of a flat crest's height that a quantiser leaves however long the record is [V].

    own_rms_volts : all that a tone and its harmonics leave over [V]. A quantiser's mean error is a sawtooth of
    step / sqrt(12) rms; Gaussian noise s smooths its first harmonic by exp(-2 (pi s / step)^2) (Widrow and
    Kollar, Quantization Noise, 2008, from memory).
    """
    noise = max(own_rms_volts**2 - step**2 / 12, 0.0)
    return float(step / np.sqrt(12) * np.exp(-2 * np.pi**2 * noise / step**2))


class Intervals:
    """The two projections for one record: onto its intervals, and onto harmonic waves of a known frequency."""

    def __init__(self, samples: Floats, step: float, angular: float, orders: int) -> None:
        self.low, self.high, self.step = samples - step / 2, samples + step / 2, step
        self.orders = orders
        columns = basis(angular, np.arange(orders + 1), len(samples), weighted=False)
        columns = np.delete(columns, orders + 1, axis=1)  # the sine of order 0 is nothing
        self.across, self.triangle = np.linalg.qr(columns)

    def nearest(self, wave: Floats) -> tuple[Floats, float]:
        """From a start, the harmonic wave within the intervals, and what it still violates [steps rms]."""
        model = self.harmonic(wave)
        for _ in range(ROUNDS):
            inside = np.clip(model, self.low, self.high)
            violation = float(np.sqrt(np.mean((inside - model) ** 2))) / self.step
            if violation < 1e-3:
                break
            model = self.harmonic(model + RELAXATION * (inside - model))
        return model, violation

    def harmonic(self, wave: Floats) -> Floats:
        return np.asarray(self.across @ (self.across.T @ wave))


def within_steps(samples: Floats, fit: HarmonicFit, step: float) -> HarmonicFit:
    """Refit so that the wave lies within the quantiser's intervals, staying as plain as they allow.

    samples : (frames,) [V] with errors of half a step at most, at most 32768 of them; fit : their least-
    squares fit, kept where noise of the record's own exceeds the step or no plain wave fits.
    """
    orders = min(MOST_ORDERS, int(0.98 * np.pi / fit.angular))
    own = float(np.sqrt(np.mean(fit.residual**2)))
    if own > PURE_STEP_RATIO * step or orders < LEAST_ORDERS or len(samples) > MOST_FRAMES:
        return fit
    if len(samples) < 4 * orders:
        return fit
    intervals = Intervals(samples, step, fit.angular, orders)
    sine = samples - refine(samples, fit.angular, 1, fixed=True).residual
    model, violation = intervals.nearest(sine)
    for _ in range(RESTARTS):
        full = refine(model, fit.angular, orders, fixed=True)
        held = _held_sine(full, len(samples))
        if held is None:
            break
        model, violation = intervals.nearest(held)
    if violation > 0.05:
        return fit
    inside = np.clip(model, intervals.low, intervals.high)
    settled = refine(inside, fit.angular, fit.orders)
    return HarmonicFit(settled.angular, settled.dc, settled.phasors, samples - (inside - settled.residual))


def _held_sine(fit: HarmonicFit, frames: int) -> Floats | None:
    """The wave of a sine held by rails that is nearest to a fit (frames,) [V]; None if rails tell little."""
    turn = np.exp(-1j * np.arange(1, fit.orders + 1) * np.angle(fit.phasors[0]))
    relative: Phasors = np.asarray(fit.phasors * turn)
    power = float(np.sum(np.abs(relative[1:]) ** 2))
    rails = fit_rails(relative.real.copy(), np.full(fit.orders, 1e-4 * np.sqrt(power)))
    if rails.misfit > 0.3 * power or max(rails.overdrive_db) < 0.05:
        return None
    return held_wave(rails, fit, frames)


def held_wave(rails: RailFit, fit: HarmonicFit, frames: int) -> Floats:
    """Samples of the rail model at a fit's frequency and phase, (frames,) [V]."""
    index = np.arange(frames) - (frames - 1) / 2
    sine = np.cos(fit.angular * index + float(np.angle(fit.phasors[0])))
    up = side(np.maximum(sine, 0), rails.overdrive_db[0], rails.knee)
    down = side(np.maximum(-sine, 0), rails.overdrive_db[1], rails.knee)
    return np.asarray(fit.dc - rails.mean + rails.sine_peak * (up - down))
