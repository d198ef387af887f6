"""Levels of band-limited noise, captures side by side: octave and third-octave bands, totals, trims.

Bands and A-weighting: see analysis/bands.py. Powers come from averaged Hann periodograms (Welch 1967).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import overload
from gainkit.analysis.bands import HIGHEST_OF_RATE, a_gains, band_share, bands
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]
Weighting = Literal["Z", "A"]

LEAST_SECONDS = 1.0
LEAST_BINS = 4.0
SEGMENT_SECONDS = 2.0
QUIET_DB = 20.0
"""Blocks this far below the median of the loud ones are silence before and after [dB]."""


@dataclass(frozen=True)
class BandLevel:
    """level_db : re 1 V rms when calibrated, else re a full-scale sine [dB]. uncertainty_db : 95 %, from the
    finite average of noise [dB]."""

    center_hz: float
    level_db: float
    uncertainty_db: float


@dataclass(frozen=True)
class MatchedCapture:
    """level_db : total in the band and weighting asked for [dB]. trim_db : brings it to the reference [dB].

    uncertainty_db : 95 % half-width of the level; trim_uncertainty_db : of the trim, as if the two recordings
    held unrelated noise; None for the reference itself. Of the same minute of the same track it is less.
    """

    file: str
    level_db: float
    trim_db: float
    uncertainty_db: float
    trim_uncertainty_db: float | None
    z_weighted_db: float
    a_weighted_db: float
    seconds: float
    bands: tuple[BandLevel, ...]


@dataclass(frozen=True)
class MatchResult:
    """reference : file that the trims lead to. captures : in the order given."""

    reference: str
    captures: tuple[MatchedCapture, ...]
    calibrated: bool
    weighting: Weighting
    notes: tuple[str, ...]


@dataclass(frozen=True)
class MatchOptions:
    """channel, minus : as for a measurement. third_octave : thirds for octaves. band_hz : of the total [Hz]."""

    channel: int = 1
    minus: int | None = None
    third_octave: bool = False
    weighting: Weighting = "Z"
    band_hz: tuple[float, float] = (20.0, 20_000.0)


TONE_BINS = 4.0
"""A tone's power fills fewer bins than this through the window, the narrowest noise that is of use more [-]."""


@dataclass(frozen=True)
class _Power:
    """One-sided power density (bins,) [V^2/Hz], bin width [Hz], length averaged [s], the
    length that counts for the average's scatter [s], remarks."""

    density: Floats
    step_hz: float
    seconds: float
    effective_seconds: float
    notes: tuple[str, ...]

    @property
    def single(self) -> bool:
        """Whether all of it lies in a few bins, as a tone's does: the equivalent width (sum S)^2 / sum S^2."""
        bins = float(np.sum(self.density)) ** 2 / float(np.sum(self.density**2))
        return bins < TONE_BINS

    def band(self, low_hz: float, high_hz: float, gain: Floats | None = None) -> tuple[float, float]:
        """Power between two frequencies [V^2] and its relative standard deviation [-].

        A finite average of Gaussian noise of bandwidth B over T seconds scatters by 1/sqrt(B T) in power
        (Bendat and Piersol, Random Data, from memory); unequal densities count by their powers.
        """
        part, width = band_share(self.step_hz, len(self.density), low_hz, high_hz)
        power = self.density[part] * width * (1.0 if gain is None else gain[part])
        total = float(power.sum())
        if total <= 0:
            return 0.0, 0.0
        effective_hz = total**2 / max(float(np.sum(power**2 / np.maximum(width, 1e-12))), 1e-300)
        return total, 1 / float(np.sqrt(max(effective_hz * self.effective_seconds, 1.0)))


