"""A file compared with the tone that it should hold: gain step by step, and what is left over.

With reference r and samples x over a step, the gain is <x, r> / <r, r> (least squares): the level error. What
is left over, x - gain r, betrays a lossy format or other processing even where the level is right; so does the
largest single difference x - r, which takes in what lies between the steps.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.encode import BLOCK_FRAMES
from gainkit.generator.model import Samples, Waveform
from gainkit.levels import db_from_ratio

LEVEL_TOLERANCE_DB = 0.01
"""A level further off than this is told as changed [dB]: a tenth of what a good meter resolves."""

_SURE = 5.0
"""A gain must be off by so many standard deviations of what noise makes of it [-]."""

ROUNDING = 1e-13
"""Share of the power that is lost by rounding [-]."""

_LONGEST_SHIFT_FRAMES = 8192
"""Encoders' delay is searched up to here [frames]."""

CHANNELS = ("left", "right")


@dataclass(frozen=True)
class ToneComparison:
    """What comparing a file with its tone shows.

    level_error_db : of the step furthest off for what its noise allows. level_changed : further than that.
    residual_power : mean square left over, of the noisier channel, over the steps or between them, whichever
        is more. difference : largest single |x - r|, full scale 1.0.
    inverted : channels in the wrong polarity. lost : a channel is missing, or sounds where it was silent.
    """

    level_error_db: float
    level_changed: bool
    residual_power: float
    difference: float
    inverted: tuple[str, ...]
    lost: bool


def compare_with_tone(
    file: Any,
    blocks: Iterable[Samples],
    waveform: Waveform,
    noise_power: float,
    *,
    shift: int = 0,
    exchanged: bool = False,
) -> ToneComparison:
    """Compare a file with the tone that it should hold.

    Parameters
    ----------
    file : an open SoundFile, read from frame `shift` on.
    blocks : what it should hold, (frames, 2) each, full scale 1.0.
    waveform : the tone that the blocks are of: where its steps lie, and what sounds in them.
    noise_power : mean square that an honest copy's own rounding and dither may add, full scale 1.0.
    shift : frames by which the file lags.
    exchanged : compare the file's left with the right of `blocks`.
    """
    sums = _StepSums(waveform)
    turned = (block[:, ::-1] for block in blocks) if exchanged else blocks
    for start, reference, samples in _pairs(file, turned, shift):
        sums.add(start, reference, samples)
    sounding = _sounding(waveform)
    return _compared(sums, sounding[:, ::-1] if exchanged else sounding, noise_power)


class _StepSums:
    """Sums of x r, r r, x x, x and r over each step and channel; the last row is between the steps."""

    def __init__(self, waveform: Waveform) -> None:
        self.steps = waveform.steps
        self.begins = [step.start_frame for step in self.steps]
        self.ends = [step.stop_frame for step in self.steps]
        self.sums = np.zeros((len(self.steps) + 1, 5, 2))
        self.counts = np.zeros(len(self.steps) + 1)
        self.difference = 0.0

    def add(self, start: int, reference: Samples, samples: Samples) -> None:
        """Take in the frames from `start` on, as they should be and as they are."""
        stop, at, between = start + len(samples), 0, len(self.steps)
        self.difference = max(self.difference, float(np.abs(samples - reference).max()))
        first = bisect.bisect_right(self.ends, start)  # steps follow each other: the first that ends later
        for row in range(first, bisect.bisect_left(self.begins, stop)):
            begin, end = max(self.begins[row] - start, 0), min(self.ends[row] - start, len(samples))
            self._add_to(between, samples[at:begin], reference[at:begin])
            self._add_to(row, samples[begin:end], reference[begin:end])
            at = end
        self._add_to(between, samples[at:], reference[at:])

    def _add_to(self, row: int, x: Samples, r: Samples) -> None:
        x, r = np.ascontiguousarray(x.T), np.ascontiguousarray(r.T)  # rows are summed pairwise, columns are not
        self.sums[row] += [item.sum(axis=1) for item in (x * r, r * r, x * x, x, r)]
        self.counts[row] += x.shape[1]


def _sounding(waveform: Waveform) -> NDArray[np.bool_]:
    """Whether each channel sounds in each step, and between the steps (where it may): (steps + 1, 2)."""
    rows = [
        [gain != 0.0 and step.channel in (None, name) and step.role != "silence"
         for gain, name in zip(waveform.gains, CHANNELS, strict=True)]
        for step in waveform.steps
    ]  # fmt: skip
    return np.array([*rows, [gain != 0.0 for gain in waveform.gains]])


def _compared(sums: _StepSums, sounding: NDArray[np.bool_], noise_power: float) -> ToneComparison:
    """From the sums of each step to level error, residual, and what is the wrong way round."""
    gains, left_over = _gains_and_residuals(sums)
    cross, power = sums.sums[:-1, 0], sums.sums[:-1, 1]
    there = sums.counts[:-1, None] > 0
    heard = sounding[:-1] & (power > 0)
    across = np.where(heard, cross, 0.0).sum(axis=0)
    within = np.where(heard, power, 0.0).sum(axis=0)
    plays = (sounding[:-1] & there).any(axis=0)
    missing = bool(np.any(np.abs(across[plays]) <= 1e-3 * within[plays]))
    leaks = _leaks(sums, left_over, ~sounding[:-1] & there, noise_power) and bool(heard.any())
    error_db, changed = _level_error(np.abs(gains[:-1][heard]), power[heard], noise_power)
    return ToneComparison(
        level_error_db=error_db,
        level_changed=changed,
        residual_power=_residual_power(sums, left_over),
        difference=sums.difference,
        inverted=tuple(name for name, total in zip(CHANNELS, across, strict=True) if total < 0),
        lost=missing or leaks,
    )


