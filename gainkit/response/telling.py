"""From one side of a recording, measured, to the answer: points, filters, boosts, verdict, remarks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from gainkit.capture.model import Capture
from gainkit.generator.swept import Chirp
from gainkit.remarks import fault, gravest_first, remark
from gainkit.response.align import Heard, TrackPlace
from gainkit.response.drive import SideTrack
from gainkit.response.equalised import LEAST_BEND_DB, bends_of, is_sole_explanation, sure_ends, told_part
from gainkit.response.followed import LevelChange
from gainkit.response.model import Filter, Point, Response
from gainkit.response.points import Curves
from gainkit.response.remarks import (
    WHILE_DISTORTED,
    change_notes,
    curve_note,
    remarks_on,
    while_distorted,
)
from gainkit.response.resonant import resonance_of
from gainkit.response.verdict import (
    CORNER_DB,
    NO_SHAPE_DB,
    ROUGH_SHARE,
    audible_bands,
    band_of,
    corners,
    filter_told,
    fitted,
    flatness,
    own_shape,
    passband_db,
    verdict_of,
    wall_of,
    without_roll_offs,
)

SHORT_RATIO = 1.2
"""Where the first point lies so far over the sweep's first frequency, the sweep was too short for it [-]."""


@dataclass(frozen=True)
class MeasuredSide:
    """One side, measured. heard : where. place : of the track in the recording. arrival_seconds : re the first
    mark's, true seconds. ahead_seconds : by how much the mark's own arrival lies later than `place` has it.
    clocked : the clock was told by the recording. whole : the recording holds all of the sweep.
    unlike : what was recorded is another sweep. changes : what the level did on the way. other : of a
    difference, what was taken off."""

    heard: Heard
    curves: Curves
    place: TrackPlace
    arrival_seconds: float
    ahead_seconds: float
    clocked: bool
    overloaded: bool
    whole: bool
    unlike: bool
    changes: tuple[LevelChange, ...] = ()
    other: MeasuredSide | None = None

    @property
    def tells_nothing(self) -> bool:
        """Whether the recording is of no use, not even for a difference."""
        return self.unlike or self.place.lost_seconds != 0.0


def told_of(measured: MeasuredSide, side: SideTrack, differs: bool, crossover_hz: float | None) -> Response:
    """The answer for one side."""
    capture, curves = measured.heard.capture, measured.curves
    if lost := measured.place.lost_seconds:
        note = fault("sweep_lost_samples", file=capture.file, lost_seconds=lost)
        return replace(not_found(capture, measured.heard.channel), notes=(note,))
    if measured.unlike:
        return replace(
            not_found(capture, measured.heard.channel), notes=(fault("sweep_unlike", file=capture.file),)
        )
    drift = (measured.place.clock - 1.0) * 1e6 if measured.clocked else None
    answer = replace(
        not_found(capture, measured.heard.channel),
        found=True,
        drift_ppm=drift,
        notes=(),
        delay_seconds=measured.arrival_seconds if measured.place.by_marks else None,
        side=side.side,
        clipped=measured.overloaded,
        points=_points(curves, side.sweep.chirp, capture.calibrated and not differs),
    )
    band = band_of(curves)
    if measured.changes:
        return _level_changed(answer, measured, crossover_hz)
    if band is None:
        return replace(answer, notes=remarks_on(answer, measured.place.by_marks, None, crossover_hz))
    inside = slice(band[0], band[1] + 1)
    hertz, level = curves.frequency_hz[inside], curves.level_db[inside]
    passband = passband_db(level)
    low, high = corners(hertz, level, passband)
    answer = replace(
        answer,
        band_hz=(float(hertz[0]), float(hertz[-1])),
        flat=flatness(hertz, level),
        passband_db=passband,
        low_corner_hz=low,
        high_corner_hz=high,
    )
    wall = None if differs else wall_of(curves, band)
    answer = _with_chain(answer, curves, band if wall is None else (band[0], wall))
    answer = while_distorted(answer if wall is None else _ends(answer, curves, wall))
    if measured.other is not None:
        answer = _beside_reference(answer, measured.other, side)
    notes = (*answer.notes, *remarks_on(answer, measured.place.by_marks, measured.clocked, crossover_hz))
    if not measured.whole:
        low, high = answer.points[0].frequency_hz, answer.points[-1].frequency_hz
        notes = gravest_first((*notes, fault("sweep_incomplete", low_hz=low, high_hz=high)))
    elif answer.points[0].frequency_hz > SHORT_RATIO * side.sweep.chirp.from_hz:
        short = remark("sweep_short", below_hz=answer.points[0].frequency_hz, seconds=side.sweep.chirp.seconds)
        notes = gravest_first((*notes, short))
    read = (*capture.notes, *capture.channel_notes(measured.heard.channel, measured.heard.minus))
    return replace(answer, notes=gravest_first((*read, *notes)))


