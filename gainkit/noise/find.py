"""From a capture of silence to its noise: totals, hiss, families, and which part is the loudest."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.bands import HIGHEST_OF_RATE, a_gains, band_share, bands
from gainkit.analysis.lines import (
    MOST_LINES,
    FittedLine,
    fine_spectrum,
    fit_lines,
    frequency_bound_hz,
    start_near,
    without,
)
from gainkit.calculator.ranges import VOLTS
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.noise.chords import chord_of
from gainkit.noise.comparing import compared, is_no_engine_s
from gainkit.noise.elsewhere import AUDIBLE_HZ, beside_louder, louder_channel, outside_notes
from gainkit.noise.families import SAME_COURSE_CHANCE, FoundLine, family_of_group, group_lines, kind_of, others
from gainkit.noise.floor import Peak, filled, floor_under, peaks_in
from gainkit.noise.model import BandNoise, Family, Kind, NoiseResult
from gainkit.noise.moving import Moving, find_moving
from gainkit.noise.reading import NoiseReading
from gainkit.noise.survey import Survey, survey_of
from gainkit.noise.verdict import judged, useless_against, useless_recorder
from gainkit.remarks import remark

Floats = NDArray[np.float64]

ROUGH_DEVIATION = 0.3
"""Standard deviation of a frequency read off the averaged spectrum [bins] (found by trying)."""

SLACK_CYCLES = 0.01
"""Least standard deviation of a steady line over the fitted stretch: neighbours pull it a little [cycles]."""

STEADY_SHARE = 0.25
"""A line is steady when the coherent fit finds its power within this share of what the spectrum holds [-]."""

STEADY_SIGMAS = 4.0
"""... or within this many standard deviations of what noise may do [-]."""

MOST_SHAFTS, ALIKE_SHARE, NOTE_ORDERS = 2, 0.1, 3
"""An engine and what its belt turns are two families. Of more that have so many orders each, are alike in power
to this part, and move together all the same, one recording cannot say that they are an engine's [-] (our
choice)."""

BEYOND_STRETCH = 1.5
"""What moves is followed on the stretch; in a longer capture it may go farther by this factor [-]."""


def find_noise(
    capture: Capture,
    *,
    against: Capture | None = None,
    recorder: Capture | None = None,
    target_volts: float | None = None,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    channel: int | None = None,
    minus: int | None = None,
) -> NoiseResult:
    """The noise of a chain in a capture made while silence plays.

    against : the same place with the engine off, at another speed, or the source unplugged. recorder : the
    recorder alone, its input shorted. target_volts : rms volts at full level [V]. channel, minus : of all
    captures; None: the first, and no "quiet" beside another one that is heard. Raises GainkitError for
    captures shorter than a second, a band that is empty or above what the rate allows, a target that means
    nothing, and captures of which some are calibrated and some are not.
    """
    _check(capture, against, recorder, target_volts, band_hz)
    number = 1 if channel is None else channel
    own = read_noise(capture, band_hz, number, minus)
    other = None if against is None else read_noise(against, own.band_hz, number, minus)
    alone = None if recorder is None else read_noise(recorder, own.band_hz, number, minus)
    no_other = None if other is None else useless_against(other, own)
    no_recorder = None if alone is None else useless_recorder(alone)
    usable, usable_alone = other if no_other is None else None, alone if no_recorder is None else None
    families, changes = compared(own, usable)
    own = replace(own, families=families)
    wanted = target_volts if capture.calibrated else None
    louder = louder_channel(capture, number, minus, own.band_hz)
    answer = beside_louder(judged(own, usable, usable_alone, wanted, changes), own, louder, channel)
    # what the recorder moves itself outside the band stands, whatever it tells of the band
    outside = outside_notes(own, alone, wanted)
    useless = [told for told in (no_other, no_recorder) if told is not None]
    read = (*capture.notes, *capture.channel_notes(number, minus))
    notes = [*answer.notes[:1], *read, *useless, *outside, *changes, *answer.notes[1:]]
    if target_volts is not None and not capture.calibrated:
        notes.append(remark("noise_not_calibrated", target_volts=target_volts))
    if own.band_hz != band_hz:
        notes.append(remark("noise_band_cut", low_hz=own.band_hz[0], high_hz=own.band_hz[1]))
    return NoiseResult(
        rms_volts=own.rms_volts,
        a_weighted_volts=own.a_weighted_volts,
        below_target_db=answer.below_target_db,
        dc_volts=own.dc_volts,
        hiss_volts=own.hiss_volts,
        families=families,
        recorder_limited=answer.recorder_limited,
        changed_db=answer.changed_db,
        verdict=answer.verdict,
        notes=tuple(notes),
        file=capture.file,
        channel=number,
        minus=minus,
        seconds=own.seconds,
        sample_rate_hz=capture.sample_rate_hz,
        calibrated=capture.calibrated,
        band_hz=own.band_hz,
        hiss_a_weighted_volts=own.hiss_a_weighted_volts,
        bands=own.bands,
    )


def read_noise(
    capture: Capture, band_hz: tuple[float, float], channel: int = 1, minus: int | None = None
) -> NoiseReading:
    """What one capture says by itself: totals, hiss and lines, nothing judged yet. Raises as `find_noise`."""
    survey = survey_of(capture, channel, minus)
    high = min(band_hz[1], HIGHEST_OF_RATE * capture.sample_rate_hz)
    lines = _lines_of(survey, band_hz[0], high)
    hiss = np.where(lines.mask, np.minimum(lines.floor, survey.power), survey.power)
    bins = len(survey.power)
    part, width = band_share(survey.step_hz, bins, band_hz[0], high)
    share = width / survey.step_hz
    weights = a_gains(survey.step_hz, bins)[part]
    step = capture.step_units
    return NoiseReading(
        file=capture.file,
        calibrated=capture.calibrated,
        band_hz=(band_hz[0], high),
        rms_volts=_root(survey.power[part] @ share),
        a_weighted_volts=_root(survey.power[part] @ (share * weights)),
        hiss_volts=_root(hiss[part] @ share),
        hiss_a_weighted_volts=_root(hiss[part] @ (share * weights)),
        dc_volts=survey.dc_volts,
        peak_volts=survey.peak_volts,
        seconds=survey.seconds,
        still_seconds=survey.still_seconds,
        left_out_seconds=survey.left_out_seconds,
        overloaded=survey.overloaded,
        row_powers=survey.row_powers,
        octave_spread_db=_octave_spread(survey, lines.mask, high),
        # rounding to steps of q adds q^2/12, white up to half the rate (Bennett 1948)
        rounding_volts=0.0
        if step is None
        else step * capture.volts_per_unit * float(np.sqrt((high - band_hz[0]) / (6 * capture.sample_rate_hz))),
        families=tuple(lines.families),
        bands=_bands(survey, hiss, high),
        outside_volts=_outside(survey, band_hz[0], high),
        flutter_db=lines.flutter_db,
    )


@dataclass(frozen=True)
class _Lines:
    """Families, the bins that lines fill (bins,), the floor under them (bins,) [V^2], `Moving.flutter_db`."""

    families: list[Family]
    mask: NDArray[np.bool_] = field(repr=False)
    floor: Floats = field(repr=False)
    flutter_db: float


def _lines_of(survey: Survey, low_hz: float, high_hz: float) -> _Lines:
    """All lines of a survey, grouped."""
    power, step = survey.power, survey.step_hz
    everywhere = np.ones(len(power), dtype=np.bool_)
    floor = floor_under(power, survey.looks, everywhere)
    peaks = peaks_in(power, floor, survey.looks, step, low_hz)
    if peaks:
        floor = floor_under(power, survey.looks, ~filled(peaks, len(power)))
        peaks = peaks_in(power, floor, survey.looks, step, low_hz)
    peaks = [peak for peak in peaks if peak.frequency_hz <= high_hz]
    lines, fitted = _found(survey, peaks, floor)
    mask = filled(peaks, len(power))
    families: list[Family] = []
    moving = _moving_beside(survey, fitted, high_hz)
    if moving is not None:
        families = _moving_families(moving)
        partly = len(survey.stretch) < 0.9 * survey.seconds * survey.sample_rate_hz
        swept = moving.swept(step, len(power), BEYOND_STRETCH if partly else 1.0)
        mask |= swept
        floor = floor_under(power, survey.looks, ~mask)
        lines = [
            line
            for peak, line in zip(peaks, lines, strict=True)
            if not swept[peak.bin] or (line.steady and not moving.explains(line.frequency_hz, line.power))
        ]
    mains, unknown = group_lines(lines)
    families += [family_of_group(group, "mains", None, (1.0, 1.0)) for group in mains]
    families += [family_of_group(group, kind_of(group), None, (1.0, 1.0)) for group in unknown]
    flutter_db = 0.0 if moving is None else moving.flutter_db
    return _Lines(sorted(families, key=lambda family: -family.a_weighted_volts), mask, floor, flutter_db)


def _moving_families(moving: Moving) -> list[Family]:
    """What moves, in families: an engine's where several orders go together, and are no chord's notes. A lone
    line that wanders may be anything's: another speed of the engine tells."""
    groups = others(list(moving.lines), (SAME_COURSE_CHANCE, SAME_COURSE_CHANCE))
    least = ALIKE_SHARE * max(group.power for group in groups)
    orders = [len(group.members) for group in groups if group.power > least]
    notes = sum(count >= NOTE_ORDERS for count in orders) > MOST_SHAFTS
    chord = chord_of([(line.frequency_hz, line.power) for line in moving.lines])
    kind: Kind = "unknown" if max(orders) == 1 or notes or chord else "alternator"
    families = [family_of_group(group, kind, True, moving.course) for group in groups]
    return [replace(each, kind="unknown") if is_no_engine_s(each) else each for each in families]


