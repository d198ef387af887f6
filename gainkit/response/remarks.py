"""What a response has to say beside its figures."""

from __future__ import annotations

import math
from dataclasses import asdict, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.remarks import Remark, danger, fault, gravest_first, remark
from gainkit.response.followed import LevelChange
from gainkit.response.model import Point, Response, Verdict

Floats = NDArray[np.float64]

DISTORTED_PERCENT = 1.0
"""The limit that the other rooms call clipping by (common practice, no source) [%]."""

DISTORTED_POINTS = 4
GOOD_PART_POINTS, GOOD_PART_UNDER_DB = 8, 10.0
"""Distortion over so many points, a third of an octave, that stand so near the passband [dB] is in the verdict:
of a sine that is cut the fundamental itself is too low, at 5 % by 0.4 dB, at 9 % by 1 dB, at 17 % by 2.5 dB
(computed from its Fourier series). A slope's points far down distort for other reasons."""

TWEETER_FALL_DB = 6.0
"""An octave below its crossover a tweeter's output must have fallen by so much [dB]: what a filter of first
order does (7 dB)."""

WHILE_DISTORTED: dict[Verdict, Verdict] = {
    "flat": "distorted",
    "filtered": "filtered, distorted",
    "equalised": "equalised, distorted",
    "filtered and equalised": "filtered and equalised, distorted",
}

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
        if answer.boosts or answer.bends:
            said.append(remark("level_not_watched"))
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


def change_notes(changes: tuple[LevelChange, ...]) -> list[Remark]:
    """The largest change of the level, and the first of the stretches where it was gone."""
    said: list[Remark] = []
    gone = [each for each in changes if each.gone]
    for code, some in (
        ("level_changed_in_sweep", [each for each in changes if not each.gone]),
        ("signal_gone_in_sweep", gone),
    ):
        if some:
            values = {name: value for name, value in asdict(some[0]).items() if name != "gone"}
            said.append(fault(code, times=len(some), **values))
    return said


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


def while_distorted(answer: Response) -> Response:
    """The same; where a good part of the band is distorted, no word of flat, and the verdict says so."""
    if answer.passband_db is None:
        return answer
    least_db = answer.passband_db - GOOD_PART_UNDER_DB
    loud = [each.frequency_hz for each in answer.points if is_distorted(each) and each.level_db > least_db]
    if len(loud) < GOOD_PART_POINTS:
        return answer
    if answer.flat is not None and any(answer.flat.low_hz <= hertz <= answer.flat.high_hz for hertz in loud):
        answer = replace(answer, flat=None)
    verdict = WHILE_DISTORTED.get(answer.verdict) if answer.verdict is not None else None
    named = bool(answer.boosts or answer.bends or answer.highpass or answer.lowpass)
    notes = (*answer.notes, remark("judged_while_distorted")) if named else answer.notes
    return replace(answer, verdict=verdict, notes=notes)


def is_distorted(point: Point) -> bool:
    """Whether its harmonics stand above the limit, and above what noise makes of them."""
    return (
        point.thd_percent is not None
        and point.thd_percent > DISTORTED_PERCENT
        and point.thd_percent > 2.0 * (point.thd_floor_percent or 0.0)
    )


def _distorted(points: tuple[Point, ...]) -> list[Remark]:
    """Where harmonics stand above the limit."""
    loud = [point for point in points if is_distorted(point)]
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
