"""The judgements, one place for each: what to turn, on target or not, clean or not, DC, overload.

Pure functions of a measurement and a tolerance; commands, the record, pages and charts show what they say. The
thresholds stand here with their reasons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from gainkit.analysis.clean import is_clean_tone
from gainkit.analysis.model import Measurement
from gainkit.analysis.thresholds import DC_VOLTS, LIMIT_THD_PERCENT
from gainkit.calculator.ranges import Range, refuse_faults, within
from gainkit.levels import ratio_from_db
from gainkit.remarks import Remark, codes, fault

if TYPE_CHECKING:
    from gainkit.response.model import Filter, Response

TOLERANCE_DB = 0.5
"""A level within this of its target is on target unless the system file says otherwise [dB] (our choice: a gain
control is hardly set finer, and 0.5 dB is hardly heard)."""

LEAST_TURN_DB = 0.1
"""A distorted tone is told to go down to a target that lies lower by this [dB] (our choice: less is no turn of
a gain control)."""

DC_SHARE = 0.02
"""... if it is also above this share of the tone's rms volts: a recorder's own offset is smaller [-]."""

OTHER_TONE_SHARE = 0.02
"""A tone this far off the planned frequency is another [-]: a recorder's clock is off by less than 0.0002."""


CORNER_SHARE = 0.12
"""A crossover whose corner lies this far off the planned one stands elsewhere [-] (our choice: a sixth of an
octave, less than the step of most dials)."""


@dataclass(frozen=True)
class Checks:
    """How strictly a car is judged: `[check]` of its system file."""

    tolerance_db: float = within(Range("dB", 0, 6), default=TOLERANCE_DB)
    limit_thd_percent: float = within(Range("%", 0, 100), default=LIMIT_THD_PERCENT)

    def __post_init__(self) -> None:
        refuse_faults(self)


TurnState = Literal["on-target", "up", "down", "out-of-reach", "unknown"]


@dataclass(frozen=True)
class Turn:
    """What to turn.

    state : "on-target"; "up" or "down" by change_db; "out-of-reach": the target cannot be reached without
    clipping or other distortion; "unknown": the recording does not tell. change_db : positive up [dB], None
    where nothing is to be turned by a known figure. set_volts : the target with the tone [V rms]; None without
    a target. clean_volts : the largest sine that the rails seen let through [V rms], None when no rail is seen.
    """

    state: TurnState
    change_db: float | None
    set_volts: float | None
    clean_volts: float | None = None


def clean_volts(result: Measurement) -> float | None:
    """The largest sine that the rails seen let through [V rms]; None when none is seen."""
    clip = result.clipping
    rails = [abs(rail) for rail in (clip.positive_rail_volts, clip.negative_rail_volts) if rail is not None]
    return min(rails) / math.sqrt(2) if rails else None


def what_to_turn(result: Measurement, checks: Checks) -> Turn:
    """How a tone stands to its target. A distorted tone is never told to go up, and is never on target."""
    if result.target is None:
        return Turn("unknown", None, None)
    wanted = result.target.set_volts
    if not (result.calibrated and result.steady_tone) or result.recorder_overload:
        return Turn("unknown", None, wanted)
    most = clean_volts(result)
    change = result.target.change_db
    if change is None or (most is not None and wanted > most):
        return Turn("out-of-reach", None, wanted, most)
    if is_distorted(result.thd_percent, checks):
        if change > -LEAST_TURN_DB:
            return Turn("out-of-reach", None, wanted, most)
        return Turn("down", change, wanted, most)
    if on_target(change, checks):
        return Turn("on-target", change, wanted, most)
    return Turn("up" if change > 0 else "down", change, wanted, most)


def on_target(error_db: float, checks: Checks) -> bool:
    """Whether a level that far from its target is on it."""
    return abs(error_db) <= checks.tolerance_db


def is_distorted(thd_percent: float | None, checks: Checks) -> bool:
    """Whether THD is at the limit or above; None is not known, and not told as distorted."""
    return thd_percent is not None and thd_percent >= checks.limit_thd_percent