def _moving_beside(survey: Survey, fitted: list[FittedLine], high_hz: float) -> Moving | None:
    """What moves in the stretch, steady lines taken out; pieces of what moves are put back first."""
    rate = survey.sample_rate_hz
    rest = without(survey.stretch, rate, fitted)
    moving = find_moving(rest, rate, [line.frequency_hz for line in fitted], high_hz)
    if moving is None:
        return None
    still = [line for line in fitted if not moving.explains(line.frequency_hz, line.power)]
    if len(still) == len(fitted):
        return moving
    rest = without(survey.stretch, rate, still)
    return find_moving(rest, rate, [line.frequency_hz for line in still], high_hz) or moving


def _found(survey: Survey, peaks: list[Peak], floor: Floats) -> tuple[list[FoundLine], list[FittedLine]]:
    """The peaks as lines, in the same order, and what was fitted on the stretch to those that are steady
    there."""
    rough = [
        FoundLine(peak.frequency_hz, ROUGH_DEVIATION * survey.step_hz, peak.power, steady=False)
        for peak in peaks
    ]
    samples, rate = survey.stretch, survey.sample_rate_hz
    if not peaks or len(samples) < 2:
        return rough, []
    fine = fine_spectrum(samples)
    fine_step = rate / len(samples)
    starts: dict[int, float] = {}
    for number in sorted(range(len(peaks)), key=lambda number: -peaks[number].power):
        peak = peaks[number]
        start = start_near(fine, fine_step, peak.frequency_hz, 1.2 * survey.step_hz)
        place = round(start / fine_step)
        held = float(fine[max(place - 2, 1) : place + 3].sum())
        if held >= (1 - 2 * STEADY_SHARE) * peak.power - _scatter(survey, peak, floor):
            starts[number] = start
        if len(starts) == MOST_LINES:
            break
    numbers = list(starts)
    fitted = fit_lines(samples, rate, [starts[number] for number in numbers])
    seconds = len(samples) / rate
    steady = []
    for line, number in zip(fitted, numbers, strict=True):
        peak = peaks[number]
        if line is None or abs(line.frequency_hz - peak.frequency_hz) > 1.5 * survey.step_hz:
            continue
        if abs(line.power - peak.power) > STEADY_SHARE * peak.power + _scatter(survey, peak, floor):
            continue
        bound = frequency_bound_hz(line.peak_volts, floor[peak.bin] / survey.step_hz, seconds)
        rough[number] = FoundLine(
            line.frequency_hz, float(np.hypot(bound, SLACK_CYCLES / seconds)), line.power, steady=True
        )
        steady.append(line)
    return rough, steady


