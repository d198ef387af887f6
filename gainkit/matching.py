"""Levels of band-limited noise, captures side by side: octave and third-octave bands, totals, trims.

Bands after IEC 61260-1:2014: G = 10^0.3, centres 1000 G^(x/b) Hz, edges G^(1/(2b)) apart from the centre; named
by their nominal frequencies (ISO 266). Powers come from averaged Hann periodograms (Welch 1967); a bin that a
band edge cuts counts by its share. A-weighting after IEC 61672-1 (pole frequencies of its annex E, from memory,
checked in the tests against a published table).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import overload
from gainkit.calculator.ranges import refuse_faults
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.levels import db_from_ratio, power_db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, all_within, as_remarks, fault, remark
from gainkit.results import Result

Floats = NDArray[np.float64]
Weighting = Literal["Z", "A"]

OCTAVE_RATIO = 10**0.3
NOMINAL_HZ = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0,
    800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0, 12_500.0,
    16_000.0, 20_000.0,
)  # fmt: skip
"""ISO 266, one-third-octave steps: the number 10 x log10(f / 1000) of each is -17 to 13."""

HIGHEST_OF_RATE = 0.47
"""Bands above this part of the rate are left out: a recorder's own filter falls there [-]."""

AUDIO_BAND_HZ = (20.0, 20_000.0)
"""Band of the Z- and A-weighted totals [Hz]."""

LEAST_SECONDS = 1.0
"""Shorter noise scatters by more than a decibel in its low bands [s]."""

LEAST_BINS = 4.0
"""A band narrower than so many bins of the periodogram is not told [-]."""

SEGMENT_SECONDS = 2.0
"""Length of the averaged periodograms [s]: bins of half a hertz."""

BLOCK_SECONDS = 0.1
LOUD_SHARE = 0.01
QUIET_DB = 20.0
"""Blocks of that length with more than this share of the highest power are loud [-]; those this far below the
median of the loud ones are silence before and after [dB]."""

A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
A_OFFSET_DB = 1.9997
"""Makes A(1000 Hz) = 0 dB [dB]."""


@dataclass(frozen=True)
class Band:
    """center_hz : nominal [Hz]; low_hz, high_hz : exact edges [Hz]."""

    center_hz: float
    low_hz: float
    high_hz: float


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


@dataclass(frozen=True, repr=False)
class MatchResult(Result):
    """reference : file that the trims lead to. captures : in the order given."""

    reference: str
    captures: tuple[MatchedCapture, ...]
    calibrated: bool
    weighting: Weighting
    notes: tuple[Remark, ...]


@dataclass(frozen=True)
class MatchOptions:
    """channel, minus : as for a measurement. third_octave : thirds for octaves. band_hz : of the total, from
    low to high [Hz]."""

    channel: int = 1
    minus: int | None = None
    third_octave: bool = False
    weighting: Weighting = "Z"
    band_hz: tuple[float, float] = AUDIO_BAND_HZ

    def faults(self) -> Iterator[GainkitError]:
        """Rules between fields."""
        low_hz, high_hz = self.band_hz
        if not 0 < low_hz < high_hz < np.inf:
            yield GainkitError("empty_band", "band_hz", self.band_hz, low_hz=low_hz, high_hz=high_hz)

    def __post_init__(self) -> None:
        refuse_faults(self)


def bands(third_octave: bool) -> tuple[Band, ...]:
    """Octaves 31.5 Hz to 16 kHz, or thirds 20 Hz to 20 kHz, with exact edges."""
    step, width = (1, 6) if third_octave else (3, 2)
    half = OCTAVE_RATIO ** (1 / width)
    places = range(-17, 14) if third_octave else range(-15, 13, step)
    exact = [(NOMINAL_HZ[place + 17], 1000.0 * OCTAVE_RATIO ** (place / 3)) for place in places]
    return tuple(Band(nominal, centre / half, centre * half) for nominal, centre in exact)


