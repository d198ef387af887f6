"""`find_response`: from a recording of the sweep to what the chain does to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.calculator.ranges import Range
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.swept import GAP_SECONDS, Chirp
from gainkit.remarks import fault, gravest_first
from gainkit.response import align
from gainkit.response.align import Heard, TrackPlace
from gainkit.response.deconvolve import Impulse, deconvolved, strongest_arrival
from gainkit.response.drive import SideTrack, Sweep, as_written
from gainkit.response.model import Response
from gainkit.response.points import Curves, curves
from gainkit.response.steadiness import level_changes
from gainkit.response.stuck import lost_between_marks
from gainkit.response.telling import MeasuredSide, not_found, told_of
from gainkit.response.verdict import (
    band_of,
)

Floats = NDArray[np.float64]

SMOOTH_OCTAVES = Range("octaves", 1.0 / 48.0, 1.0, low_allowed=True)
SOUND_CM_PER_SECOND = 34_320.0
"""Speed of sound in dry air of 20 degrees Celsius [cm/s] (ISO 9613-1 gives 343.2 m/s)."""

ARRIVAL_REACH_SECONDS = 0.4
ARRIVAL_SHARE = 0.4
"""How far around its place the strongest arrival is looked for [s], and over the distance to the second
harmonic at most [-]."""

EDGE_OCTAVES, EDGE_SECONDS = 1.0 / 6.0, 0.05
"""What is left out beside the place where a recording begins or ends within the sweep [octaves, s]."""


CLOCK_EXACT = 1e-5
"""What filters delay may seem half of what is told of a clock at most [-]."""

LEAST_CLOCK_STEP = 2e-7
"""A clock that moves by less needs no second look [-]."""

FULL_RUN = 3
"""Samples at full scale in a row that a sine of that frequency does not explain [-]."""


@dataclass(frozen=True)
class ResponseOptions:
    """What `find_response` was asked for."""

    heard: Heard
    sweep: Sweep
    smooth_octaves: float
    mark_channel: int | None = None


def find_response(
    capture: Capture,
    sweep: Sweep,
    *,
    reference: Capture | None = None,
    smooth_octaves: float = 1.0 / 12.0,
    channel: int = 1,
    minus: int | None = None,
    mark_channel: int | None = None,
    crossover_hz: float | None = None,
) -> Response:
    """The response of a chain from a recording of a sweep through it.

    sweep : what was played (`from_track`, `from_figures`). reference : another capture of the same sweep, read
    on the same channel; the result is the difference from it. smooth_octaves : width over which powers are
    averaged. channel, minus : what is read; right after left is read there too, or on another channel where it
    is silent. mark_channel : where the start mark is heard, if not there: a loop from the source. crossover_hz
    : of a tweeter's output, its high-pass: warned of when it passes too much below.

    `found` is False where the sweep is not in the recording. Raises GainkitError for a channel that is not
    there and figures out of range.
    """
    if not SMOOTH_OCTAVES.holds(smooth_octaves):
        raise GainkitError("outside_range", "smooth_octaves", smooth_octaves, SMOOTH_OCTAVES)
    asked = ResponseOptions(Heard(capture, channel, minus), sweep, smooth_octaves, mark_channel)
    start = _rough_start(asked)
    if start is None:
        return not_found(capture, channel)
    left = _measure(asked, sweep.sides[0], start)
    if left is not None and left.unlike and sweep.sides[0].first_mark is None:
        sweep = as_written(sweep)
        asked = replace(asked, sweep=sweep)
        left = _measure(asked, sweep.sides[0], start)
    right = _other_side(asked, start, left) if sweep.in_turn else None
    if left is None and right is None:
        return not_found(capture, channel)
    if reference is not None:
        other = ResponseOptions(replace(asked.heard, capture=reference), sweep, smooth_octaves, mark_channel)
        left, right = _against(other, left, right)
        if left is None and right is None:
            return not_found(reference, channel)
        for one, side in zip((left, right), sweep.sides, strict=False):
            if one is not None and one.other is not None and one.other.tells_nothing:
                return told_of(one.other, side, True, None)
    told = [
        None if one is None else told_of(one, side, reference is not None, crossover_hz)
        for one, side in zip((left, right), sweep.sides, strict=False)
    ]
    if reference is not None:
        file = reference.file
        told = [None if each is None else replace(each, reference_file=file) for each in told]
    if not sweep.in_turn:
        assert told[0] is not None
        return told[0]
    return _both(told[0], told[1])


def _both(left: Response | None, right: Response | None) -> Response:
    """Left with right beside it, and by how much right comes later."""
    if left is None or right is None:
        alone = left or right
        assert alone is not None
        return replace(alone, notes=gravest_first((*alone.notes, fault("one_side_heard", side=alone.side))))
    later = None
    if left.delay_seconds is not None and right.delay_seconds is not None:
        later = right.delay_seconds - left.delay_seconds
    return replace(
        left,
        right=right,
        right_later_seconds=later,
        right_farther_cm=None if later is None else later * SOUND_CM_PER_SECOND,
    )


def _rough_start(asked: ResponseOptions) -> float | None:
    """Recording time at which the (left) sweep begins, to a hop [s]."""
    first, *others = asked.sweep.sides
    again = tuple(each.sweep.start_seconds - first.sweep.start_seconds for each in others)
    return align.rough_start(asked.heard, first.sweep, again)


def _other_side(asked: ResponseOptions, start: float, left: MeasuredSide | None) -> MeasuredSide | None:
    """The right side, on the same channel or else on another one."""
    first, second = asked.sweep.sides
    later = start + second.sweep.start_seconds - first.sweep.start_seconds
    channels = [asked.heard.channel]
    if asked.heard.minus is None:
        channels += [each for each in range(1, asked.heard.capture.channels + 1) if each not in channels]
    for channel in channels:
        there = replace(asked, heard=replace(asked.heard, channel=channel))
        measured = _measure(there, second, later, left)
        if measured is not None:
            return measured
    return None


def _measure(
    asked: ResponseOptions, side: SideTrack, sweep_start: float, beside: MeasuredSide | None = None
) -> MeasuredSide | None:
    """One side; None where nothing of it stands out of the noise. beside : the side before it, whose marks tell
    the place of this one too."""
    place = beside.place if beside is not None else None
    if place is None or not place.by_marks:
        marks = asked.heard
        if asked.mark_channel is not None:
            marks = replace(marks, channel=asked.mark_channel, minus=None)
        place = align.place_by_marks(marks, side, sweep_start)
    clocked = place is not None
    if place is None:
        place = TrackPlace(sweep_start - side.sweep.start_seconds, 1.0, False)
    impulse, chirp, overloaded = _impulse(asked.heard, side, place)
    arrival = _arrival(impulse, chirp)
    if lost := lost_between_marks(impulse, side, place, arrival):
        place = replace(place, lost_seconds=lost)
    unlike = False
    if not place.by_marks:
        for _ in range(align.CLOCK_ROUNDS):
            low_hz, high_hz = _recorded_hz(asked.heard.capture, chirp, place, side)
            high_hz, exact = min(high_hz, 0.45 * impulse.rate), CLOCK_EXACT * chirp.octave_seconds
            slope = align.octave_slope(impulse, low_hz, high_hz, arrival, exact)
            step = 0.0 if slope is None else slope / chirp.octave_seconds
            clock = place.clock * (1.0 + step)
            if abs(clock - 1.0) > align.MOST_CLOCK_ERROR:
                unlike = slope is not None and abs(slope) > align.UNLIKE_SLOPE_SECONDS
                break
            clocked = slope is not None
            begin = place.recorded(side.sweep.start_seconds) + arrival
            place = TrackPlace(begin - clock * side.sweep.start_seconds, clock, False)
            impulse, chirp, overloaded = _impulse(asked.heard, side, place)
            arrival = _arrival(impulse, chirp)
            if abs(step) < LEAST_CLOCK_STEP:
                break
    response_curves = curves(impulse, chirp, place.clock, arrival, asked.smooth_octaves)
    response_curves = _beside_steps(response_curves, asked.heard.capture, chirp)
    response_curves, whole = _recorded_part(response_curves, asked.heard.capture, chirp, place, side)
    if band_of(response_curves) is None:
        return None
    recorded_hz = (float(response_curves.frequency_hz[0]), float(response_curves.frequency_hz[-1]))
    unlike = unlike or align.scattered(impulse, chirp, recorded_hz, arrival)
    exact = response_curves.arrival_seconds
    if beside is not None and beside.place is place:
        ahead = beside.ahead_seconds
    elif place.mark is not None and asked.mark_channel in (None, asked.heard.channel):
        ahead = exact - align.behind_mark(impulse, exact, place)
    else:
        ahead = 0.0
    return MeasuredSide(
        asked.heard,
        response_curves,
        place,
        (exact - ahead) / place.clock,
        ahead,
        clocked,
        overloaded,
        whole,
        unlike,
        () if unlike else level_changes(asked.heard, side, place, response_curves),
    )


def _beside_steps(response: Curves, capture: Capture, chirp: Chirp) -> Curves:
    """The same, the floor of distortion no lower than what the recorder's own steps make of a tone: rounding to
    steps of q adds q^2/12 (Bennett 1948), to a faint tone without dither as harmonics."""
    if capture.step_units is None:
        return response
    tone = np.sqrt(response.power / 2.0) * chirp.amplitude(response.frequency_hz)
    steps = capture.step_units * capture.volts_per_unit / math.sqrt(12.0)
    return replace(response, thd_floor=np.hypot(response.thd_floor, steps / np.maximum(tone, steps)))


def _recorded_part(
    whole_curves: Curves, capture: Capture, chirp: Chirp, place: TrackPlace, side: SideTrack
) -> tuple[Curves, bool]:
    """The frequencies that sounded while the recorder ran, and whether that is all of them."""
    low_hz, high_hz = _recorded_hz(capture, chirp, place, side)
    sounding = whole_curves.frequency_hz / place.clock
    keep = np.ones(len(sounding), dtype=bool)
    if low_hz > chirp.from_hz:
        keep &= sounding > low_hz
    if high_hz < chirp.to_hz:
        keep &= sounding < high_hz
    return (whole_curves, True) if keep.all() else (whole_curves.only(keep), False)


def _recorded_hz(capture: Capture, chirp: Chirp, place: TrackPlace, side: SideTrack) -> tuple[float, float]:
    """First and last frequency of the sweep that sounded while the recorder ran, its own where it ran all along
    [Hz]."""
    begin = place.recorded(side.sweep.start_seconds)
    first, last = -begin, capture.seconds - begin
    edge = EDGE_OCTAVES * math.log(2.0) * chirp.octave_seconds + EDGE_SECONDS
    low_hz = chirp.from_hz * math.exp((first + edge) / chirp.octave_seconds) if first > 0.0 else chirp.from_hz
    high_hz = chirp.to_hz
    if last < chirp.seconds:
        high_hz = chirp.from_hz * math.exp((last - edge) / chirp.octave_seconds)
    return low_hz, high_hz


def _arrival(impulse: Impulse, chirp: Chirp) -> float:
    half_seconds = min(ARRIVAL_REACH_SECONDS, ARRIVAL_SHARE * chirp.octave_seconds * math.log(2.0))
    return strongest_arrival(impulse, -half_seconds, half_seconds)


def _impulse(heard: Heard, side: SideTrack, place: TrackPlace) -> tuple[Impulse, Chirp, bool]:
    """The impulse response, the sweep on the recorder's clock, and whether the recorder was overloaded."""
    rate = heard.capture.sample_rate_hz
    chirp = side.sweep.chirp.stretched(place.clock)
    begin = place.recorded(side.sweep.start_seconds)
    first = math.floor((begin - GAP_SECONDS) * rate)
    last = math.ceil((begin + chirp.seconds + chirp.fade_seconds + GAP_SECONDS) * rate)
    samples = heard.samples(first, last)
    ahead = begin * rate - first
    return deconvolved(samples, rate, chirp, ahead), chirp, _overloaded(heard.capture, samples, chirp, ahead)


