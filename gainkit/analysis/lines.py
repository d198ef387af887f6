"""Frequencies and amplitudes of many lines at once, by maximum likelihood.

Model: x[n] = c + sum over k of Re{A_k exp(i w_k n)}, n counted from the middle. In white noise least squares is
maximum likelihood (Kay, Fundamentals of Statistical Signal Processing, 1993, ch. 7) and reaches the Cramer-Rao
bound; all lines are solved together, so that a strong one does not lean on a weak neighbour. Inner products of
the columns are Dirichlet kernels; only the projections touch the samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.harmonic import Phasors, dirichlet, project, synthesize
from gainkit.analysis.spectrum import hann

Floats = NDArray[np.float64]

MOST_LINES = 48
"""Lines fitted together; weaker ones keep what the spectrum says [-]."""

CLOSEST_CYCLES = 1.5
"""Two lines that beat less often than this over the record are not told apart [cycles]."""

SETTLED_CYCLES = 1e-4
"""A step this small over the whole record changes nothing any more: a hundredth of the bound at 50 dB
[cycles]."""

MOST_STEPS = 6
LARGEST_STEP_CYCLES = 0.25
"""No step may leave the main lobe of a line [cycles over the record]."""


@dataclass(frozen=True)
class FittedLine:
    """frequency_hz : [Hz]. phasor : complex peak volts at the middle of the stretch that was fitted [V]."""

    frequency_hz: float
    phasor: complex

    @property
    def peak_volts(self) -> float:
        """Amplitude [V]."""
        return abs(self.phasor)

    @property
    def power(self) -> float:
        """Mean square [V^2]."""
        return self.peak_volts**2 / 2


def frequency_bound_hz(peak_volts: float, density: float, seconds: float) -> float:
    """Cramer-Rao bound of a line's frequency, standard deviation [Hz]; density : one-sided [V^2/Hz].

    var f >= 12 fs^2 / ((2 pi)^2 eta N (N^2 - 1)) with eta = A^2 / (2 sigma^2), sigma^2 = density fs / 2 (Kay
    1993, ch. 3), for many samples: 12 density / ((2 pi)^2 A^2 T^3).
    """
    return float(np.sqrt(12 * density / ((2 * np.pi) ** 2 * max(peak_volts, 1e-300) ** 2 * seconds**3)))


def amplitude_bound_volts(density: float, seconds: float) -> float:
    """Cramer-Rao bound of a line's amplitude, standard deviation [V peak]: sqrt(2 sigma^2 / N)."""
    return float(np.sqrt(density / seconds))


def fine_spectrum(samples: Floats) -> Floats:
    """One Hann periodogram of the stretch (bins,), for starting values [V^2 per bin, their sum the mean
    square]."""
    window = hann(len(samples))
    part = np.fft.rfft((samples - samples.mean()) * window)
    return np.asarray((part.real**2 + part.imag**2) * (2.0 / (len(samples) * float(window @ window))))


def start_near(fine: Floats, step_hz: float, frequency_hz: float, reach_hz: float) -> float:
    """The highest peak of the fine spectrum within reach of a frequency [Hz], between bins by a parabola."""
    first = max(int((frequency_hz - reach_hz) / step_hz), 1)
    last = min(int((frequency_hz + reach_hz) / step_hz) + 1, len(fine) - 2)
    place = first + int(np.argmax(fine[first : last + 1]))
    left, middle, right = np.log(fine[place - 1 : place + 2] + 1e-300)
    bend = left - 2 * middle + right
    offset = float(np.clip(0.5 * (left - right) / bend, -1, 1)) if bend < 0 else 0.0
    return (place + offset) * step_hz