def is_clean(result: Measurement, checks: Checks) -> bool:
    """A steady tone that the recorder could hold, no rail seen, THD below the limit, no stray DC."""
    return is_clean_tone(result, checks.limit_thd_percent) and not has_stray_dc(result)


def has_stray_dc(result: Measurement) -> bool:
    """Whether a calibrated measurement shows more DC than belongs at an output."""
    return result.calibrated and is_stray_dc(result.dc_volts, result.rms_volts)


def is_stray_dc(dc_volts: float, rms_volts: float) -> bool:
    """Whether so much DC beside so much tone does not belong at an output."""
    return abs(dc_volts) > max(DC_VOLTS, DC_SHARE * rms_volts)


def is_other_tone(frequency_hz: float | None, planned_hz: float | None) -> bool:
    """Whether a tone is not the planned one; False where either is not known."""
    if not frequency_hz or not planned_hz:
        return False
    return abs(frequency_hz / planned_hz - 1) > OTHER_TONE_SHARE


def tone_faults(
    result: Response, tone_hz: float, set_volts: float, checks: Checks
) -> tuple[Remark, ...] | None:
    """What filters take off the setting tone beyond the tolerance; None where the response does not tell.

    A gain set with a tone that comes out `loss_db` weaker than the passband ends that much too high.
    set_volts : of the plan [V rms]; the fault tells what the tone has to read instead.
    """
    from gainkit.response.tone import tone_loss

    told = tone_loss(result, tone_hz)
    if told is None:
        return None
    if told.loss_db <= checks.tolerance_db:
        return ()
    return (
        fault(
            "filter_takes_tone",
            tone_hz=tone_hz, loss_db=told.loss_db, set_volts=set_volts / ratio_from_db(told.loss_db),
            low_hz=told.low_hz, high_hz=told.high_hz, other_hz=told.other_hz,
        ),
    )  # fmt: skip


def equaliser_faults(result: Response, checks: Checks) -> tuple[Remark, ...] | None:
    """How far an equalised response goes beyond the tolerance; None where it does not tell: no sweep, a level
    that changed, a difference, or a curve without bands that clipping may have flattened."""
    if result.verdict in (None, "level changed") or result.reference_file is not None:
        return None
    places = [(each.gain_db, each.centre_hz) for each in result.boosts]
    places += [(each.level_db, each.frequency_hz) for each in result.bends]
    for each in result.notes:
        if each.code == "equalised_between":
            ends = (("lowest_db", "lowest_hz"), ("highest_db", "highest_hz"))
            places += [(each.values[level], each.values[hertz]) for level, hertz in ends]
    gain_db, at_hz = max(places, key=lambda place: abs(place[0]), default=(0.0, None))
    if abs(gain_db) > checks.tolerance_db:
        return (fault("response_not_flat", gain_db=gain_db, at_hz=at_hz),)
    return None if str(result.verdict).endswith("distorted") else ()


def crossover_faults(
    result: Response, highpass_hz: float | None, lowpass_hz: float | None
) -> tuple[Remark, ...] | None:
    """Planned filters that are not there or stand elsewhere; None where none is planned, nothing heard, or
    filters not told from an equaliser's bands."""
    if (
        result.band_hz is None
        or result.bends
        or "equalised_between" in codes(result.notes)
        or result.reference_file is not None
        or (highpass_hz is None and lowpass_hz is None)
    ):
        return None
    low, high = result.points[0].frequency_hz, result.points[-1].frequency_hz
    said = []
    planned: tuple[tuple[str, float | None, Filter | None, float | None], ...] = (
        ("high-pass", highpass_hz, result.highpass, result.low_corner_hz),
        ("low-pass", lowpass_hz, result.lowpass, result.high_corner_hz),
    )
    for side, wanted_hz, built, corner_hz in planned:
        if wanted_hz is None or not low < wanted_hz < high:
            continue
        there_hz = corner_hz if built is None else built.corner_hz
        if there_hz is None:
            said.append(fault("crossover_missing", side=side, planned_hz=wanted_hz))
        elif abs(math.log(there_hz / wanted_hz)) > math.log1p(CORNER_SHARE):
            said.append(fault("crossover_elsewhere", side=side, corner_hz=there_hz, planned_hz=wanted_hz))
    return tuple(said)
