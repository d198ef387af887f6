"""A harmonic signal in noise by maximum likelihood: frequency, phasors and DC fitted together.

Model: x[n] = c + sum over k = 1..K of Re{A_k exp(i k w n)}, n counted from the middle of the record. In
white noise the least-squares fit is the maximum-likelihood one; with K = 1 it is the four-parameter sine
fit of IEEE 1057. No coherence between tone and sample rate is needed, and no window leaks.

Gauss-Newton on all parameters at once. Counted from the middle, every inner product of two model columns
is a Dirichlet kernel or its derivative, so the normal matrix costs nothing; only the projections of the
residual need the samples, and they are one matrix product over blocks. The residual is always formed by
subtraction, so that figures 150 dB below the tone are not lost in the tone's own rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.spectrum import hann

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

BLOCK = 512
"""Samples of one block of the projections [samples]: its columns stay in the processor's cache, and sines are
taken for the columns and for each block's turn, fewest together where a block is about the root of a record."""

COARSE_FRAMES = 1 << 17
"""The tone is first looked for in so many frames from the middle: 2.7 s at 48 kHz [samples]."""

MAX_STEPS = 12
"""Gauss-Newton settles in four to six steps; more would not settle at all [-]."""

ROUGH_FRAMES = 1 << 15
"""The harmonics' phasors start from those of so many frames from the middle [samples]."""

SETTLED_RADIANS = 2e-3
"""A move of the highest order by less than this over the record is the last: what it leaves goes with the
square, and is less than 2e-7 of that order [rad]."""

MANY_BLOCKS = 100
"""With so many blocks a sample's time within its own counts for nothing: leaving it out costs a frequency one
ten-thousandth of its variance [-]."""

WELL_APART = 0.5
"""Columns of the normal matrix, each of unit length, whose products with the others sum to less are solved for
as they are [-]."""

FEW_CYCLES = 16
"""With fewer cycles in the record the line's mirror image pulls the peak of its spectrum [-]."""

NYQUIST_SHARE = 0.49
"""Nothing is looked for above this share of the sample rate [-]."""


@dataclass(frozen=True)
class HarmonicFit:
    """The fitted signal and what it leaves over.

    angular : w [rad/sample]. dc : c [V]. phasors : (K,) complex peak volts of orders 1..K at the middle of
    the record [V]. residual : (frames,) samples less the model [V].
    """

    angular: float
    dc: float
    phasors: Phasors
    residual: Floats = field(repr=False)

    @property
    def orders(self) -> int:
        return len(self.phasors)

    def phasors_at(self, frame: float) -> Phasors:
        """The phasors with time counted from another frame of the record [V]."""
        shift = frame - (len(self.residual) - 1) / 2
        return np.asarray(self.phasors * np.exp(1j * self.angular * shift * np.arange(1, self.orders + 1)))


def from_crest(phasors: Phasors) -> Phasors:
    """Phasors (K,) with time counted from the fundamental's crest, so that order 1 is real [V]."""
    return np.asarray(phasors * np.exp(-1j * np.arange(1, len(phasors) + 1) * np.angle(phasors[0])))


def dirichlet(theta: Floats, frames: int) -> tuple[Floats, Floats, Floats]:
    """Sums over the centred index n of cos(theta n), n sin(theta n) and n^2 cos(theta n), same shape as theta.

    The first is the Dirichlet kernel sin(N theta/2)/sin(theta/2); the others are its derivatives with the
    signs that make them sums. Near theta = 0 (mod 2 pi) the limits are taken by series.
    """
    theta = np.asarray(theta, dtype=np.float64)
    folded = np.remainder(theta + np.pi, 2 * np.pi) - np.pi
    sign = np.where(np.rint((theta - folded) / (2 * np.pi)) % 2 == 0, 1.0, (-1.0) ** (frames - 1))
    half, size = folded / 2, float(frames)
    near = np.abs(folded) * size < 1e-3
    safe = np.where(near, 1.0, half)
    s, c = np.sin(safe), np.cos(safe)
    big_s, big_c = np.sin(size * safe), np.cos(size * safe)
    kernel = big_s / s
    first = (size * big_c * s - big_s * c) / (2 * s * s)
    second = (
        -(size**2) * big_s * s * s - 2 * size * big_c * s * c + big_s * s * s + 2 * big_s * c * c
    ) / (4 * s**3)  # fmt: skip
    squares = size * (size * size - 1) / 12
    fourths = squares * (3 * size * size - 7) / 20
    kernel = np.where(near, size - squares * folded**2 / 2, kernel)
    first = np.where(near, -squares * folded, first)
    second = np.where(near, -squares + fourths * folded**2 / 2, second)
    return sign * kernel, -sign * first, -sign * second