def match(
    captures: Sequence[Capture], options: MatchOptions | None = None, *, reference: Capture | None = None
) -> MatchResult:
    """Band levels and totals of captures, and what trims each to the reference (the first when None).

    Same microphone place and recorder gain for all is assumed. Raises GainkitError for captures that are
    silent, shorter than a second, overloaded, or calibrated differently.
    """
    asked = options or MatchOptions()
    low, high = asked.band_hz
    if not 0 < low < high < np.inf:
        raise GainkitError(f"The band {low:g}:{high:g} Hz is empty.", "Give LOW:HIGH in Hz, as in 20:20000.")
    master = captures[0] if reference is None else reference
    if len({capture.calibrated for capture in (*captures, master)}) > 1:
        raise GainkitError(
            "Some captures are calibrated and some are not.", "Give all of them the same calibration, or none."
        )
    limit = HIGHEST_OF_RATE * min(capture.sample_rate_hz for capture in (*captures, master))
    if low >= limit:
        raise GainkitError(
            f"The band {low:g}:{high:g} Hz lies above what the slowest recording holds ({limit:g} Hz).",
            "Record at 44100 Hz or more.",
        )
    target_db, target_deviation, master_power = _levels(master, asked, limit)
    notes = ["Same microphone place and same recorder gain are assumed for all captures."]
    if limit < high:
        notes.append(f"Totals reach to {limit:g} Hz, as far as the slowest recording's rate allows.")
    rows: list[MatchedCapture] = []
    for capture in captures:
        own = capture is master
        known = (target_db, target_deviation, master_power)
        level_db, deviation, power = known if own else _levels(capture, asked, limit)
        whole = power.band(20.0, min(20_000.0, limit))[0]
        weighted = power.band(20.0, min(20_000.0, limit), a_gains(power.step_hz, len(power.density)))[0]
        rows.append(
            MatchedCapture(
                file=capture.file,
                level_db=level_db,
                trim_db=target_db - level_db,
                uncertainty_db=_in_db(deviation),
                trim_uncertainty_db=None if own else _in_db(float(np.hypot(deviation, target_deviation))),
                z_weighted_db=_level(capture, whole),
                a_weighted_db=_level(capture, weighted),
                seconds=power.seconds,
                bands=tuple(_band_levels(capture, power, asked.third_octave)),
            )
        )
        notes += [f"{capture.file}: {note}" for note in (*capture.notes, *power.notes)]
        if power.single:
            notes.append(
                f"{capture.file}: this is a tone, not noise: at one frequency rooms and loudspeakers differ by "
                "chance. Play the track of band-limited noise."
            )
    if not master.calibrated:
        notes.append("Levels are relative to a full-scale sine; the trims are right all the same.")
    return MatchResult(master.file, tuple(rows), master.calibrated, asked.weighting, tuple(notes))


def _levels(capture: Capture, asked: MatchOptions, limit_hz: float) -> tuple[float, float, _Power]:
    power = power_density(capture, asked)
    gain = a_gains(power.step_hz, len(power.density)) if asked.weighting == "A" else None
    total, deviation = power.band(asked.band_hz[0], min(asked.band_hz[1], limit_hz), gain)
    if total <= 0:
        raise GainkitError(f"{capture.file}: nothing in the band asked for.", "Choose another --band-hz.")
    return _level(capture, total), deviation, power


def _band_levels(capture: Capture, power: _Power, third_octave: bool) -> list[BandLevel]:
    found = []
    for band in bands(third_octave):
        if (
            band.high_hz > HIGHEST_OF_RATE * capture.sample_rate_hz
            or band.high_hz - band.low_hz < LEAST_BINS * power.step_hz
        ):
            continue
        total, deviation = power.band(band.low_hz, band.high_hz)
        found.append(BandLevel(band.center_hz, _level(capture, total), _in_db(deviation)))
    return found


def _in_db(deviation: float) -> float:
    """95 % half-width [dB] of a relative standard deviation of power: twice its slope on the dB scale."""
    return float(2 * 10 / np.log(10) * deviation)


