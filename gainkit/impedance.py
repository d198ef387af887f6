"""The impedance of a load, from recordings of volts: across the load and a known resistor, or open and loaded.

A tone gives one point, a sweep (or any wide-band signal) the curve. Phase needs both voltages in one recording.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import MeasureOptions, measure
from gainkit.analysis.model import Measurement
from gainkit.calculator.amplifier import half_load_ohms
from gainkit.calculator.cautions import NOMINAL_SHARE
from gainkit.calculator.leads import hook_up_cautions
from gainkit.calculator.ranges import OHMS, refuse_faults, within
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.remarks import Remark, danger, remark
from gainkit.results import Result

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

POINTS_PER_OCTAVE = 24
"""Points of the curve in an octave [-]: a loudspeaker's resonance is wider (Q under 17; our choice)."""

CURVE_HZ = (10.0, 20_000.0)
"""Where the curve is looked for [Hz]."""

LEAST_COHERENCE = 0.98
"""Share of one channel's power in a band that the other explains, for a point to be told [-] (our choice)."""

LEAST_BINS = 7
"""Bins of the spectrum in a band at least [-]: with three figures fitted, two unrelated noises pass for one
once in six million bands, 0.02^4 (derivation)."""

LEAST_SHARE_DB = -60.0
"""A band weaker than this against the strongest was not played [dB] (our choice)."""

RESONANCE_RISE = 1.2
"""A resonance stands this far above the least impedance [-] (our choice: a coil warms by less)."""

DROP_SEEN = 1.002
"""Open over loaded volts from which a drop is told [-]: 0.02 dB, as a steady level repeats (our choice)."""

HOT_RESISTOR_WATTS = 1.0
"""Heat in the series resistor from which its size is told [W] (our choice)."""


@dataclass(frozen=True)
class LoadOptions:
    """What is known beside the two recordings.

    Parameters
    ----------
    series_ohms : float, optional
        Resistor in series with the load, which the second recording was taken across [ohm].
    load_ohms : float, optional
        Known load of the second recording; the first was taken with the output open [ohm].
    across_both : bool
        The first recording was taken across load and resistor together: the second is taken off it.
    min_ohms : float, optional
        Lowest load that the amplifier allows, per half when bridged [ohm].
    bridged : bool
        Each half of the amplifier sees half the load.

    Raises
    ------
    GainkitError
        `outside_range`, `needs_one_of`, `not_both` and `needs_other`.
    """

    series_ohms: float | None = within(OHMS, default=None)
    load_ohms: float | None = within(OHMS, default=None)
    across_both: bool = False
    min_ohms: float | None = within(OHMS, default=None)
    bridged: bool = False

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """Rules between the fields."""
        if self.series_ohms is None and self.load_ohms is None:
            yield GainkitError("needs_one_of", "series_ohms", other="load_ohms")
        elif self.series_ohms is not None and self.load_ohms is not None:
            yield GainkitError("not_both", "series_ohms", self.series_ohms, other="load_ohms")
        if self.across_both and self.series_ohms is None:
            yield GainkitError("needs_other", "across_both", True, other="series_ohms")


@dataclass(frozen=True)
class ImpedancePoint:
    """One point of the curve; the phase is positive where the load is inductive."""

    frequency_hz: float
    ohms: float
    phase_degrees: float


@dataclass(frozen=True, repr=False)
class MeasuredLoad(Result):
    """What two recordings say of a load; None where they do not tell.

    frequency_hz, ohms, phase_degrees : of the tone; resistance_ohms, reactance_ohms : its parts. volts,
    amperes, watts : rms at the load, and the power that it turns into heat and sound; None without calibration.
    curve : of a sweep, rising in frequency; least_ohms, least_hz : its lowest point (of a tone its only one);
    resonance_hz, resonance_ohms : where the phase passes zero at the top of its highest peak. nominal_ohms :
    the highest nominal impedance that such a load may bear. output_ohms : of the amplifier, from open and
    loaded volts. allowed : whether the amplifier takes it, None without a minimum.
    """

    frequency_hz: float | None
    ohms: float | None
    phase_degrees: float | None
    resistance_ohms: float | None
    reactance_ohms: float | None
    volts: float | None
    amperes: float | None
    watts: float | None
    least_ohms: float | None
    least_hz: float | None
    resonance_hz: float | None
    resonance_ohms: float | None
    nominal_ohms: float | None
    output_ohms: float | None
    allowed: bool | None
    curve: tuple[ImpedancePoint, ...]
    notes: tuple[Remark, ...]


