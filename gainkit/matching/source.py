"""How much of a recording is the noise track that was played: by coherence, segment by segment.

The track is found in the recording by cross-correlation, followed along the recorder's clock, and compared with
what was heard: the coherent part of the power is the loudspeaker's, the rest is engine, wind and hiss. Sound
that comes later than a segment counts as background; cars have decayed by then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

SEGMENT_SECONDS = 0.35
"""Length of the compared segments [s]: cars have decayed by 60 dB in less, and no clock moves much in it."""

MOST_SECONDS = 60.0
"""So much of a recording is compared [s]."""

MOST_PLAYED_SECONDS = 300.0
"""... and so much of a track is searched [s]."""

PLACE_SECONDS = 2.0
"""The track is first looked for with so much of the recording's middle [s]."""

NEAR_SECONDS = 0.03
"""Echoes that are as strong as what comes straight are not later than this in a car [s]."""

DRIFT_SECONDS = 0.004
"""From segment to segment of a minute the place moves by no more: clocks are off by less than 1e-4 [s]."""

LEAST_WITHIN = 3.0
"""Segments that show a place so near to the line through the others count for it [frames]."""

ALIKE = 0.9
"""Peaks within this share of the highest are alike [-]."""

LEAST_PEAK = 8.0
"""The track is there when its cross-correlation stands so many standard deviations out of all other places [-]:
of a million places noise alone reaches 5.3 (normal tail), and noise without treble a little more."""


@dataclass(frozen=True)
class Coherence:
    """share : of the power that is the track's, (bins,) [0..1], at multiples of step_hz [Hz]. segments : that
    were averaged [-]."""

    share: Floats
    step_hz: float
    segments: int

    def at(self, step_hz: float, bins: int) -> Floats:
        """The share at other frequencies, (bins,)."""
        own = np.arange(len(self.share)) * self.step_hz
        return np.asarray(np.interp(np.arange(bins) * step_hz, own, self.share))


def coherence_with(
    capture: Capture,
    played: Capture,
    channel: int,
    minus: int | None,
    part: tuple[int, int],
    played_channel: int = 1,
) -> Coherence:
    """Share of the track in a recording. part : frames of it that are compared. played : the track, or another
    recording of it.

    Raises GainkitError (`track_not_heard`) where the track is not in it.
    """
    rate = capture.sample_rate_hz
    track = _at_rate(played, played_channel, rate)
    start, stop = part[0], min(part[1], part[0] + int(MOST_SECONDS * rate))
    heard = capture.volts(start, stop, channel=channel, minus=minus)
    size = 1 << round(math.log2(SEGMENT_SECONDS * rate))
    place = _place(heard, track, int(PLACE_SECONDS * rate), int(NEAR_SECONDS * rate))
    if place is None or len(heard) < 3 * size:
        raise GainkitError("track_not_heard", track=played.file).within("file", capture.file)
    starts = np.arange(0, len(heard) - size + 1, size // 2)
    moves = _moves(heard, track, place, starts, size, int(DRIFT_SECONDS * rate))
    window = np.hanning(size + 2)[1:-1]
    turn = 2j * np.pi * np.arange(size // 2 + 1) / size
    cross, own, other = np.zeros(size // 2 + 1, complex), np.zeros(size // 2 + 1), np.zeros(size // 2 + 1)
    for begin, move in zip(starts, moves, strict=True):
        whole = round(move)
        one = np.fft.rfft(window * _from(track, place + int(begin) + whole, size)) * np.exp(
            turn * (move - whole)
        )
        two = np.fft.rfft(window * heard[begin : begin + size])
        cross += np.conj(one) * two
        own += np.abs(one) ** 2
        other += np.abs(two) ** 2
    square = np.abs(cross) ** 2 / np.maximum(own * other, 1e-300)
    chance = 1 / max(0.5 * len(starts), 1.0)  # segments that overlap by half count half
    share = np.clip((square - chance) / (1 - chance), 0.0, 1.0)
    return Coherence(share, rate / size, len(starts))


def _at_rate(played: Capture, channel: int, rate: float) -> Floats:
    longest = int(MOST_PLAYED_SECONDS * played.sample_rate_hz)
    track = played.volts(0, min(played.frames, longest), channel=channel)
    if played.sample_rate_hz != rate:
        from scipy.signal import resample_poly

        track = resample_poly(track, round(rate), round(played.sample_rate_hz))
    return np.asarray(track)


def _from(track: Floats, start: int, size: int) -> Floats:
    """A stretch of a track that is played over and over, (size,)."""
    return track[(start + np.arange(size)) % len(track)]


def _place(heard: Floats, track: Floats, frames: int, near: int) -> int | None:
    """Frame of the track that sounds at the recording's first; None where it is not in it.

    frames : of the recording's middle that are looked for. near : how far echoes may draw the place away.
    """
    from scipy import fft

    middle = max(len(heard) // 2 - frames // 2, 0)
    piece = heard[middle : middle + frames]
    size = fft.next_fast_len(len(track) + len(piece), real=True)
    looped = np.concatenate([track, track[: min(len(piece), len(track))]])
    spectrum = fft.rfft(looped, size) * np.conj(fft.rfft(piece, size))
    likeness = np.abs(fft.irfft(spectrum, size)[: len(track)])
    if likeness.max() < LEAST_PEAK * float(np.sqrt(np.mean(likeness**2))):
        return None
    # a track may repeat itself: of places that are alike, the one from which the recording lies within it
    alike = np.flatnonzero(likeness > ALIKE * likeness.max())
    outside = np.maximum(middle - alike, 0) + np.maximum(alike - middle + len(heard) - len(track), 0)
    within = alike[outside <= outside.min() + size // 100]
    best = int(within[int(np.argmax(likeness[within]))])
    # the broad peak of a noise without treble leans to where the room answers: all frequencies alike part them
    spectrum /= np.maximum(np.abs(spectrum), 1e-9 * float(np.abs(spectrum).max()))
    sharp = np.abs(fft.irfft(spectrum, size)[: len(track)])
    around = np.arange(best - near, best + near + 1) % len(track)
    top = int(around[int(np.argmax(sharp[around]))])
    if sharp[top] > LEAST_PEAK * float(np.sqrt(np.mean(sharp**2))):
        best = top
    return (best - middle) % len(track)


def _moves(
    heard: Floats, track: Floats, place: int, starts: NDArray[np.int64], size: int, most_shift: int
) -> Floats:
    """By how many frames the track has moved at each segment, by a line through what they show, (segments,)."""
    shifts = []
    for begin in starts:
        one = np.fft.rfft(_from(track, place + int(begin) - most_shift, size + 2 * most_shift))
        two = np.fft.rfft(heard[begin : begin + size], size + 2 * most_shift)
        cross = one * np.conj(two)
        # every frequency alike: a sharp peak
        cross /= np.maximum(np.abs(cross), 1e-9 * float(np.abs(cross).max()))
        peak = int(np.argmax(np.abs(np.fft.irfft(cross, size + 2 * most_shift)[: 2 * most_shift + 1])))
        shifts.append(peak - most_shift)
    moves = np.array(shifts, dtype=float)
    middle = np.median(moves)
    for within in (most_shift / 8, most_shift / 32, LEAST_WITHIN):  # single segments are misled by noise
        near = np.abs(moves - middle) <= max(LEAST_WITHIN, within)
        if near.sum() < 2:
            return np.full(len(starts), float(np.median(moves)))
        middle = np.polyval(np.polyfit(starts[near], moves[near], 1), starts)
    return np.asarray(middle)