def a_weighting_db(frequency_hz: Floats) -> Floats:
    """A-weighting [dB], (n,) for frequencies (n,) above 0 [Hz]; IEC 61672-1 formula."""
    square = np.asarray(frequency_hz, dtype=np.float64) ** 2
    f1, f2, f3, f4 = (pole**2 for pole in A_POLES_HZ)
    response = f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
    return np.asarray(db_from_ratio(response) + A_OFFSET_DB)


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
    notes: tuple[Remark, ...]

    @property
    def single(self) -> bool:
        """Whether all of it lies in a few bins, as a tone's does: the equivalent width (sum S)^2 / sum S^2."""
        bins = float(np.sum(self.density)) ** 2 / float(np.sum(self.density**2))
        return bins < TONE_BINS

    def share(self, low_hz: float, high_hz: float) -> tuple[slice, Floats]:
        """Bins that a band touches and how many Hz of each lie in it."""
        first = max(int(np.floor(low_hz / self.step_hz + 0.5)), 1)
        last = min(int(np.floor(high_hz / self.step_hz + 0.5)), len(self.density) - 1)
        index = np.arange(first, last + 1)
        inside = np.minimum((index + 0.5) * self.step_hz, high_hz) - np.maximum(
            (index - 0.5) * self.step_hz, low_hz
        )
        return slice(first, last + 1), np.clip(inside, 0.0, None)

    def band(self, low_hz: float, high_hz: float, gain: Floats | None = None) -> tuple[float, float]:
        """Power between two frequencies [V^2] and its relative standard deviation [-].

        A finite average of Gaussian noise of bandwidth B over T seconds scatters by 1/sqrt(B T) in power
        (Bendat and Piersol, Random Data, from memory); unequal densities count by their powers.
        """
        part, width = self.share(low_hz, high_hz)
        power = self.density[part] * width * (1.0 if gain is None else gain[part])
        total = float(power.sum())
        if total <= 0:
            return 0.0, 0.0
        effective_hz = total**2 / max(float(np.sum(power**2 / np.maximum(width, 1e-12))), 1e-300)
        return total, 1 / float(np.sqrt(max(effective_hz * self.effective_seconds, 1.0)))


def match_levels(
    captures: Sequence[Capture], options: MatchOptions | None = None, *, reference: Capture | None = None
) -> MatchResult:
    """Compare levels of loudspeakers or channels by noise, and tell the trims that make them alike.

    Parameters
    ----------
    captures : recordings of the same band-limited noise, a second or more each, one per loudspeaker. The same
        microphone place and recorder gain for all is assumed.
    options : channels, bands and weighting.
    reference : match to this one; None: to the first.

    Returns
    -------
    MatchResult
        For each capture its total and trim [dB] with their 95 % half-widths, and its levels by band.

    Raises
    ------
    GainkitError
        For no captures (`nothing_to_match`), one that is silent (`recording_silent`), shorter than a second
        (`noise_too_short`), overloaded (`recorder_clipped`) or empty in the band (`nothing_in_band`), for
        captures calibrated differently (`calibrations_differ`), and for a band that none holds
        (`band_above_rate`).

    References
    ----------
    .. [1] IEC 61260-1:2014, octave-band and fractional-octave-band filters.
    .. [2] IEC 61672-1, sound level meters: A-weighting.
    .. [3] P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73.

    Examples
    --------
    The same noise at half the level must come up by 6 dB:

    >>> import numpy as np
    >>> from gainkit.capture import Capture
    >>> from gainkit.matching import match_levels
    >>> noise = 0.1 * np.random.default_rng(1).standard_normal(96_000)
    >>> left, right = (Capture.from_array(gain * noise, 48_000) for gain in (1.0, 0.5))
    >>> [round(each.trim_db, 2) for each in match_levels([left, right]).captures]
    [0.0, 6.02]
    """
    asked = options or MatchOptions()
    if not captures:
        raise GainkitError("nothing_to_match", "captures", 0)
    master = captures[0] if reference is None else reference
    highest_hz = _highest_hz([*captures, master], asked)
    target = _total(master, asked, highest_hz)
    totals = [target if each is master else _total(each, asked, highest_hz) for each in captures]
    rows = [_matched(total, target, asked, highest_hz) for total in totals]
    notes = _notes(totals, master, asked, highest_hz)
    return MatchResult(master.file, tuple(rows), master.calibrated, asked.weighting, tuple(notes))


@dataclass(frozen=True)
class _Total:
    """A capture's power density, its total in the band [dB], and that one's relative deviation [-]."""

    capture: Capture
    power: _Power
    level_db: float
    deviation: float


def _highest_hz(captures: Sequence[Capture], asked: MatchOptions) -> float:
    """Up to where all captures can be compared [Hz]. Raises GainkitError where they cannot."""
    if len({capture.calibrated for capture in captures}) > 1:
        raise GainkitError("calibrations_differ")
    highest_hz = HIGHEST_OF_RATE * min(capture.sample_rate_hz for capture in captures)
    low_hz, high_hz = asked.band_hz
    if low_hz >= highest_hz:
        raise GainkitError("band_above_rate", "band_hz", low_hz=low_hz, high_hz=high_hz, highest_hz=highest_hz)
    return highest_hz