def fit_lines(samples: Floats, sample_rate_hz: float, starts_hz: Sequence[float]) -> list[FittedLine | None]:
    """Fit lines to a record from start frequencies within a quarter cycle over it; in the order given.

    samples : (frames,) [V]. starts_hz : strongest first, at most MOST_LINES. None for one too close to a
    stronger one. Gauss-Newton on all frequencies, amplitudes and the mean.
    """
    chosen = _apart(starts_hz, CLOSEST_CYCLES * sample_rate_hz / len(samples))
    if not chosen:
        return [None] * len(starts_hz)
    angular = 2 * np.pi * np.array([starts_hz[place] for place in chosen]) / sample_rate_hz
    limit = 2 * np.pi * LARGEST_STEP_CYCLES / len(samples)
    phasors: Phasors = np.zeros(len(angular), dtype=np.complex128)
    total = float(samples.sum())
    for step in range(MOST_STEPS):
        plain, moment = project(samples, 1.0, angular, True)
        if step == 0:
            phasors, _ = _solve(angular, phasors, total, plain, None, len(samples))
        phasors, turn = _solve(angular, phasors, total, plain, moment, len(samples))
        turn = np.clip(turn, -limit, limit)
        angular = np.clip(angular + turn, 1e-6, np.pi - 1e-6)
        if float(np.abs(turn).max()) * len(samples) < 2 * np.pi * SETTLED_CYCLES:
            break
    fitted: list[FittedLine | None] = [None] * len(starts_hz)
    for place, w, a in zip(chosen, angular, phasors, strict=True):
        fitted[place] = FittedLine(float(w * sample_rate_hz / (2 * np.pi)), complex(a))
    return fitted


def without(samples: Floats, sample_rate_hz: float, lines: Sequence[FittedLine]) -> Floats:
    """The record less the lines fitted to it, (frames,) [V]."""
    if not lines:
        return samples
    angular = 2 * np.pi * np.array([line.frequency_hz for line in lines]) / sample_rate_hz
    phasors = np.array([line.phasor for line in lines])
    return samples - synthesize(len(samples), 1.0, 0.0, phasors, angular)


def _apart(starts_hz: Sequence[float], least_hz: float) -> list[int]:
    """Places of the starts that keep their distance from all stronger ones."""
    kept: list[int] = []
    for place, frequency in enumerate(starts_hz[:MOST_LINES]):
        if all(abs(frequency - starts_hz[other]) >= least_hz for other in kept):
            kept.append(place)
    return kept


def _solve(
    angular: Floats, phasors: Phasors, total: float, plain: Phasors, moment: Phasors | None, frames: int
) -> tuple[Phasors, Floats]:
    """Least squares for [mean, cosines, sines] and, with moments, for the steps of all frequencies
    [rad/sample].

    The samples themselves are fitted, not a residual: with steps d, x = model(A) + sum d_k dx/dw_k.
    """
    count = len(angular)
    matrix = _inner_products(angular, phasors, frames)
    right = np.concatenate([[total], plain.real, -plain.imag])
    if moment is None:
        matrix = matrix[: 2 * count + 1, : 2 * count + 1]
    else:
        right = np.concatenate([right, phasors.real * moment.imag - phasors.imag * moment.real])
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    solved = np.linalg.lstsq(matrix / np.multiply.outer(scale, scale), right / scale, rcond=1e-12)[0] / scale
    changed = solved[1 : count + 1] - 1j * solved[count + 1 : 2 * count + 1]
    return changed, solved[2 * count + 1 :]


def _inner_products(angular: Floats, phasors: Phasors, frames: int) -> Floats:
    """Of the columns [1, cos w_k n, sin w_k n, dx/dw_k], (3K+1, 3K+1), dx/dw_k = n (-a_k sin + b_k cos)."""
    count = len(angular)
    a, b = phasors.real, -phasors.imag
    with_mean = np.concatenate([[0.0], angular])
    plus = dirichlet(np.add.outer(with_mean, with_mean), frames)
    minus = dirichlet(np.subtract.outer(with_mean, with_mean), frames)
    matrix = np.zeros((3 * count + 1, 3 * count + 1))
    cosines, sines, slopes = slice(0, count + 1), slice(count + 1, 2 * count + 1), slice(2 * count + 1, None)
    matrix[cosines, cosines] = (minus[0] + plus[0]) / 2
    matrix[sines, sines] = ((minus[0] - plus[0]) / 2)[1:, 1:]
    matrix[cosines, slopes] = -((plus[1] - minus[1]) / 2)[:, 1:] * a
    matrix[sines, slopes] = ((plus[1] + minus[1]) / 2)[1:, 1:] * b
    matrix[slopes, cosines] = matrix[cosines, slopes].T
    matrix[slopes, sines] = matrix[sines, slopes].T
    both = (minus[2] + plus[2])[1:, 1:] / 2, (minus[2] - plus[2])[1:, 1:] / 2
    matrix[slopes, slopes] = np.outer(b, b) * both[0] + np.outer(a, a) * both[1]
    return matrix