def _scatter(survey: Survey, peak: Peak, floor: Floats) -> float:
    """How far noise may carry a line's power in the averaged spectrum and in the stretch [V^2].

    A line of power P beside noise of F a bin scatters by sqrt(2 P F / looks) and the bins' own F sqrt(bins /
    looks); the stretch is worth fewer looks, so each counts once more.
    """
    noise = float(floor[peak.bin])
    looks = max(min(survey.looks, len(survey.stretch) * survey.step_hz / survey.sample_rate_hz), 1.0)
    spread = np.sqrt(2 * peak.power * noise / looks + (peak.last - peak.first + 1) * noise**2 / survey.looks)
    return float(STEADY_SIGMAS * spread)


def _octave_spread(survey: Survey, mask: NDArray[np.bool_], high_hz: float) -> float | None:
    """How much octaves' levels vary between spectra, lines left out: 10 % to 90 %, median of octaves [dB]."""
    if len(survey.kept) < 4:
        return None
    spreads = []
    for band in bands(False):
        if band.low_hz < 100 or band.high_hz > high_hz:
            continue
        part, width = band_share(survey.step_hz, len(survey.power), band.low_hz, band.high_hz)
        levels = survey.kept[:, part] @ (width * ~mask[part])
        if np.all(levels > 0):
            low, high = np.percentile(10 * np.log10(levels), [10, 90])
            spreads.append(float(high - low))
    return float(np.median(spreads)) if spreads else None


