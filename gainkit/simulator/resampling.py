"""A signal at another rate: up and down around a stage that clips, and to a recorder's own clock."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OVERSAMPLING = 16
"""Points between two samples that the stage is applied to [-]: at 48 kHz what folds back comes from above 740
kHz, where a hard rail's orders are weak."""

HALF_TAPS = 44
"""Half length of the filters at the slower rate [frames]: flat to 0.4535 of the rate, -110 dB from 0.5465."""

BETA = 0.1102 * (110 - 8.7)
"""Shape of a Kaiser window for 110 dB [-] (Kaiser's formula)."""

PHASES = 4096
"""Positions between two samples that taps are tabulated for [-]: linear between them errs below -110 dB."""


@lru_cache(maxsize=4)
def _kernel_spectrum(frames: int) -> Floats:
    """Response of the oversampling filter at the lowest bins of a block of frames, oversampled [-]."""
    half = HALF_TAPS * OVERSAMPLING
    index = np.arange(-half, half + 1) / OVERSAMPLING
    taps = np.sinc(index) * np.kaiser(2 * half + 1, BETA)
    block = np.zeros(frames * OVERSAMPLING)
    block[: half + 1], block[-half:] = taps[half:], taps[:half]
    kept = int(0.5465 * frames) + 1
    return np.asarray(np.fft.rfft(block).real[:kept] / taps.sum())


def upsampled(part: Floats) -> Floats:
    """One block at OVERSAMPLING times its rate; its ends, HALF_TAPS frames each, are wrapped round."""
    frames = len(part)
    response = _kernel_spectrum(frames)
    spectrum = np.fft.rfft(part)
    fine = np.zeros(frames * OVERSAMPLING // 2 + 1, dtype=np.complex128)
    half = frames // 2
    fine[: half + 1] = spectrum
    mirrored = np.arange(half + 1, len(response))
    fine[mirrored] = np.conj(spectrum[frames - mirrored])
    fine[: len(response)] *= response * OVERSAMPLING
    return np.asarray(np.fft.irfft(fine, frames * OVERSAMPLING))


def downsampled(fine: Floats) -> Floats:
    """The way back: filtered, every OVERSAMPLING-th sample kept by folding the spectrum."""
    frames = len(fine) // OVERSAMPLING
    response = _kernel_spectrum(frames)
    spectrum = np.fft.rfft(fine)[: len(response)] * response
    half = frames // 2
    folded = spectrum[: half + 1].copy()
    mirrored = np.arange(half + 1, len(response))
    folded[frames - mirrored] += np.conj(spectrum[mirrored])
    folded[half] += np.conj(spectrum[half])
    return np.asarray(np.fft.irfft(folded, frames) / OVERSAMPLING)


@lru_cache(maxsize=4)
def _phase_table(scale: float) -> Floats:
    """Windowed sinc taps for positions between two samples, (PHASES + 1, taps); scale <= 1: cutoff."""
    half = math.ceil(HALF_TAPS / scale)
    offset = np.arange(1 - half, half + 1)[np.newaxis] - np.arange(PHASES + 1)[:, np.newaxis] / PHASES
    window = np.i0(BETA * np.sqrt(np.maximum(1 - (offset / half) ** 2, 0))) / np.i0(BETA)
    return np.asarray(scale * np.sinc(scale * offset) * window)


def resample(volts: Floats, rate_hz: float, new_rate_hz: float) -> Floats:
    """The same signal at another rate, (frames,) to (frames x new / old,): band-limited interpolation.

    Kaiser-windowed sinc from a table of 4096 phases, linear between them: errors below -110 dB up to 0.45 of
    the lower rate.
    """
    table = _phase_table(min(1.0, new_rate_hz / rate_hz))
    taps = table.shape[1]
    ratio = rate_hz / new_rate_hz
    padded = np.concatenate([np.zeros(taps), volts, np.zeros(taps)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, taps)
    out = np.empty(int(len(volts) / ratio))
    rows = max(1, (1 << 15) // taps)  # what the processor's own memory holds
    for first in range(0, len(out), rows):
        at = np.arange(first, min(first + rows, len(out))) * ratio
        whole = np.floor(at).astype(np.int64)
        phase = (at - whole) * PHASES
        index = np.minimum(phase.astype(np.int64), PHASES - 1)
        share = (phase - index)[:, np.newaxis]
        weights = table[index] * (1 - share) + table[index + 1] * share
        out[first : first + len(at)] = np.einsum("ij,ij->i", windows[whole + taps // 2 + 1], weights)
    return out