def _beside_reference(answer: Response, other: MeasuredSide, side: SideTrack) -> Response:
    """A difference, where what was taken off was cut itself: its own levels were too low."""
    band = band_of(other.curves)
    if band is None:
        return answer
    reference = replace(
        answer,
        points=_points(other.curves, side.sweep.chirp, False),
        passband_db=passband_db(other.curves.level_db[band[0] : band[1] + 1]),
        notes=(),
    )
    judged = while_distorted(reference)
    said = [each for each in remarks_on(reference, True, None, None) if each.code == "sweep_distorted"]
    file = other.heard.capture.file
    notes = [fault("reference_distorted", file=file, **each.values) for each in said]
    if other.overloaded:
        notes = [fault("reference_overloaded", file=file)]
    if not notes:
        return answer
    if other.overloaded or judged.verdict != answer.verdict:
        verdict = WHILE_DISTORTED.get(answer.verdict, answer.verdict) if answer.verdict is not None else None
        answer = replace(answer, flat=None, verdict=verdict)
    return replace(answer, notes=(*answer.notes, *notes))


def _level_changed(answer: Response, measured: MeasuredSide, crossover_hz: float | None) -> Response:
    """The points as they are, and no word on what made them but a tweeter's danger."""
    capture, answer = measured.heard.capture, replace(answer, verdict="level changed")
    band = band_of(measured.curves)
    passband = None if band is None else passband_db(measured.curves.level_db[band[0] : band[1] + 1])
    judged = replace(answer, passband_db=passband)
    said = remarks_on(judged, measured.place.by_marks, measured.clocked, crossover_hz)
    if any(each.gone for each in measured.changes):  # the edges of what is gone look like harmonics
        said = tuple(note for note in said if note.code != "sweep_distorted")
    read = (*capture.notes, *capture.channel_notes(measured.heard.channel, measured.heard.minus))
    return replace(answer, notes=gravest_first((*change_notes(measured.changes), *read, *said)))


def not_found(capture: Capture, channel: int) -> Response:
    return Response(
        found=False,
        drift_ppm=None,
        band_hz=None,
        points=(),
        flat=None,
        low_corner_hz=None,
        high_corner_hz=None,
        lowpass=None,
        highpass=None,
        boosts=(),
        delay_seconds=None,
        verdict=None,
        notes=(fault("sweep_not_found", file=capture.file),),
        file=capture.file,
        channel=channel,
        calibrated=capture.calibrated,
    )