def _outside(survey: Survey, low_hz: float, high_hz: float) -> tuple[float, float]:
    """Volts below and above the audio band, less what of it the band that is read holds."""
    bins, half = len(survey.power), survey.sample_rate_hz / 2
    spans = (0.0, min(low_hz, AUDIBLE_HZ[0])), (max(high_hz, AUDIBLE_HZ[1]), half)
    volts = []
    for low, high in spans:
        part, width = band_share(survey.step_hz, bins, low, max(high, low))
        volts.append(_root(survey.power[part] @ width / survey.step_hz) if low < high else 0.0)
    return volts[0], volts[1]


def _bands(survey: Survey, hiss: Floats, high_hz: float) -> tuple[BandNoise, ...]:
    rows = []
    for band in bands(True):
        if band.high_hz > max(high_hz * 1.13, high_hz) or band.low_hz > high_hz:
            continue
        part, width = band_share(survey.step_hz, len(hiss), band.low_hz, band.high_hz)
        share = width / survey.step_hz
        rows.append(BandNoise(band.center_hz, _root(survey.power[part] @ share), _root(hiss[part] @ share)))
    return tuple(rows)


def _root(power: float | Floats) -> float:
    return float(np.sqrt(max(float(power), 0.0)))


def _check(
    capture: Capture,
    against: Capture | None,
    recorder: Capture | None,
    target_volts: float | None,
    band_hz: tuple[float, float],
) -> None:
    """Raise GainkitError for what means nothing."""
    low, high = band_hz
    if not (0 < low < high < np.inf):
        raise GainkitError("empty_band", "band_hz", band_hz, low_hz=low, high_hz=high)
    limit = HIGHEST_OF_RATE * capture.sample_rate_hz
    if low >= limit:
        raise GainkitError("band_above_rate", "band_hz", low_hz=low, high_hz=high, highest_hz=limit)
    if target_volts is not None and not VOLTS.holds(target_volts):
        raise GainkitError("outside_range", "target_volts", target_volts, VOLTS)
    captures = [one for one in (capture, against, recorder) if one is not None]
    if len({one.calibrated for one in captures}) > 1:
        raise GainkitError("calibrations_differ", None, [one.calibrated for one in captures], "all or none")