def _level(capture: Capture, power: float) -> float:
    reference = 1.0 if capture.calibrated else 0.5
    return float(10 * np.log10(max(power, 1e-30) / reference))


def power_density(capture: Capture, asked: MatchOptions) -> _Power:
    """Averaged power density of the noise in a capture, silence before and after left out; in blocks."""
    rate = capture.sample_rate_hz
    start, stop, notes = _loud_part(capture, asked)
    size = 1 << int(np.log2(min(SEGMENT_SECONDS * rate, (stop - start) / 2)))
    window = np.hanning(size + 2)[1:-1]
    total, count = np.zeros(size // 2 + 1), 0
    held = np.empty(0)
    for block in capture.blocks(start, stop, channel=asked.channel, minus=asked.minus):
        held = np.concatenate([held, block])
        first = 0
        while first + size <= len(held):
            part = held[first : first + size]
            spectrum = np.fft.rfft((part - part.mean()) * window)
            total += spectrum.real**2 + spectrum.imag**2
            count += 1
            first += size // 2
        held = held[first:]
    density = total * (2.0 / (count * rate * float(window @ window)))
    effective = _effective_frames(window**2, count) / rate
    return _Power(density, rate / size, (stop - start) / rate, effective, notes)


def _effective_frames(weight: Floats, count: int) -> float:
    """Frames that an even average would need for the same scatter, (sum g)^2 / sum g^2.

    g : weight of each moment, from count segments that overlap by half. weight : (size,), of one segment.
    """
    half = len(weight) // 2
    first, last = weight[:half], weight[half:]
    squares = first @ first + last @ last + (count - 1) * float(np.sum((first + last) ** 2))
    return float((count * weight.sum()) ** 2 / squares)


def _loud_part(capture: Capture, asked: MatchOptions) -> tuple[int, int, tuple[str, ...]]:
    """Frames between the silence before and after, and notes; the recorder must not have clipped."""
    size = max(int(0.1 * capture.sample_rate_hz), 1)
    powers: list[float] = []
    over, highest = 0, 0.0
    top = capture.volts_per_unit * (1 - 1.5 * (capture.step_units or 2.0**-23))
    for block in capture.blocks(channel=asked.channel, minus=asked.minus, block_frames=size):
        powers.append(float(np.var(block)))
        highest = max(highest, float(np.abs(block).max()))
        if capture.has_full_scale and highest >= top:
            over = max(over, overload.longest_stretch(block >= top), overload.longest_stretch(block <= -top))
    beyond = not capture.hard_full_scale and highest > capture.volts_per_unit * (1 + 1e-6)
    if over >= overload.LEAST_RUN and not beyond:  # floating point can hold more than full scale
        raise GainkitError(
            f"{capture.file}: the recorder is overloaded, its samples stand at full scale.",
            "Turn its input down and record all captures again.",
        )
    levels = np.array(powers)
    loud = levels > 0.01 * levels.max(initial=0.0)
    if not levels.any():
        raise GainkitError(f"{capture.file}: the recording is silent.", "Check the channel and record again.")
    usual = float(np.median(levels[loud]))
    inside = np.flatnonzero(levels > usual * 10 ** (-QUIET_DB / 10))
    start, stop = int(inside[0]) * size, min((int(inside[-1]) + 1) * size, capture.frames)
    seconds = (stop - start) / capture.sample_rate_hz
    if seconds < LEAST_SECONDS:
        raise GainkitError(
            f"{capture.file}: only {seconds:.2f} s of noise; at least 1 s is needed.",
            "Record ten seconds or more.",
        )
    if inside[0] > 0:
        start += size
    if inside[-1] < len(levels) - 1:
        stop -= size
    gaps = int(inside[-1] - inside[0] + 1 - len(inside))
    notes = (f"{gaps * 0.1:.1f} s of silence lie within the noise and lower its level.",) if gaps else ()
    return start, stop, notes