def turns(angle: Floats, orders: NDArray[np.int64] | Floats) -> Phasors:
    """exp(i k angle) for angles (n,) [rad] and orders (K,): (n, K); whole orders by multiplication."""
    if orders.dtype.kind == "f":
        return np.exp(1j * np.multiply.outer(angle, orders))
    out = np.empty((len(orders), len(angle)), dtype=np.complex128)
    one = np.exp(1j * angle)
    out[0] = 1.0 if orders[0] == 0 else one
    for row in range(1, len(orders)):
        np.multiply(out[row - 1], one, out=out[row])
    return out.T


def basis(angular: float, orders: NDArray[np.int64] | Floats, frames: int) -> Floats:
    """Columns cos(k w j) and -sin(k w j), j = 0..frames-1: (frames, 2K).

    orders : whole ones from 0 or 1 up, none left out; or any frequencies over w, in floating point.
    """
    if orders.dtype.kind == "f":
        angle = np.multiply.outer(np.arange(frames, dtype=np.float64), angular * orders)
        return np.concatenate([np.cos(angle), -np.sin(angle)], axis=1)
    make = _plain_basis if frames <= BLOCK else _plain_basis.__wrapped__  # long ones are too large to keep
    plain = make(angular, int(orders[-1]), frames)
    return np.delete(plain, [0, len(orders) + 1], axis=1) if orders[0] == 1 else plain


@lru_cache(maxsize=4)
def _plain_basis(angular: float, last: int, frames: int) -> Floats:
    """Orders 0..last, kept a while: what is projected has just been synthesised at the same frequency."""
    turned = turns(np.arange(frames, dtype=np.float64) * -angular, np.arange(last + 1))
    plain = np.concatenate([turned.real, turned.imag], axis=1)
    plain.flags.writeable = False
    return plain


def project(
    samples: Floats, angular: float, orders: NDArray[np.int64] | Floats, weighted: bool
) -> tuple[Phasors, Phasors]:
    """Sums of x exp(-i k w n) and, if weighted, of n x exp(-i k w n), n centred: two (K,) arrays.

    orders : the multiples k of w, whole or not: with w = 1 rad/sample they are frequencies themselves. In long
    records a weight is that of a block's middle.
    """
    count = len(orders)
    middle = (len(samples) - 1) / 2
    plain = np.zeros(count, dtype=np.complex128)
    moment = np.zeros(count, dtype=np.complex128)
    whole = len(samples) // BLOCK * BLOCK
    within = weighted and whole < MANY_BLOCKS * BLOCK
    for first, last, size in ((0, whole, BLOCK), (whole, len(samples), len(samples) - whole)):
        if last == first:
            continue
        columns = basis(angular, orders, BLOCK if whole else size)[:size]
        if within:
            columns = np.concatenate([columns, columns * np.arange(size)[:, None]], axis=1)
        parts = samples[first:last].reshape(-1, size) @ columns
        offset = first + size * np.arange(parts.shape[0], dtype=np.float64) - middle
        turn = turns(offset * -angular, orders)
        blockwise = (parts[:, :count] + 1j * parts[:, count : 2 * count]) * turn
        plain += blockwise.sum(axis=0)
        if within:
            inner = (parts[:, 2 * count : 3 * count] + 1j * parts[:, 3 * count :]) * turn
            moment += offset @ blockwise + inner.sum(axis=0)
        elif weighted:
            moment += (offset + (size - 1) / 2) @ blockwise
    return plain, moment


