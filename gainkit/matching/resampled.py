"""Whether one recording is another brought to a second sample rate: by what rounding the result left, no more.

A converter of rates computes every sample from those of the first file around it, its noise and rounding and
all, and rounds what comes out. So the weights of those samples are fitted, and what they leave must be that one
rounding: of a second take it holds the rounding of both files and the noise of both recorders. Long converters
do what an ideal one does, but for a filter; short ones have weights of their own at each phase of one rate to
the other, which make images of the sound besides.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST_PHASES = 640
"""Rates have so many phases to each other at most [-]: 44.1 and 96 kHz have 320."""

PLACE_SECONDS = 2.0
"""The one is looked for in the other with so much of its middle [s]."""

LEAST_SECONDS, MOST_SECONDS = 2.0, 6.0
"""So much they must have in common, and so much of it is fitted at most [s]."""

IN_BAND = 0.85
"""Long converters are ideal up to this share of half the slower rate [-]: above, their filters fall."""

HALF_TAPS, BETA = 64, 12.0
"""Half length [frames of the slower rate] and Kaiser's beta of our own filters: 118 dB, and a band to fall in
of 12 % of half the rate (Kaiser 1974, from memory)."""

LINEAR_TAPS, PHASE_TAPS = 64, 44
"""Weights of the filter beside an ideal converter, and of each phase of a short one [-]. The former place sound
between frames to 1e-6 where 15 % of the band is left free; common short converters reach 11 to 18 frames of the
slower rate to either side."""

LEAST_FRAMES = 8.0
"""For each weight of a phase so many samples are needed [-]."""

NEAR_REST = 1e-3
"""What differs by more than this share of the sound, and roundings, is no copy [-]: images of short converters
lie 65 to 75 dB under it."""

NO_REST = 1e-6
"""A rest below this share of the sound is arithmetic's [-]: no converter's noise lies 120 dB under what it
takes."""

SPREAD_SHARE = 0.02
"""Mean squares of two seconds of rounding lie within this share of theirs [-]: four standard deviations."""

KURTOSIS_SPREAD = 0.045
"""... and their fourth moments over the square of the second so near to it [-]: half of what parts a dithered
rounding from two roundings and as much noise."""

LEAST_SINGULAR = 1e-13
"""Of the equations of a fit, beside the largest [-]: frequencies that are empty have no weight."""


def converted(waves: Sequence[Floats], rates: Sequence[float], steps: Sequence[float]) -> bool:
    """Whether either of two recordings is the other at its own rate [Hz].

    waves, steps : of either, in the same volts [V]; a step of 0: none is known. Takes over a line whose noise
    is less than a thirtieth of the result's step are told as one.
    """
    ratio = Fraction(round(rates[1]), round(rates[0]))
    if ratio == 1 or max(ratio.numerator, ratio.denominator) > MOST_PHASES:
        return False
    for own, pace in ((1, ratio), (0, 1 / ratio)):
        near, explained = _explained(waves[1 - own], waves[own], pace, rates[own], steps[own])
        if explained or not near:
            return explained
    return False


def lag(short: Floats, long: Floats, frames: int) -> int:
    """Frame of the longer on which the first of the shorter lies best, by so many frames of its middle."""
    from scipy import fft

    middle = max(len(short) // 2 - frames // 2, 0)
    piece = short[middle : middle + frames]
    size = fft.next_fast_len(len(long) + len(piece), real=True)
    likeness = fft.irfft(fft.rfft(long, size) * np.conj(fft.rfft(piece, size)), size)
    best = int(np.argmax(np.abs(likeness)))
    return (best if best < len(long) else best - size) - middle


def _explained(source: Floats, result: Floats, pace: Fraction, rate: float, step: float) -> tuple[bool, bool]:
    """Whether a converter comes near, and whether it explains the result to its rounding. pace : frames of the
    result for one of the source. rate : of the result [Hz]."""
    ideal = _ideal(source, pace)
    short, long = sorted((result, ideal), key=len)
    ahead = lag(short, long, int(PLACE_SECONDS * rate)) * (1 if short is result else -1)
    faster = float(pace)
    edge = int(2 * HALF_TAPS * max(faster, 1.0)) + LINEAR_TAPS
    first = max(-ahead, 0) + edge
    last = min(len(result) - edge, len(ideal) - ahead - edge, first + int(MOST_SECONDS * rate))
    if last - first < LEAST_SECONDS * rate:
        return False, False
    limit = _low_pass(IN_BAND / max(faster, 1.0))
    wanted = np.convolve(result[first:last], limit, "valid")
    given = np.convolve(ideal[first + ahead : last + ahead], limit, "valid")
    views = np.lib.stride_tricks.sliding_window_view(given, LINEAR_TAPS)
    rest = _rest(views, wanted[LINEAR_TAPS // 2 :][: len(views)])
    power = float(np.mean(wanted**2))
    if not float(np.mean(rest**2)) < NEAR_REST**2 * power + 0.5 * step**2:
        return False, False
    white = float(limit @ limit)  # what the low-pass leaves of a rounding's power, and of its fourth cumulant
    if _rounding(rest, power, step, white, float(np.sum(limit**4)) / white**2):
        return True, True
    taps = int(PHASE_TAPS / min(faster, 1.0))
    left = 1 - taps * pace.numerator / (last - first)
    if left < 1 - 1 / LEAST_FRAMES:
        return True, False
    rest = _rest_of_phases(source, result, range(first, last), ahead, pace, taps)
    return True, _rounding(rest, power, step, left, left**2)


def _ideal(source: Floats, pace: Fraction) -> Floats:
    """A recording at another rate, by a long filter."""
    from scipy.signal import firwin, resample_poly

    wide = max(pace.numerator, pace.denominator)
    taps = firwin(2 * HALF_TAPS * wide + 1, 1 / wide, window=("kaiser", BETA))
    return np.asarray(resample_poly(source, pace.numerator, pace.denominator, window=taps))


def _low_pass(share: float) -> Floats:
    """Up to a share of half the rate, (taps,)."""
    from scipy.signal import firwin

    return np.asarray(firwin(2 * HALF_TAPS + 1, share, window=("kaiser", BETA)))


def _rest(known: Floats, wanted: Floats) -> Floats:
    """What the best weights of known samples, and a constant, leave. known : (frames, weights)."""
    count = known.shape[1] + 1
    square, cross = np.zeros((count, count)), np.zeros(count)
    blocks = [slice(start, start + (1 << 14)) for start in range(0, len(wanted), 1 << 14)]
    for block in blocks:
        part = np.column_stack((known[block], np.ones(len(wanted[block]))))
        square += part.T @ part
        cross += part.T @ wanted[block]
    weights = np.linalg.lstsq(square, cross, rcond=LEAST_SINGULAR)[0]
    return np.concatenate([wanted[block] - known[block] @ weights[:-1] - weights[-1] for block in blocks])


def _rest_of_phases(
    source: Floats, result: Floats, frames: range, ahead: int, pace: Fraction, taps: int
) -> Floats:
    """What the best weights of the source's samples leave, each phase by itself. ahead : of the result's frames
    at which the source starts."""
    views = np.lib.stride_tricks.sliding_window_view(source, taps)
    rests = []
    for phase in range(pace.numerator):
        own = np.arange(frames.start + phase, frames.stop, pace.numerator)
        near = (own + ahead) * pace.denominator // pace.numerator - taps // 2 + 1
        rests.append(_rest(views[near], result[own]))
    return np.concatenate(rests)


def _rounding(rest: Floats, power: float, step: float, white: float, sharp: float) -> bool:
    """Whether a rest is arithmetic's, or one rounding's with or without triangular dither.

    step : of the rounding [V]. white, sharp : shares that are left of its power, and of its fourth cumulant
    over the square of the power [-]. A rounding's excess is -1.2, three even densities' together -0.4.
    """
    square = float(np.mean(rest**2))
    if square < NO_REST**2 * power:
        return True
    kurtosis = float(np.mean(rest**4)) / square**2
    return any(
        abs(square - widths * white * step**2 / 12) < SPREAD_SHARE * square
        and abs(kurtosis - 3 + 1.2 / widths * sharp) < KURTOSIS_SPREAD
        for widths in (1, 3)
    )
