"""Whether two files hold one and the same recording, saved in another way: trimmed, rescaled, rounded, packed.

Two takes of one track share the track, not the noise of room and recorder. So the one is laid on the other to
the frame, brought to its level, and what it lacks is looked at: a copy lacks what rounding took, to the last
sample, or what a lossy codec took, which follows the sound; a second take lacks noise that knows nothing of the
sound, and another loudspeaker or place another filter. Copies at another sample rate: `resampled`.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.matching.resampled import NO_REST, PLACE_SECONDS, converted, lag

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

MOST_SECONDS = 60.0
"""So much of either recording is looked at [s]."""

LEAST_COMMON_SECONDS = 0.5
"""They must overlap by so much [s]: what is left of less tells too little."""

ALIKE = 0.5
"""A rest above this share of the power is another loudspeaker's or another place's [-]."""

FAR_STEPS = 1e-3
"""Two roundings count as each their own where their steps differ by more than this share [-]: files of the same
steps and level differ by whole steps, as two quiet takes do."""

SPREAD_SHARE = 0.03
"""Mean squares of half a second and more of rounding lie within this share of theirs [-]: four standard
deviations for 20,000 frames (of a triangular density the square's is 1.2 of its mean)."""

KURTOSIS_SPREAD = 0.1
"""... and their fourth moments over the square of the second this near to it [-]."""

FRAME_SECONDS = 0.043
"""Short spectra of about this length show how the rest follows the sound [s]: codecs work in frames of 10 to
50 ms."""

CODED_BANDS_HZ = (100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0)
"""Edges of the bands in which a codec's rest is looked for [Hz]: they keep these."""

CODED_REST_DB = (-55.0, -6.0)
"""A codec's rest, band by band, beside the sound [dB]: 60 to 260 kbit/s take away so much (measured with
Vorbis, Opus and MPEG layer III); a line's noise lies lower."""

MOST_FILTER = 0.1
"""A codec leaves level and phase of each band within this share [-]: another loudspeaker a centimetre off does
not."""

LEAST_UNLIKE = 0.1
"""Of a codec's rest so much at least is no filtered sound [-]."""

FOLLOWS = (0.015, 0.35)
"""How a codec's rest follows the sound: correlation of the logarithms of their powers, moment by moment, over
all bands [-]. A gain that moved or a clock that runs off makes a rest that follows it closely."""

BY_CHANCE = 3.0
"""Noise of room and recorder knows nothing of the sound: its correlation times the root of the number of
spectral powers has a mean of -1.0 and a deviation of 1.0 (measured on 234 pairs of takes) [-]."""


def same_recording(
    one: Capture,
    other: Capture,
    parts: tuple[tuple[int, int], tuple[int, int]],
    channel: int = 1,
    minus: int | None = None,
) -> bool:
    """Whether two captures are one recording. parts : frames of each in which something sounds.

    Takes over a digital line, and over one whose noise lies a thousandth of the coarser file's step low, are
    told as one: nothing in them differs.
    """
    if one is other:
        return True
    rate, sounds = one.sample_rate_hz, []
    for capture, (start, stop) in zip((one, other), parts, strict=True):
        stop = min(stop, start + int(MOST_SECONDS * capture.sample_rate_hz))
        step = (capture.step_units or 0.0) * capture.volts_per_unit * (1 if minus is None else 2)
        sounds.append((capture.volts(start, stop, channel=channel, minus=minus), step))
    if rate != other.sample_rate_hz:
        waves, steps = zip(*sounds, strict=True)
        return converted(waves, (rate, other.sample_rate_hz), steps)
    (short, short_step), (long, long_step) = sorted(sounds, key=lambda each: len(each[0]))
    short, long = _laid(short, long, int(PLACE_SECONDS * rate))
    if len(short) < LEAST_COMMON_SECONDS * rate:
        return False
    short, long = short - short.mean(), long - long.mean()  # what cuts digits off leaves half a step behind
    power, level = float(short @ short), float(long @ long)
    if not power or not level:
        return False
    gain = float(short @ long) / power
    rest = long - gain * short
    left = float(rest @ rest) / level
    if left < NO_REST**2:
        return True
    return left < ALIKE and (
        _rounded(rest, abs(gain) * short_step, long_step) or _coded(short, rest, gain, rate)
    )


def _laid(short: Floats, long: Floats, frames: int) -> tuple[Floats, Floats]:
    """What the two have in common, where the middle of the shorter lies best in the longer, (frames,) each."""
    late = lag(short, long, frames)
    short, long = short[max(-late, 0) :], long[max(late, 0) :]
    common = min(len(short), len(long))
    return short[:common], long[:common]


def _rounded(rest: Floats, one_step: float, other_step: float) -> bool:
    """Whether rounding explains a rest to its last sample: one file's, both files', or with triangular dither.

    Steps : of either file, in the volts of the rest [V]; 0 where there is none. Rounding is an even density one
    step wide, dither of two steps is two more (Lipshitz, Wannamaker and Vanderkooy 1992, from memory); each has
    a mean square of 1/12, the fourth cumulants -1/120 add up. Noise of the same power goes farther out.
    """
    fine, coarse = sorted((one_step, other_step))
    if not coarse:
        return False
    peak, square = float(np.abs(rest).max()), float(np.mean(rest**2))
    kurtosis = float(np.mean(rest**4)) / square**2
    slack = 1 + 8 / np.sqrt(len(rest))  # what the gain's own deviation adds at the crests
    ways = [(coarse,), (coarse, coarse, coarse)]
    if fine < (1 - FAR_STEPS) * coarse:
        ways.append((fine, coarse))
    for widths in ways:
        squares = np.array(widths) ** 2 / 12
        expected = 3 - 1.2 * float(np.sum(squares**2)) / float(squares.sum()) ** 2
        if (
            peak <= 0.5 * sum(widths) * slack
            and abs(square / float(squares.sum()) - 1) < SPREAD_SHARE
            and abs(kurtosis - expected) < KURTOSIS_SPREAD
        ):
            return True
    return False


def _coded(sound: Floats, rest: Floats, gain: float, rate: float) -> bool:
    """Whether a lossy codec explains a rest: of some power in each band, no filter's, following the sound."""
    size = 1 << round(np.log2(FRAME_SECONDS * rate))
    if len(sound) < 8 * size:
        return False
    sounds, rests = _spectra(gain * sound, size), _spectra(rest, size)
    follows, powers = 0.0, 0
    for low_hz, high_hz in itertools.pairwise(CODED_BANDS_HZ):
        first, last = (round(edge * size / rate) for edge in (low_hz, high_hz))
        own, left = sounds[:, first:last], rests[:, first:last]
        power, cross = np.abs(own) ** 2, np.conj(own) * left
        whole, whole_left = max(float(power.sum()), 1e-300), float(np.sum(np.abs(left) ** 2))
        if abs(complex(cross.sum())) > MOST_FILTER * whole:
            return False
        alone = left - own * (cross.sum(axis=0) / np.maximum(power.sum(axis=0), 1e-300))
        unlike = np.abs(alone) ** 2
        share = float(unlike.sum())
        least, most = (10 ** (each / 10) for each in CODED_REST_DB)
        if not least * whole < share < most * whole or share < LEAST_UNLIKE * whole_left:
            return False
        follows += power.size * _correlation(power, unlike)
        powers += power.size
    least_follows = max(FOLLOWS[0], BY_CHANCE / np.sqrt(powers))
    return bool(least_follows < follows / powers < FOLLOWS[1])


def _spectra(wave: Floats, size: int) -> Phasors:
    """Short spectra that overlap by half, (moments, bins)."""
    moments = np.lib.stride_tricks.sliding_window_view(wave, size)[:: size // 2]
    return np.asarray(np.fft.rfft(moments * np.hanning(size), axis=1))


def _correlation(powers: Floats, others: Floats) -> float:
    """Of the logarithms of powers about their means bin by bin [-]. Both (moments, bins)."""
    levels = [np.log(each + 1e-12 * float(each.mean()) + 1e-300) for each in (powers, others)]
    one, other = (each - each.mean(axis=0) for each in levels)
    return float(np.sum(one * other) / max(np.sqrt(np.sum(one**2) * np.sum(other**2)), 1e-300))