def _with_chain(answer: Response, curves: Curves, band: tuple[int, int]) -> Response:
    """The same with filters, boosts and verdict; the passband is then what the fit makes of it."""
    assert answer.passband_db is not None
    fit = fitted(curves, band, answer.passband_db)
    if fit is None:
        return answer
    levels, chain, misfit = fit
    levels, chain = without_roll_offs(levels, chain)
    own_shaped = bool(own_shape(chain.highpass, chain) or own_shape(chain.lowpass, chain))
    missed = misfit > NO_SHAPE_DB and bool(chain.bands)
    if missed or not is_sole_explanation(levels, chain, own_shaped):
        least_db = max(LEAST_BEND_DB, ROUGH_SHARE * levels.rough_db)
        return _as_a_curve(answer, curves, band, sure_ends(levels), least_db)
    resonances = {
        name: found
        for name in ("highpass", "lowpass")
        if (found := resonance_of(levels, chain, getattr(chain, name))) is not None
    }
    inside = slice(band[0], band[1] + 1)
    passband = answer.passband_db + chain.gain_db
    hertz, level = curves.frequency_hz[inside], curves.level_db[inside]
    low, high = (
        corners(hertz, level, passband) if not chain.bands else (answer.low_corner_hz, answer.high_corner_hz)
    )

    if resonances:
        low, high = corners(hertz, level, passband)

    def side(name: str, corner: float | None) -> Filter | None:
        told = filter_told(getattr(chain, name), chain, corner, misfit)
        if told is None or name not in resonances:
            return told
        return replace(told, family="other", corner_hz=corner or told.corner_hz)

    taken = [found.band for found in resonances.values()]
    bands = [band for band in audible_bands(chain) if band not in taken]
    bands.sort(key=lambda band: band.centre_hz)
    if own_shaped:
        bands = []  # they cannot be told from the filter's own bends

    return replace(
        answer,
        passband_db=passband,
        low_corner_hz=low,
        high_corner_hz=high,
        lowpass=side("lowpass", high),
        highpass=side("highpass", low),
        boosts=tuple(band.told() for band in bands),
        verdict=verdict_of(chain, bool(bands)),
        notes=tuple(found.told(f"{name[:-4]}-pass") for name, found in resonances.items()),
    )


def _ends(answer: Response, curves: Curves, wall: int) -> Response:
    """The same of a band that ends behind the point `wall`, at no crossover."""
    assert answer.passband_db is not None
    hertz, level = curves.frequency_hz, curves.level_db
    beyond = wall + 1 + int(np.argmax(level[wall + 1 :] < answer.passband_db - CORNER_DB))
    at = slice(beyond - 1, beyond + 1)
    corner_hz = corners(hertz[at], level[at], answer.passband_db)[1]
    equalised = answer.verdict in ("equalised", "filtered and equalised")
    return replace(
        answer,
        high_corner_hz=corner_hz,
        verdict="filtered and equalised" if equalised else "filtered",
        notes=(*answer.notes, remark("band_ends", at_hz=corner_hz)),
    )


def _as_a_curve(
    answer: Response, curves: Curves, band: tuple[int, int], ends: tuple[bool, bool], least_db: float
) -> Response:
    """The same as equalised, by its peaks and dips. ends : which of them are a filter's slopes. least_db : what
    stands out less is no bend.

    Most of an equalised curve lies at no one level: its passband is the median of what is no slope.
    """
    inside = slice(band[0], band[1] + 1)
    hertz, level = curves.frequency_hz[inside], curves.level_db[inside]
    low = answer.low_corner_hz if ends[0] else None
    high = answer.high_corner_hz if ends[1] else None
    passband = float(np.median(told_part(hertz, level, low, high)[1]))
    corners_hz = corners(hertz, level, passband)
    low, high = (corner if sure else None for corner, sure in zip(corners_hz, ends, strict=True))
    hertz, level = told_part(hertz, level, low, high)
    return replace(
        answer,
        passband_db=passband,
        low_corner_hz=low,
        high_corner_hz=high,
        bends=bends_of(hertz, level - passband, least_db),
        verdict="filtered and equalised" if any(ends) else "equalised",
        notes=(curve_note(hertz, level - passband),),
    )


def _points(curves: Curves, chirp: Chirp, calibrated: bool) -> tuple[Point, ...]:
    rms = chirp.amplitude(curves.frequency_hz) / math.sqrt(2.0)
    rows = zip(
        curves.frequency_hz.tolist(),
        curves.level_db.tolist(),
        np.degrees(curves.phase).tolist(),
        (100.0 * curves.thd).tolist(),
        (100.0 * curves.thd_floor).tolist(),
        curves.floor_db.tolist(),
        (10.0 ** (curves.level_db / 20.0) * rms).tolist(),
        strict=True,
    )
    return tuple(
        Point(
            hertz,
            level,
            phase,
            None if math.isnan(thd) else thd,
            floor,
            volts if calibrated else None,
            None if math.isnan(thd_floor) else thd_floor,
        )
        for hertz, level, phase, thd, thd_floor, floor, volts in rows
    )