def _overloaded(capture: Capture, samples: Floats, chirp: Chirp, first_frame: float) -> bool:
    """True where samples stand at digital full scale for longer than the sweep's sine would there."""
    if not capture.has_full_scale:
        return False
    step = capture.step_units or 2.0**-23
    top = capture.volts_per_unit * (1.0 - 1.5 * step)
    full = np.abs(samples) >= top
    if not full.any() or (
        not capture.hard_full_scale and float(np.abs(samples).max()) > capture.volts_per_unit * (1.0 + 1e-6)
    ):
        return False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], full, [False]]).astype(np.int8)))
    begins, runs = edges[::2], edges[1::2] - edges[::2]
    rate = capture.sample_rate_hz
    hertz = chirp.from_hz * np.exp(
        np.clip((begins - first_frame) / rate, 0.0, chirp.seconds) / chirp.octave_seconds
    )
    allowed = 2.0 * math.acos(1.0 - 2.0 * step) * rate / (2.0 * math.pi * hertz)
    return bool(np.any(runs >= np.maximum(FULL_RUN, 2.0 * allowed + 2.0)))


def _against(
    other: ResponseOptions, left: MeasuredSide | None, right: MeasuredSide | None
) -> tuple[MeasuredSide | None, MeasuredSide | None]:
    """Each side less what another capture of the same sweep shows of it."""
    start = _rough_start(other)
    if start is None:
        return None, None
    first = _measure(other, other.sweep.sides[0], start)
    second = _other_side(other, start, first) if other.sweep.in_turn else None
    return tuple(  # type: ignore[return-value]
        None
        if one is None or two is None
        else replace(
            one, curves=difference(one.curves, two.curves), changes=(*one.changes, *two.changes), other=two
        )
        for one, two in ((left, first), (right, second))
    )


def difference(one: Curves, two: Curves) -> Curves:
    """One response over another, at the frequencies they share; noise of both counts."""
    _, at, there = np.intersect1d(
        np.round(one.frequency_hz, 6), np.round(two.frequency_hz, 6), return_indices=True
    )
    divisor = np.maximum(two.power[there], two.noise[there]) + 1e-300
    power = one.power[at] / divisor
    phase = np.angle(np.exp(1j * (one.phase[at] - two.phase[there])))
    noise = one.noise[at] / divisor + power * two.noise[there] / divisor
    blur_db = np.maximum(one.blur_db[at], two.blur_db[there])
    return replace(one.only(at), power=power, noise=noise, phase=phase, blur_db=blur_db)
