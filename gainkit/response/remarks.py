"""What a response has to say beside its figures."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gainkit.remarks import Remark, danger, fault, gravest_first, remark
from gainkit.response.model import Point, Response

Floats = NDArray[np.float64]

DISTORTED_PERCENT = 1.0
"""The limit that the other rooms call clipping by (common practice, no source) [%]."""

DISTORTED_POINTS = 4
TWEETER_FALL_DB = 6.0
"""An octave below its crossover a tweeter's output must have fallen by so much [dB]: what a filter of first
order does (7 dB)."""

BASS_HZ = 300.0
BASS_RAISED_DB = 1.5
CLOCK_NAMED_PPM = 20.0
"""As in onset: a smaller drift is not worth a word [ppm]."""


def remarks_on(
    answer: Response, by_marks: bool, clocked: bool | None, crossover_hz: float | None
) -> tuple[Remark, ...]:
    """Codes with values, gravest first. clocked : the clock was told by the recording."""
    said: list[Remark] = []
    if crossover_hz is not None:
        said += _tweeter(answer, crossover_hz)
    if answer.clipped:
        said.append(fault("sweep_overloaded", file=answer.file))
    said += _distorted(answer.points)
    if not by_marks:
        said.append(remark("marks_not_heard", clock_known=bool(clocked)))
    if answer.drift_ppm is not None and abs(answer.drift_ppm) > CLOCK_NAMED_PPM:
        said.append(remark("recorder_clock_differs", drift_ppm=answer.drift_ppm))
    if answer.flat is not None:
        within = max(answer.flat.plus_db, -answer.flat.minus_db)
        said.append(
            remark("flat_within", within_db=within, low_hz=answer.flat.low_hz, high_hz=answer.flat.high_hz)
        )
    for boost in answer.boosts:
        low = boost.kind == "low-shelf" or (boost.kind == "peak" and boost.centre_hz < BASS_HZ)
        if low and boost.centre_hz < 2.0 * BASS_HZ and boost.gain_db > BASS_RAISED_DB:
            said.append(remark("bass_raised", gain_db=boost.gain_db, below_hz=boost.centre_hz, kind=boost.kind))
    return gravest_first(said)


def curve_note(hertz: Floats, level_db: Floats) -> Remark:
    """Between which levels an equalised curve lies; both (points,), levels re the passband [dB]."""
    top, bottom = int(np.argmax(level_db)), int(np.argmin(level_db))
    return remark(
        "equalised_between",
        lowest_db=float(level_db[bottom]),
        highest_db=float(level_db[top]),
        highest_hz=float(hertz[top]),
        lowest_hz=float(hertz[bottom]),
    )


def _tweeter(answer: Response, crossover_hz: float) -> list[Remark]:
    """The danger that a tweeter gets what it cannot bear."""
    if not answer.points or answer.passband_db is None:
        return []
    at = 0.5 * crossover_hz
    hertz = np.log([point.frequency_hz for point in answer.points])
    if not hertz[0] <= math.log(at) <= hertz[-1]:
        return []
    level = float(np.interp(math.log(at), hertz, [point.level_db for point in answer.points]))
    under = answer.passband_db - level
    if under >= TWEETER_FALL_DB:
        return []
    return [danger("tweeter_unprotected", crossover_hz=crossover_hz, at_hz=at, under_passband_db=under)]


def _distorted(points: tuple[Point, ...]) -> list[Remark]:
    """Where harmonics stand above the limit, and above what noise makes of them."""
    loud = [
        point
        for point in points
        if point.thd_percent is not None
        and point.thd_percent > DISTORTED_PERCENT
        and point.thd_percent > 2.0 * (point.thd_floor_percent or 0.0)
    ]
    if len(loud) < DISTORTED_POINTS:
        return []
    worst = max(loud, key=lambda point: point.thd_percent or 0.0)
    return [
        fault(
            "sweep_distorted",
            thd_percent=worst.thd_percent,
            at_hz=worst.frequency_hz,
            low_hz=loud[0].frequency_hz,
            high_hz=loud[-1].frequency_hz,
        )
    ]