def _gains_and_residuals(sums: _StepSums) -> tuple[Samples, Samples]:
    """Gain of each step and channel, and the energy that is no gain of the tone; (steps + 1, 2) each.

    A constant is no part of the residual: programs that cut instead of rounding leave half a step of it.
    """
    cross, power, energy, x_sum, r_sum = (sums.sums[:, column] for column in range(5))
    frames = np.maximum(sums.counts, 1.0)[:, None]
    gains = np.divide(cross, power, out=np.zeros_like(cross), where=power > 0)
    left_over = np.maximum(energy - gains * cross - (x_sum - gains * r_sum) ** 2 / frames, 0.0)
    return gains, np.where(left_over < ROUNDING * energy, 0.0, left_over)


def _residual_power(sums: _StepSums, left_over: Samples) -> float:
    """Mean square left over in the noisier channel, over the steps or between them, whichever is more."""
    inside = left_over[:-1].sum(axis=0) / max(sums.counts[:-1].sum(), 1.0)
    between = left_over[-1] / max(sums.counts[-1], 1.0)
    return float(max(inside.max(), between.max()))


def _leaks(sums: _StepSums, left_over: Samples, silent: NDArray[np.bool_], noise_power: float) -> bool:
    """Whether something sounds in steps and channels that should be silent."""
    frames = np.maximum(sums.counts, 1.0)[:, None]
    loudest = float((sums.sums[:, 1] / frames).max())
    return bool(np.any((left_over / frames)[:-1][silent] > max(1e-6 * loudest, 2.0 * noise_power)))


def _level_error(gains: Samples, power: Samples, noise_power: float) -> tuple[float, bool]:
    """Of the step whose gain is furthest off for what noise makes of it [dB]; whether it is changed."""
    worst, excess = 0.0, 0.0
    for gain, energy in zip(gains, power, strict=True):
        error_db = db_from_ratio(float(gain))
        spread_db = db_from_ratio(1.0 + _SURE * math.sqrt(noise_power / energy))
        over = abs(error_db) / max(LEVEL_TOLERANCE_DB, spread_db)
        if over >= excess:
            worst, excess = error_db, over
    return (worst if math.isfinite(worst) else -200.0), excess > 1.0


def _pairs(file: Any, blocks: Iterable[Samples], shift: int) -> Iterator[tuple[int, Samples, Samples]]:
    """Blocks of the tone and of the file that belong together, with the frame of the track they begin at."""
    file.seek(max(shift, 0))
    at, missing = 0, max(-shift, 0)
    for reference in blocks:
        length = len(reference)
        if missing >= length:
            missing -= length
        else:
            samples = file.read(length - missing, dtype="float64", always_2d=True)
            if not len(samples):
                return
            yield at + missing, reference[missing : missing + len(samples)], samples
            missing = 0
        at += length


def find_lag(file: Any, waveform: Waveform) -> int:
    """By how many frames the file lags the tone (an encoder's delay): where least is left over.

    At each lag the best gain leaves the part 1 - c^2 / (R X) of the energy: c the cross-correlation, R and X
    the energies of the tone and of the stretch of file it is compared with. The first seconds decide.
    """
    most = _LONGEST_SHIFT_FRAMES
    length = min(1 << 17, waveform.frames, max(file.frames - most, 1))
    reference = _first_frames(waveform, length)
    file.seek(0)
    samples = np.zeros((length + 2 * most, 2))  # lag -most at its beginning
    held = file.read(length + most, dtype="float64", always_2d=True)
    samples[most : most + len(held)] = held
    size = 1 << (2 * len(samples)).bit_length()
    spectrum = np.fft.rfft(samples, size, axis=0) * np.conj(np.fft.rfft(reference, size, axis=0))
    cross = np.fft.irfft(spectrum, size, axis=0).sum(axis=1)[: 2 * most + 1]
    energy = np.concatenate([[0.0], np.cumsum((samples**2).sum(axis=1))])
    stretch = energy[length : length + 2 * most + 1] - energy[: 2 * most + 1]
    alike = cross**2 / np.maximum(stretch, 1e-3 * energy[-1] + 1e-30)
    return int(np.argmax(alike)) - most if cross.any() else 0


def _first_frames(waveform: Waveform, frames: int) -> Samples:
    """The beginning of a waveform, shape (frames, 2)."""
    first = np.zeros((frames, 2))
    at = 0
    for block in waveform.blocks(BLOCK_FRAMES):
        piece = block[: frames - at]
        first[at : at + len(piece)] = piece
        at += len(piece)
        if at >= frames:
            break
    return first