def measured_load(
    first: Capture, second: Capture, options: LoadOptions, channel: int = 1, other_channel: int | None = None
) -> MeasuredLoad:
    """The load between two recordings; of one recording (the same object) two channels, with phase.

    first : volts across the load, or the open output's; second : across the series resistor, or the loaded
    output's. other_channel : of the second, None for the same channel, or for the next one of one recording.
    Raises GainkitError for recordings that do not go together.
    """
    together = first is second
    other = other_channel or (channel + 1 if together else channel)
    if first.calibrated != second.calibrated:
        raise GainkitError("calibrations_differ")
    if options.across_both and not together:
        raise GainkitError("needs_one_recording", "across_both")
    minus = other if options.across_both else None
    one = measure(first, MeasureOptions(channel=channel, minus=minus))
    two = measure(second, MeasureOptions(channel=other))
    for name, each in ((first.file, one), (second.file, two)):
        if each.recorder_overload:
            raise GainkitError("recorder_clipped").within("file", name)
    if options.load_ohms is not None:
        return _of_output(one, two, options, first.calibrated)
    assert options.series_ohms is not None
    if one.steady_tone and two.steady_tone and one.frequency_hz and two.frequency_hz:
        ratio = _tone_ratio(first, one.frequency_hz, channel, minus, other) if together else None
        return _of_tone(one, two, ratio, options, first.calibrated)
    if not together:
        raise GainkitError("needs_one_recording", "from_captures")
    across = first.volts(channel=channel, minus=minus)
    curve = impedance_curve(across, first.volts(channel=other), first.sample_rate_hz, options.series_ohms)
    if len(curve) < 3:
        raise GainkitError("no_impedance_seen").within("file", first.file)
    return _of_curve(curve, options)