def _total(capture: Capture, asked: MatchOptions, highest_hz: float) -> _Total:
    power = power_density(capture, asked)
    gain = _a_gain(power) if asked.weighting == "A" else None
    total, deviation = power.band(asked.band_hz[0], min(asked.band_hz[1], highest_hz), gain)
    if total <= 0:
        raise GainkitError("nothing_in_band", "band_hz").within("file", capture.file)
    return _Total(capture, power, _level(capture, total), deviation)


def _matched(own: _Total, target: _Total, asked: MatchOptions, highest_hz: float) -> MatchedCapture:
    """One capture beside the reference."""
    capture, power = own.capture, own.power
    top_hz = min(AUDIO_BAND_HZ[1], highest_hz)
    whole = power.band(AUDIO_BAND_HZ[0], top_hz)[0]
    weighted = power.band(AUDIO_BAND_HZ[0], top_hz, _a_gain(power))[0]
    both = float(np.hypot(own.deviation, target.deviation))
    return MatchedCapture(
        file=capture.file,
        level_db=own.level_db,
        trim_db=target.level_db - own.level_db,
        uncertainty_db=_in_db(own.deviation),
        trim_uncertainty_db=None if own is target else _in_db(both),
        z_weighted_db=_level(capture, whole),
        a_weighted_db=_level(capture, weighted),
        seconds=power.seconds,
        bands=tuple(_band_levels(capture, power, asked.third_octave)),
    )


def _notes(totals: Sequence[_Total], master: Capture, asked: MatchOptions, highest_hz: float) -> list[Remark]:
    notes = [remark("same_place_assumed")]
    if highest_hz < asked.band_hz[1]:
        notes.append(remark("total_cut_short", highest_hz=highest_hz))
    for each in totals:
        own = [*as_remarks(each.capture.notes), *each.power.notes]
        if each.power.single:
            own.append(fault("tone_not_noise"))
        notes += all_within(own, "file", each.capture.file)
    if not master.calibrated:
        notes.append(remark("levels_relative"))
    return notes


def _band_levels(capture: Capture, power: _Power, third_octave: bool) -> list[BandLevel]:
    levels = []
    for band in bands(third_octave):
        if (
            band.high_hz > HIGHEST_OF_RATE * capture.sample_rate_hz
            or band.high_hz - band.low_hz < LEAST_BINS * power.step_hz
        ):
            continue
        total, deviation = power.band(band.low_hz, band.high_hz)
        levels.append(BandLevel(band.center_hz, _level(capture, total), _in_db(deviation)))
    return levels


def _a_gain(power: _Power) -> Floats:
    frequencies = np.maximum(np.arange(len(power.density)) * power.step_hz, 1e-3)
    return np.asarray(ratio_from_db(a_weighting_db(frequencies)) ** 2)


def _in_db(deviation: float) -> float:
    """95 % half-width [dB] of a relative standard deviation of power: twice its slope on the dB scale."""
    return float(2 * 10 / np.log(10) * deviation)


def _level(capture: Capture, power: float) -> float:
    reference = 1.0 if capture.calibrated else 0.5
    return power_db_from_ratio(max(power, 1e-30) / reference)


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


def _loud_part(capture: Capture, asked: MatchOptions) -> tuple[int, int, tuple[Remark, ...]]:
    """Frames between the silence before and after, and notes; the recorder must not have clipped."""
    size = max(int(BLOCK_SECONDS * capture.sample_rate_hz), 1)
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
        raise GainkitError("recorder_clipped").within("file", capture.file)
    levels = np.array(powers)
    loud = levels > LOUD_SHARE * levels.max(initial=0.0)
    if not levels.any():
        raise GainkitError("recording_silent").within("file", capture.file)
    usual = float(np.median(levels[loud]))
    inside = np.flatnonzero(levels > usual * ratio_from_db(-QUIET_DB) ** 2)
    start, stop = int(inside[0]) * size, min((int(inside[-1]) + 1) * size, capture.frames)
    seconds = (stop - start) / capture.sample_rate_hz
    if seconds < LEAST_SECONDS:
        short = GainkitError("noise_too_short", seconds=seconds, least_seconds=LEAST_SECONDS)
        raise short.within("file", capture.file)
    if inside[0] > 0:
        start += size
    if inside[-1] < len(levels) - 1:
        stop -= size
    gaps = int(inside[-1] - inside[0] + 1 - len(inside))
    notes = (remark("silence_within", silent_seconds=gaps * BLOCK_SECONDS),) if gaps else ()
    return start, stop, notes