def synthesize(
    frames: int, angular: float, dc: float, phasors: Phasors, orders: Floats | None = None
) -> Floats:
    """The model's samples, (frames,) [V]; phasors (K,) counted from the middle, of orders 1..K unless given."""
    multiples = np.arange(1, len(phasors) + 1) if orders is None else orders
    middle = (frames - 1) / 2
    out = np.empty(frames)
    whole = frames // BLOCK * BLOCK
    for first, last, size in ((0, whole, BLOCK), (whole, frames, frames - whole)):
        if last == first:
            continue
        offset = first + size * np.arange((last - first) // size, dtype=np.float64) - middle
        turned = turns(offset * angular, multiples) * phasors
        weights = np.concatenate([turned.real, turned.imag], axis=1)
        columns = basis(angular, multiples, BLOCK if whole else size)[:size]
        np.matmul(weights, columns.T, out=out[first:last].reshape(-1, size))
    if dc:
        out += dc
    return out


def normal_matrix(angular: float, phasors: Phasors, frames: int) -> Floats:
    """Inner products of the columns [1, cos k, sin k, dx/dw], (2K+2, 2K+2), from Dirichlet kernels."""
    count = len(phasors)
    orders = np.arange(count + 1)
    a = np.concatenate([[0.0], phasors.real]) * orders  # k times the cosine amplitudes
    b = np.concatenate([[0.0], -phasors.imag]) * orders
    sums = dirichlet(angular * np.arange(2 * count + 1, dtype=np.float64), frames)
    plus = [kernel[np.add.outer(orders, orders)] for kernel in sums]
    apart = np.subtract.outer(orders, orders)
    minus = [kernel[np.abs(apart)] for kernel in sums]
    minus[1] = minus[1] * np.sign(apart)
    matrix = np.zeros((2 * count + 2, 2 * count + 2))
    cosines, sines, slope = slice(0, count + 1), slice(count + 1, 2 * count + 1), 2 * count + 1
    matrix[cosines, cosines] = (minus[0] + plus[0]) / 2
    matrix[sines, sines] = ((minus[0] - plus[0]) / 2)[1:, 1:]
    # d/dw of the model is sum of k n (-a_k sin(k w n) + b_k cos(k w n))
    matrix[cosines, slope] = -((plus[1] + minus[1]) / 2).T @ a
    matrix[sines, slope] = (((plus[1] - minus[1]) / 2).T @ b)[1:]
    matrix[slope, cosines] = matrix[cosines, slope]
    matrix[slope, sines] = matrix[sines, slope]
    matrix[slope, slope] = a @ ((minus[2] - plus[2]) / 2) @ a + b @ ((minus[2] + plus[2]) / 2) @ b
    return matrix


def refine(
    samples: Floats, angular: float, count: int, *, fixed: bool = False, start: Phasors | None = None
) -> HarmonicFit:
    """Gauss-Newton from a frequency within about half a cycle over the record.

    samples : (frames,) [V]; angular : start [rad/sample]; count : number of orders K, below pi/angular;
    fixed : leave the frequency as given. start : phasors (K,) or fewer to start from [V]; without them the
    first step fits the amplitudes alone.
    """
    frames = len(samples)
    known = start is not None
    phasors = np.zeros(count, dtype=np.complex128)
    if start is not None:
        phasors[: len(start)] = start
    fit = _fit_at(samples, angular, 0.0, phasors) if known else HarmonicFit(angular, 0.0, phasors, samples)
    for step in range(MAX_STEPS):
        move = not fixed and (known or step > 0)
        dc, change, turn = _newton_step(fit, move)
        limit = 0.5 / frames  # no step may leave the main lobe
        turn = min(max(turn, -limit * np.pi), limit * np.pi)
        fit = _fit_at(samples, fit.angular + turn, fit.dc + dc, fit.phasors + change)
        # Gauss-Newton converges quadratically
        if fixed or (move and abs(turn) * frames * count < SETTLED_RADIANS):
            break
    return fit


def _fit_at(samples: Floats, angular: float, dc: float, phasors: Phasors) -> HarmonicFit:
    """A model with what it leaves of the samples."""
    model = synthesize(len(samples), angular, dc, phasors)
    return HarmonicFit(angular, dc, phasors, np.subtract(samples, model, out=model))


def _newton_step(fit: HarmonicFit, move: bool) -> tuple[float, Phasors, float]:
    """Changes of DC [V], phasors (K,) [V] and frequency [rad/sample] that take most from the residual.

    move : whether the frequency may change.
    """
    count = fit.orders
    plain, moment = project(fit.residual, fit.angular, np.arange(count + 1), move)
    right = np.concatenate([plain.real, -plain.imag[1:]])
    matrix = normal_matrix(fit.angular, fit.phasors, len(fit.residual))
    if move:
        slope = fit.phasors.real * moment.imag[1:] - fit.phasors.imag * moment.real[1:]
        right = np.append(right, np.arange(1, count + 1) @ slope)
    else:
        matrix = matrix[:-1, :-1]
    scale = np.sqrt(np.diag(matrix))
    scale[scale == 0] = 1.0
    scaled = matrix / np.multiply.outer(scale, scale)
    if np.abs(scaled).sum(axis=0).max() < 1 + WELL_APART:
        change = np.linalg.solve(scaled, right / scale) / scale
    else:  # few cycles, or orders that fold onto each other
        change = np.linalg.lstsq(scaled, right / scale, rcond=1e-13)[0] / scale
    phasors = change[1 : count + 1] - 1j * change[count + 1 : 2 * count + 1]
    return float(change[0]), np.asarray(phasors), float(change[-1]) if move else 0.0


def coarse_frequency(samples: Floats, sample_rate_hz: float, low_hz: float, high_hz: float) -> float | None:
    """The strongest line between low and high [Hz], within a tenth of a cycle over the record; None if silent.

    samples : (frames,) [V]. Records of few cycles are searched by the fit itself.
    """
    frames = min(len(samples), COARSE_FRAMES)
    first = (len(samples) - frames) // 2
    part = samples[first : first + frames]
    part = part - part.mean()
    frequency_hz = _spectral_peak(part, sample_rate_hz, low_hz, min(high_hz, NYQUIST_SHARE * sample_rate_hz))
    if frequency_hz is None or frequency_hz * frames / sample_rate_hz > FEW_CYCLES:
        return frequency_hz
    return _best_by_fit(part, sample_rate_hz, frequency_hz)


def _spectral_peak(part: Floats, sample_rate_hz: float, low_hz: float, high_hz: float) -> float | None:
    """The peak of a Hann-windowed spectrum, by a parabola through its logarithm [Hz]; None if there is none."""
    frames = len(part)
    size = 1 << (2 * frames - 1).bit_length() if frames <= COARSE_FRAMES // 2 else frames
    spectrum = np.fft.rfft(part * hann(frames), size)
    power = spectrum.real**2 + spectrum.imag**2
    step_hz = sample_rate_hz / size
    bottom = max(int(np.ceil(max(low_hz, 0.6 * sample_rate_hz / frames) / step_hz)), 1)
    top = min(int(high_hz / step_hz), len(power) - 2)
    if top <= bottom:
        return None
    peak = bottom + int(np.argmax(power[bottom : top + 1]))
    if not power[peak] > 0:
        return None
    left, middle, right = np.log(power[peak - 1 : peak + 2] + 1e-300)
    bend = left - 2 * middle + right
    offset = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((peak + float(np.clip(offset, -1, 1))) * step_hz)


def _best_by_fit(part: Floats, sample_rate_hz: float, frequency_hz: float) -> float:
    """Of frequencies a tenth of a cycle apart around a start, the one whose sine leaves least [Hz]."""
    cycle_hz = sample_rate_hz / len(part)
    trials = frequency_hz + 0.1 * cycle_hz * np.arange(-8, 9)
    trials = trials[(trials > 0.3 * cycle_hz) & (trials < NYQUIST_SHARE * sample_rate_hz)]
    angulars = [2 * np.pi * float(trial) / sample_rate_hz for trial in trials]
    left_over = [float(np.sum(refine(part, angular, 1, fixed=True).residual ** 2)) for angular in angulars]
    return float(trials[int(np.argmin(left_over))])


def fit_harmonics(
    samples: Floats, sample_rate_hz: float, frequency_hz: float, *, highest_hz: float, max_order: int = 20
) -> HarmonicFit:
    """Fit a tone and its harmonics to a steady record.

    samples : (frames,) [V], at least three cycles. frequency_hz : start, as from ``coarse_frequency`` [Hz].
    highest_hz : harmonics above are not fitted [Hz]. Source: IEEE 1057 (sine fit); Kay, Fundamentals of
    Statistical Signal Processing (1993), ch. 7 (least squares as maximum likelihood in white noise).
    """
    ceiling = min(highest_hz, NYQUIST_SHARE * sample_rate_hz)
    angular = 2 * np.pi * frequency_hz / sample_rate_hz
    angular = refine(_middle(samples, COARSE_FRAMES), angular, 1).angular
    count = max(1, min(max_order, int(ceiling / (angular * sample_rate_hz / (2 * np.pi)) + 1e-6)))
    part = _middle(samples, ROUGH_FRAMES)
    rough = refine(part, angular, count, fixed=True)
    # both middles lie half a sample apart at most
    shift = (len(samples) - 1) / 2 - (len(samples) - len(part)) // 2
    return refine(samples, angular, count, start=rough.phasors_at(shift))


def _middle(samples: Floats, frames: int) -> Floats:
    """So many samples from the middle, or all."""
    first = max((len(samples) - frames) // 2, 0)
    return samples[first : first + frames]