def impedance_curve(
    load_volts: Floats, series_volts: Floats, sample_rate_hz: float, series_ohms: float
) -> tuple[ImpedancePoint, ...]:
    """Impedance from volts (frames,) across a load and across a resistor in series, recorded together.

    In each band of 1/24 octave, or of seven bins, V = Z I with Z a parabola over frequency, by least squares
    over the bins of both spectra, the current as cause (Bendat and Piersol's H1 where Z does not bend). Bands
    without power, and those where this explains too little, are left out.
    """
    volts, current = np.fft.rfft(load_volts), np.fft.rfft(series_volts)
    spacing = sample_rate_hz / len(load_volts)
    low, high = max(CURVE_HZ[0], 3.0 * spacing), min(CURVE_HZ[1], 0.45 * sample_rate_hz)
    count = max(int(math.log2(high / low) * POINTS_PER_OCTAVE), 0)
    centres = low * 2.0 ** (np.arange(count + 1) / POINTS_PER_OCTAVE)
    half = 2.0 ** (0.5 / POINTS_PER_OCTAVE)
    ratios, densities = [], []
    for centre in centres:
        middle = round(centre / spacing)
        half_width = max(int(centre * (half - 1.0) / spacing), LEAST_BINS // 2)
        band = slice(max(middle - half_width, 0), middle + half_width + 1)
        ohms = _middle_ratio(volts[band], current[band])
        if ohms is not None:
            ratios.append((middle * spacing, series_ohms * ohms))
            densities.append(float(np.mean(np.abs(current[band]) ** 2)))
    least = max(densities, default=0.0) * 10.0 ** (LEAST_SHARE_DB / 10.0)
    return tuple(
        ImpedancePoint(hertz, abs(ohms), math.degrees(cmath.phase(ohms)))
        for (hertz, ohms), density in zip(ratios, densities, strict=True)
        if density >= least
    )


def _middle_ratio(volts: Complexes, current: Complexes) -> complex | None:
    """V / I (bins,) at the middle of a band by a parabola over frequency; None where it explains too little."""
    place = np.linspace(-1.0, 1.0, len(volts))
    design = current[:, np.newaxis] * place[:, np.newaxis] ** np.arange(3)
    ratio = np.linalg.lstsq(design, volts, rcond=None)[0]
    left = float(np.sum(np.abs(volts - design @ ratio) ** 2))
    whole = float(np.sum(np.abs(volts) ** 2))
    return complex(ratio[0]) if whole > 0 and left <= (1.0 - LEAST_COHERENCE) * whole else None


def resonance(curve: tuple[ImpedancePoint, ...]) -> tuple[float, float] | None:
    """Frequency [Hz] and impedance [ohm] of the highest peak at which the phase falls through zero.

    Between two points by a straight line of the phase over the logarithm of frequency; None without a peak.
    """
    floor = RESONANCE_RISE * min(each.ohms for each in curve)
    peaks = []
    for lower, upper in pairwise(curve):
        if lower.phase_degrees > 0 >= upper.phase_degrees and max(lower.ohms, upper.ohms) > floor:
            share = lower.phase_degrees / (lower.phase_degrees - upper.phase_degrees)
            hertz = lower.frequency_hz * (upper.frequency_hz / lower.frequency_hz) ** share
            peaks.append((max(lower.ohms, upper.ohms), hertz))
    return (max(peaks)[1], max(peaks)[0]) if peaks else None


def _tone_ratio(capture: Capture, frequency_hz: float, channel: int, minus: int | None, other: int) -> complex:
    """Phasor of the load's volts over the resistor's, from one recording under one Hann window [-]."""
    window = np.hanning(capture.frames)
    turn = np.exp(-2j * np.pi * frequency_hz / capture.sample_rate_hz * np.arange(capture.frames))
    upper = np.dot(window * capture.volts(channel=channel, minus=minus), turn)
    return complex(upper / np.dot(window * capture.volts(channel=other), turn))


def _of_output(
    opened: Measurement, loaded: Measurement, options: LoadOptions, calibrated: bool
) -> MeasuredLoad:
    """Output resistance: R (U_open / U_loaded - 1), load and output both being resistances."""
    assert options.load_ohms is not None
    for each in (opened, loaded):
        if not each.steady_tone:
            raise GainkitError("tone_not_steady").within("file", each.file)
    ratio = opened.rms_volts / loaded.rms_volts
    if ratio < 1.0 / DROP_SEEN:
        raise GainkitError("open_below_loaded", "from_captures", ratio)
    output = options.load_ohms * max(ratio - 1.0, 0.0)
    notes = [*hook_up_cautions(), remark("output_as_resistance")]
    if ratio < DROP_SEEN:
        notes.append(remark("no_drop_seen", most_ohms=options.load_ohms * (DROP_SEEN - 1.0)))
    volts = loaded.rms_volts if calibrated else None
    return _result(
        options, notes, frequency_hz=loaded.frequency_hz, ohms=options.load_ohms, output_ohms=output,
        volts=volts, amperes=None if volts is None else volts / options.load_ohms,
        watts=None if volts is None else volts**2 / options.load_ohms,
    )  # fmt: skip


def _of_tone(
    one: Measurement, two: Measurement, ratio: complex | None, options: LoadOptions, calibrated: bool
) -> MeasuredLoad:
    """One point: Z = R V / V_resistor; without phase where the two were not recorded together."""
    assert options.series_ohms is not None
    assert one.frequency_hz is not None
    assert two.frequency_hz is not None
    if abs(one.frequency_hz / two.frequency_hz - 1.0) > 0.01:
        raise GainkitError(
            "different_tones_recorded", "from_captures", first_hz=one.frequency_hz, second_hz=two.frequency_hz
        )
    notes: list[Remark] = [*hook_up_cautions(), remark("as_good_as_resistor")]
    if ratio is None:
        notes.append(remark("no_phase"))
        ohms = options.series_ohms * (one.fundamental_volts or 0.0) / (two.fundamental_volts or math.nan)
        phase = resistance = reactance = None
    else:
        impedance = options.series_ohms * ratio
        ohms, phase = abs(impedance), math.degrees(cmath.phase(impedance))
        resistance, reactance = impedance.real, impedance.imag
    volts = one.rms_volts if calibrated else None
    amperes = two.rms_volts / options.series_ohms if calibrated else None
    watts = None if amperes is None or resistance is None else amperes**2 * resistance
    heat = 0.0 if amperes is None else amperes**2 * options.series_ohms
    if heat > HOT_RESISTOR_WATTS:
        notes.append(danger("series_resistor_hot", watts=heat))
    notes.append(remark("one_tone_is_no_curve", frequency_hz=one.frequency_hz))
    return _result(
        options, notes, frequency_hz=one.frequency_hz, ohms=ohms, phase_degrees=phase,
        resistance_ohms=resistance, reactance_ohms=reactance, volts=volts, amperes=amperes, watts=watts,
        least_ohms=ohms,
        least_hz=one.frequency_hz,
    )  # fmt: skip


def _of_curve(curve: tuple[ImpedancePoint, ...], options: LoadOptions) -> MeasuredLoad:
    """Least impedance and resonance of a curve."""
    least = min(curve, key=lambda point: point.ohms)
    top = resonance(curve)
    notes = [*hook_up_cautions(), remark("as_good_as_resistor")]
    return _result(
        options, notes, least_ohms=least.ohms, least_hz=least.frequency_hz, curve=curve,
        nominal_ohms=least.ohms / NOMINAL_SHARE, resonance_hz=None if top is None else top[0],
        resonance_ohms=None if top is None else top[1],
    )  # fmt: skip


def _result(options: LoadOptions, notes: list[Remark], **known: object) -> MeasuredLoad:
    """The result with what is known, judged against the amplifier's minimum."""
    fields: dict[str, object] = dict.fromkeys(MeasuredLoad.__dataclass_fields__) | {"curve": ()} | known
    seen = known.get("least_ohms")
    allowed = None
    if isinstance(seen, float) and options.min_ohms is not None:
        seen = half_load_ohms(seen) if options.bridged else seen
        allowed = seen >= NOMINAL_SHARE * options.min_ohms
        if not allowed:
            notes.insert(
                0,
                danger(
                    "load_below_minimum", seen_ohms=seen, min_ohms=options.min_ohms, bridged=options.bridged
                ),
            )
    return MeasuredLoad(**fields | {"allowed": allowed, "notes": tuple(notes)})  # type: ignore[arg-type]
