"""The figures and remarks of a measurement, from what was found in the capture."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from gainkit.analysis import thresholds
from gainkit.analysis.clipping import UNJUDGED, Verdict
from gainkit.analysis.heldhum import held_hum_db
from gainkit.analysis.model import (
    Clipping,
    Harmonic,
    Measurement,
    MeasureOptions,
    RailSag,
    Stretch,
    TargetCheck,
)
from gainkit.analysis.origins import Origin, Scene, origins_of
from gainkit.analysis.ripple import rippled_db
from gainkit.analysis.tone import ToneFit
from gainkit.analysis.turning import change_to
from gainkit.analysis.unsteady import moved_by
from gainkit.analysis.window import Floats, Window
from gainkit.capture.model import Capture
from gainkit.figures import level_unit
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db, watts_from_volts
from gainkit.remarks import Remark, fault, remark

STRANGERS = frozenset({"hum", "interfering_tone"})
"""Codes of lines that neither the tone nor the recorder makes."""

MOST_LINES = 3
"""Kinds of hum and interfering tones named at most [-]."""

MOST_EXPLAINED = 60
"""Of so many lines, the strongest, the origin is looked for [-]."""


@dataclass(frozen=True)
class Examination:
    """What was looked at and found.

    part : (frames,) of the window's audio that the figures come from [V]. overload : of the recorder. notes :
    on how the part was chosen. no_tone : why there is no steady tone; None when tone and verdict are there.
    stretches, sag : what went before.
    """

    window: Window
    part: Floats
    overload: bool
    notes: tuple[Remark, ...]
    no_tone: Remark | None
    tone: ToneFit | None = None
    verdict: Verdict | None = None
    stretches: tuple[Stretch, ...] = ()
    sag: RailSag | None = None


def measurement_of(capture: Capture, options: MeasureOptions, examined: Examination) -> Measurement:
    """All that the capture tells: its level alone, or a tone with everything behind it."""
    if examined.tone is None or examined.verdict is None:
        rms, peak = float(np.std(examined.part)), float(np.abs(examined.part).max())
        level = _level(capture, options, examined, rms, peak, float(examined.part.mean()))
        lack = () if examined.no_tone is None else (examined.no_tone,)
        return replace(level, notes=(*_reading_notes(capture, options), *examined.notes, *lack))
    return _with_tone(capture, options, examined, examined.tone, examined.verdict)


def _level(
    capture: Capture, options: MeasureOptions, examined: Examination, rms: float, peak: float, dc: float
) -> Measurement:
    """What needs no steady tone. rms, peak, dc : [V]."""
    calibrated, load_ohms = capture.calibrated, options.load_ohms
    return Measurement(
        file=capture.file,
        channel=options.channel,
        minus=options.minus,
        sample_rate_hz=capture.sample_rate_hz,
        seconds=len(examined.part) / examined.window.audio_rate_hz,
        calibrated=calibrated,
        rms_volts=rms,
        level_dbfs=_level_dbfs(capture, rms),
        peak_volts=peak,
        dc_volts=dc,
        crest_factor_db=db_from_ratio(peak / rms) if rms > 0 else None,
        clipping=UNJUDGED,
        recorder_overload=examined.overload,
        steady_tone=False,
        watts=watts_from_volts(rms, load_ohms) if load_ohms is not None and calibrated else None,
        target=None if options.target_volts is None else TargetCheck(options.target_volts, None),
    )


def _with_tone(
    capture: Capture, options: MeasureOptions, examined: Examination, tone: ToneFit, verdict: Verdict
) -> Measurement:
    """Everything a steady tone tells."""
    crest = float(np.abs(tone.period()).max())
    # outliers are no part of the wave: then the highest sample is not the peak
    peak = crest if tone.outliers else max(float(np.abs(examined.part).max()), crest)
    moved_volts, moved_db = moved_by(examined.part, tone, options.limit_thd_percent)
    target, target_notes = _beside_target(capture, options, examined, tone, verdict)
    clipping, by_hum = _beside_hum(_less_certain(verdict, tone, moved_db), tone, capture.calibrated)
    return replace(
        _level(capture, options, examined, tone.rms_volts, peak, tone.dc_volts),
        cycles=tone.frequency_hz * len(examined.part) / examined.window.audio_rate_hz,
        frequency_hz=tone.frequency_hz,
        fundamental_volts=tone.fundamental_volts,
        thd_percent=tone.thd_percent,
        thd_r_percent=tone.thd_r_percent,
        thd_floor_percent=tone.thd_floor_percent,
        thd_n_percent=tone.thd_n_percent,
        noise_volts=tone.noise_rms_volts,
        interference_volts=tone.interference_volts,
        harmonics=_harmonics(tone),
        clipping=clipping,
        steady_tone=True,
        target=target,
        notes=(
            *_reading_notes(capture, options),
            *examined.notes,
            *_tone_notes(capture, options, examined, tone),
            *_in_unit(verdict.remarks, level_unit(capture.calibrated)),
            *by_hum,
            *target_notes,
        ),
        stretches=examined.stretches,
        rail_sag=examined.sag,
        rms_uncertainty_volts=math.hypot(
            tone.rms_uncertainty_volts, moved_volts, tone.rms_volts * (capture.volts_uncertainty_share or 0.0)
        ),
        thd_uncertainty_percent=tone.thd_uncertainty_percent,
    )


def _less_certain(verdict: Verdict, tone: ToneFit, moved_db: float) -> Clipping:
    """The verdict with what movement and ripple add to its uncertainty; none where rails may be hidden."""
    clipping = UNJUDGED if verdict.hidden else verdict.clipping
    if clipping.side is None or clipping.overdrive_uncertainty_db is None:
        return clipping
    of_all = math.hypot(clipping.overdrive_uncertainty_db, moved_db, rippled_db(tone, verdict.rails))
    return replace(clipping, overdrive_uncertainty_db=of_all)


def _beside_hum(clipping: Clipping, tone: ToneFit, calibrated: bool) -> tuple[Clipping, tuple[Remark, ...]]:
    """The verdict where hum is cut together with the tone: between which overdrives and rails the truth lies,
    or that no rail can be told from what the hum makes."""
    if clipping.state is None or tone.full_thd_percent < thresholds.NAMED_THD_PERCENT:
        return clipping, ()
    within_db = held_hum_db(tone)
    if not within_db:
        return clipping, ()
    rails = [abs(r) for r in (clipping.positive_rail_volts, clipping.negative_rail_volts) if r is not None]
    if clipping.side is None or clipping.overdrive_db is None or not rails:
        return UNJUDGED, (fault("hum_hides_rail"),)
    of_shapes = clipping.overdrive_interval_db or (clipping.overdrive_db, clipping.overdrive_db)
    lowest, highest = max(of_shapes[0] - within_db, 0.0), of_shapes[1] + within_db
    ratio = ratio_from_db(within_db)
    told = fault(
        "hum_at_rail",
        lowest_db=lowest, highest_db=highest, lowest_volts=min(rails) / ratio, highest_volts=max(rails) * ratio,
        unit=level_unit(calibrated),
    )  # fmt: skip
    return replace(clipping, overdrive_interval_db=(lowest, highest)), (told,)


def _in_unit(told: tuple[Remark, ...], unit: str) -> Iterator[Remark]:
    """The same, with the unit of the slope that is told of the wave alone: the fit does not know it."""
    for each in told:
        yield replace(each, values={**each.values, "unit": unit}) if each.code == "slew_limited" else each


def _reading_notes(capture: Capture, options: MeasureOptions) -> tuple[Remark, ...]:
    """What to know of how the capture was read."""
    return (*capture.notes, *capture.channel_notes(options.channel, options.minus))


def _level_dbfs(capture: Capture, rms_volts: float) -> float | None:
    """AES17: a sine whose peaks touch full scale is 0 dBFS; text of an oscilloscope has no full scale."""
    if rms_volts <= 0 or not capture.has_full_scale:
        return None
    return db_from_ratio(rms_volts * SINE_CREST / capture.volts_per_unit)


def _harmonics(tone: ToneFit) -> tuple[Harmonic, ...]:
    """Orders 2.. in the band."""
    relative = tone.relative()[: tone.in_band] / abs(tone.phasors[0])
    percents, degrees = 100 * np.abs(relative), np.degrees(np.angle(relative))
    return tuple(
        Harmonic(order, float(percents[order - 1]), float(degrees[order - 1]))
        for order in range(2, tone.in_band + 1)
    )


def _beside_target(
    capture: Capture, options: MeasureOptions, examined: Examination, tone: ToneFit, verdict: Verdict
) -> tuple[TargetCheck | None, tuple[Remark, ...]]:
    """How far to turn to reach the target, and what stands in the way."""
    wanted = options.target_volts
    if wanted is None:
        return None, ()
    notes: list[Remark] = []
    change = change_to(
        wanted,
        math.sqrt(tone.rms_volts**2 - tone.interference_volts**2),
        None if verdict.clipping.side is None else verdict.rails,
    )
    if change is None:
        notes.append(fault("target_beyond_rails", set_volts=wanted))
    elif examined.overload or (tone.thd_percent >= options.limit_thd_percent and change >= 0):
        change = None  # what was recorded is not the output, or is distorted and cannot be turned up
    if not capture.calibrated:
        notes.append(remark("target_needs_calibration"))
        change = None
    return TargetCheck(wanted, change), tuple(notes)


def _tone_notes(
    capture: Capture, options: MeasureOptions, examined: Examination, tone: ToneFit
) -> Iterator[Remark]:
    """What a person should know beside the figures: overload, residue, outliers, hum and other lines."""
    unit = level_unit(capture.calibrated)
    above = examined.window.above_band_volts
    if above > thresholds.OUT_OF_BAND_RATIO * tone.fundamental_volts:
        yield remark("above_band", high_hz=options.band_hz[1], rms_volts=above, unit=unit)
    if tone.outliers:
        yield remark("outliers", count=tone.outliers)
    if tone.crackles and not any(each.state == "clipped" for each in examined.stretches):
        yield fault("crackles_within", count=tone.crackles)
    yield from _line_notes(capture, tone, unit)


def _line_notes(capture: Capture, tone: ToneFit, unit: str) -> Iterator[Remark]:
    """One remark for each origin of lines, strongest first."""
    step = (capture.step_units or 0.0) * capture.volts_per_unit
    scene = Scene(tone.frequency_hz, tone.spectrum.step_hz, capture.sample_rate_hz, tone.noise_rms_volts, step)
    lines = tone.lines[:MOST_EXPLAINED]
    named: set[tuple[str, float | None]] = set()
    for line, origin in zip(lines, origins_of(lines, scene), strict=True):
        percent = 100 * line.rms_volts / tone.fundamental_volts
        if percent < thresholds.HUM_LEAST_PERCENT or len(named) >= MOST_LINES:
            return
        key = (origin.kind, None if origin.kind == "folded" else origin.fundamental_hz)
        if key in named:
            continue
        named.add(key)
        figures = {
            "frequency_hz": line.frequency_hz, "rms_volts": line.rms_volts, "unit": unit, "percent": percent
        }  # fmt: skip
        told = _of_origin(origin, figures)
        strong = percent >= thresholds.STRONG_LINE_PERCENT and told.code in STRANGERS
        yield replace(told, severity="fault") if strong else told


def _of_origin(origin: Origin, figures: dict[str, Any]) -> Remark:
    if origin.kind == "mains":
        return remark("hum", mains_hz=round(origin.fundamental_hz or 0.0), **figures)
    own = {"order": origin.order, "fundamental_hz": origin.fundamental_hz}
    if origin.kind == "folded":
        return remark("line_is_folded", **figures, **own)
    if origin.kind == "sideband":
        return remark("line_is_sideband", **figures, **own)
    if origin.kind == "rounding":
        return remark("line_is_rounding", **figures)
    return remark("interfering_tone", **figures, **own, kind=origin.kind)
