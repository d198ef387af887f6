"""What one reading says of an output: for each thing that it can judge, its faults, or none.

A later reading speaks only for what it judged: a meter's volts say nothing of clipping, so they do not clear
it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from gainkit.advice import (
    Checks,
    crossover_faults,
    equaliser_faults,
    is_distorted,
    is_other_tone,
    is_stray_dc,
    on_target,
    tone_faults,
)
from gainkit.analysis.clean import clips_in_part, crackles, is_disturbed, samples_lost, waveform_state
from gainkit.analysis.model import Measurement
from gainkit.job.plan import ChannelPlan
from gainkit.job.readings import OF_ONE_OUTPUT, Reading
from gainkit.job.record import PlanFigures
from gainkit.job.typed import TypedLevel, TypedPolarity
from gainkit.levels import db_from_ratio, ratio_from_db
from gainkit.matching import MatchResult
from gainkit.noise import OUTSIDE, NoiseResult
from gainkit.onset import OnsetResult
from gainkit.polarity import PROBABLE, PolarityPair, PolarityResult
from gainkit.remarks import Remark, danger, fault, remark
from gainkit.response import Response
from gainkit.routing import RoutingResult

Judgement = tuple[str, tuple[Remark, ...]]
"""An aspect ('level', 'dc', ...) and its faults: none means that it was looked at and is as it should be."""


JUDGED_AGAIN = frozenset(
    {
        "dc_at_output",
        "one_lead",
        "other_tone",
        "clipped_in_part",
        "filter_takes_tone",
        "crossover_missing",
        "crossover_elsewhere",
    }
)
"""Notes of a result that are judged here from its figures: a reading of another kind clears them."""

HALF_DB = db_from_ratio(0.5)
"""What one lead of a bridged output shows of it against ground: half its volts, both halves being alike [dB].
"""

NEAR_HALF_DB = 0.5
"""Added to the tolerance, within which a gain may stand, for a meter's 3 % and both halves' own gains [dB] (our
choice): a typed level so near half its target may be of one lead."""

BY_METER = "dc by meter"
"""DC that a meter read: a recorder's input mostly passes none, so that only a meter clears it."""


@dataclass(frozen=True)
class Level:
    """One level reading beside the plan's figures that it is judged by.

    error_db : how far it stands from the target, positive too loud [dB]; None where it does not tell. typed :
    from a meter, so that clipping was not looked at. counts : whether it tells the level of this output at all.
    """

    number: int
    when: str
    captures: tuple[str, ...]
    typed: bool
    rms_volts: float | None
    set_volts: float
    error_db: float | None
    thd_percent: float | None
    thd_floor_percent: float | None
    state: str | None
    overdrive_db: float | None
    watts: float | None
    dc_volts: float | None
    counts: bool


def figures_of(reading: Reading, now: PlanFigures) -> PlanFigures:
    """The figures that a reading is judged by: its own, or the present plan's for an earlier version's line."""
    return reading.plan or now


def judge(
    reading: Reading,
    output: str,
    now: PlanFigures,
    plan: ChannelPlan,
    stale: bool,
    expected: Mapping[str, str] | None = None,
) -> list[Judgement]:
    """Everything that a reading judges of one output.

    stale : taken at another volume of the source. expected : polarity that the plan asks for by output; None
    for positive everywhere.
    """
    result, figures = reading.result, figures_of(reading, now)
    own = getattr(result, "notes", ())
    match result:
        case Measurement():
            judged = list(_measured(result, figures, plan, stale))
            own = [each for each in own if each.code not in JUDGED_AGAIN]
        case TypedLevel():
            judged = list(_typed(result, figures, plan, stale))
        case PolarityResult() | TypedPolarity():
            judged = list(_polarity(result, figures))
        case PolarityPair():
            judged = list(_pair(result, reading, output, expected or {}))
        case OnsetResult():
            judged = list(_onset(result, figures, stale))
        case MatchResult():
            judged = list(_matched(result, reading, output, figures))
        case NoiseResult():
            judged = list(_noise(result))
        case Response():
            judged = list(_response(result, figures, plan))
            own = [*own, *(result.right.notes if result.right is not None else ())]
            own = [each for each in own if each.code not in JUDGED_AGAIN]
        case RoutingResult():
            wrong = () if result.ok else (fault("routing_wrong"), *result.problems)
            judged = [("routing", wrong)] if result.judged else []
        case _ if reading.kind in OF_ONE_OUTPUT:
            judged = []
        case _:
            return []
    notes = tuple(each for each in own if each.severity != "remark")
    return [*judged, (f"told by {reading.kind}", notes)] if hasattr(result, "notes") else judged


def checks_of(figures: PlanFigures) -> Checks:
    return Checks(figures.tolerance_db, figures.limit_thd_percent)


def level_of(reading: Reading, now: PlanFigures, stale: bool) -> Level | None:
    """A level reading beside the figures it is judged by; None for another kind of reading."""
    result, figures = reading.result, figures_of(reading, now)
    name = ", ".join(reading.outputs)
    if isinstance(result, TypedLevel) and result.volts is not None:
        wanted = wanted_volts(figures, result.tone_dbfs)
        return _level(
            reading, wanted, result.volts, not _typed_faults(result, figures, name, stale), typed=True
        )
    if isinstance(result, Measurement):
        counts = not _unusable(result, figures, name, stale)
        volts = result.tone_volts if result.calibrated else None
        return _level(reading, figures.set_volts, volts, counts, typed=False)
    return None


def _level(reading: Reading, set_volts: float, volts: float | None, counts: bool, *, typed: bool) -> Level:
    result = reading.result
    measured = isinstance(result, Measurement)
    known = counts and volts is not None and volts > 0
    return Level(
        number=reading.number,
        when=reading.when,
        captures=tuple(each.file for each in reading.captures),
        typed=typed,
        rms_volts=volts,
        set_volts=set_volts,
        error_db=db_from_ratio(volts / set_volts) if known and volts is not None else None,
        thd_percent=result.thd_percent if measured else None,
        thd_floor_percent=result.thd_floor_percent if measured else None,
        state=waveform_state(result) if measured else None,
        overdrive_db=result.clipping.overdrive_db if measured else None,
        watts=result.watts if measured else None,
        dc_volts=result.dc_volts if typed or (measured and result.calibrated) else None,
        counts=counts,
    )


def wanted_volts(figures: PlanFigures, tone_dbfs: float | None) -> float:
    """What the meter should read with a tone of another level than the plan's [V rms]."""
    if tone_dbfs is None:
        return figures.set_volts
    return figures.set_volts * ratio_from_db(tone_dbfs - figures.tone_dbfs)


# ---- one kind of reading each ------------------------------------------------------------------------------


def _measured(result: Measurement, figures: PlanFigures, plan: ChannelPlan, stale: bool) -> Iterator[Judgement]:
    unusable = tuple(_unusable(result, figures, plan.name, stale))
    yield "reading", unusable
    one_lead = (plan.bridged or plan.built_in) and result.minus is None
    yield "leads", (fault("one_lead", output=plan.name, bridged=plan.bridged),) if one_lead else ()
    if result.calibrated and not result.recorder_overload:
        yield "dc", _stray(result.dc_volts, result.rms_volts)
    if unusable:
        return
    yield "waveform", tuple(_waveform(result, checks_of(figures)))
    yield "level", _off_target(result.tone_volts, figures.set_volts, checks_of(figures))


def _unusable(result: Measurement, figures: PlanFigures, name: str, stale: bool) -> list[Remark]:
    """Why a capture tells nothing of the level."""
    reasons = []
    if result.recorder_overload:
        reasons.append(fault("recorder_overloaded"))
    elif not result.steady_tone:
        reasons.append(fault("no_steady_tone_recorded"))
    if is_other_tone(result.frequency_hz, figures.tone_hz):
        reasons.append(_another(name, result.frequency_hz, figures))
    if not result.calibrated:
        reasons.append(fault("not_calibrated"))
    if stale:
        reasons.append(fault("other_volume"))
    return reasons


def _another(name: str, frequency_hz: float | None, figures: PlanFigures) -> Remark:
    return fault("other_tone", output=name, frequency_hz=frequency_hz, planned_hz=figures.tone_hz)


def _waveform(result: Measurement, checks: Checks) -> Iterator[Remark]:
    if result.clipping.state == "clipped":
        yield fault("clipped", overdrive_db=max(result.clipping.overdrive_db or 0.0, 0.0))
    elif clips_in_part(result):
        yield fault("clips_in_part")
    elif is_distorted(result.thd_percent, checks):
        yield fault("distorted", thd_percent=result.thd_percent)
    elif result.clipping.state is None:
        yield fault("waveform_not_judged")
    elif is_disturbed(result):
        yield fault("samples_lost") if samples_lost(result) else fault("crackles", count=crackles(result))


def _typed(result: TypedLevel, figures: PlanFigures, plan: ChannelPlan, stale: bool) -> Iterator[Judgement]:
    if result.dc_volts is not None:
        stray = _stray(result.dc_volts, result.volts or 0.0)
        yield BY_METER, stray
        if not stray:
            yield "dc", ()
    if result.volts is None:
        return
    unusable = tuple(_typed_faults(result, figures, plan.name, stale))
    yield "reading", unusable
    if not unusable:
        wanted, checks = wanted_volts(figures, result.tone_dbfs), checks_of(figures)
        off = _off_target(result.volts, wanted, checks)
        if off and _may_be_half(result.volts, wanted, plan, checks):
            off = tuple(replace(each, values={**each.values, "perhaps_half": True}) for each in off)
        yield "level", off


def _typed_faults(result: TypedLevel, figures: PlanFigures, name: str, stale: bool) -> list[Remark]:
    reasons = []
    if is_other_tone(result.tone_hz, figures.tone_hz):
        reasons.append(_another(name, result.tone_hz, figures))
    if result.tone_dbfs is not None and result.tone_dbfs > -figures.overlap_db + 1e-9:
        reasons.append(fault("tone_too_loud", tone_dbfs=result.tone_dbfs, most_dbfs=-figures.overlap_db + 0.0))
    if stale:
        reasons.append(fault("other_volume"))
    return reasons


def _off_target(volts: float, set_volts: float, checks: Checks) -> tuple[Remark, ...]:
    error_db = db_from_ratio(volts / set_volts)
    if on_target(error_db, checks):
        return ()
    return (fault("level_off_target", error_db=error_db, rms_volts=volts, set_volts=set_volts),)


def _may_be_half(volts: float, wanted: float, plan: ChannelPlan, checks: Checks) -> bool:
    """Whether a meter's volts are about what one lead of a balanced output, set right, shows against ground."""
    off_half_db = db_from_ratio(volts / wanted) - HALF_DB
    return (plan.bridged or plan.built_in) and abs(off_half_db) <= checks.tolerance_db + NEAR_HALF_DB


def _stray(dc_volts: float, rms_volts: float) -> tuple[Remark, ...]:
    return (danger("dc_at_output", dc_volts=dc_volts),) if is_stray_dc(dc_volts, rms_volts) else ()


def _polarity(result: PolarityResult | TypedPolarity, figures: PlanFigures) -> Iterator[Judgement]:
    if result.polarity not in ("positive", "negative"):
        return  # undecided: it clears nothing and blames nothing
    if result.polarity == figures.expected_polarity:
        if not isinstance(result, PolarityResult) or result.confidence >= PROBABLE:
            yield "polarity", ()
        return
    probable = isinstance(result, PolarityResult) and result.confidence < PROBABLE
    code = "polarity_probably_wrong" if probable else "polarity_wrong"
    yield "polarity", (fault(code, polarity=result.polarity, expected=figures.expected_polarity),)


def is_decided(result: Any) -> bool:
    """Whether a result tells a polarity of one output, and more than probably."""
    if isinstance(result, TypedPolarity):
        return True
    return (
        isinstance(result, PolarityResult) and result.polarity != "undecided" and result.confidence >= PROBABLE
    )


def _pair(
    result: PolarityPair, reading: Reading, output: str, expected: Mapping[str, str]
) -> Iterator[Judgement]:
    other = next((each for each in reading.outputs if each != output), None)
    if other is None or result.relation not in ("same", "opposite"):
        return
    alike = expected.get(output, "positive") == expected.get(other, "positive")
    if (result.relation == "same") == alike:
        if not result.only_probable:
            yield f"polarity with {other}", ()
        return
    yield f"polarity with {other}", (fault("pair_opposite" if alike else "pair_same", other=other),)


def _onset(result: OnsetResult, figures: PlanFigures, stale: bool) -> Iterator[Judgement]:
    told = []
    if result.onset_dbfs is not None and result.onset_dbfs < -figures.overlap_db - figures.tolerance_db:
        code = "distorts_early" if result.by_bend else "onset_early"
        told.append(fault(code, onset_dbfs=result.onset_dbfs, planned_dbfs=-figures.overlap_db + 0.0))
    if levels := result.distorted_dbfs:
        worst = max(step.thd_percent or 0.0 for step in result.steps if step.level_dbfs in levels)
        facts = {"thd_percent": worst, "lowest_dbfs": levels[0], "highest_dbfs": levels[-1]}
        told.append(fault("distorted_at_levels", **facts))
    if not told and stale and result.onset_dbfs is not None:
        told.append(remark("onset_at_other_volume"))
    if told or result.onset_dbfs is not None:
        yield "onset", tuple(told)


def _noise(result: NoiseResult) -> Iterator[Judgement]:
    if result.calibrated and (stray := _stray(result.dc_volts, 0.0)):
        yield "dc", stray  # told, but never cleared: most recorders' inputs pass no DC
    if result.verdict in ("hum", "whine", "hiss"):
        facts = {"heard": result.verdict, "below_target_db": result.below_target_db}
        yield "noise", (fault("noise_heard", **facts),)
    elif result.verdict == "quiet":
        yield "noise", ()
    outside = tuple(each for each in result.notes if each.code in OUTSIDE and each.severity == "fault")
    if outside or result.verdict != "not known":
        yield "noise outside the band", outside


def _response(result: Response, figures: PlanFigures, plan: ChannelPlan) -> Iterator[Judgement]:
    """What the filters do to the setting tone, whether they stand where they were planned, and equalisers."""
    taken = tone_faults(result, figures.tone_hz, figures.set_volts, checks_of(figures))
    if taken is not None:
        yield "tone", taken
    crossed = crossover_faults(result, plan.highpass_hz, plan.lowpass_hz)
    if crossed is not None:
        yield "filters", crossed
    sides = [equaliser_faults(each, checks_of(figures)) for each in (result, result.right) if each is not None]
    raised = [each for side in sides for each in side or ()]
    if raised or None not in sides:
        yield "equaliser", tuple(raised)


def trim_of(result: MatchResult, reading: Reading, output: str) -> float | None:
    """The trim that a match reading gives an output [dB]; None where it gives none.

    With an output for each capture it is that capture's; with one output it is that of the first capture which
    is not the reference, or 0 for the reference alone.
    """
    if len(reading.outputs) == len(result.captures) and output in reading.outputs:
        return result.captures[reading.outputs.index(output)].trim_db
    others = [each for each in result.captures if each.file != result.reference]
    chosen = (others or list(result.captures))[:1]
    return chosen[0].trim_db if chosen else None


def _matched(result: MatchResult, reading: Reading, output: str, figures: PlanFigures) -> Iterator[Judgement]:
    trim_db = trim_of(result, reading, output)
    spoilt = any(each.severity == "fault" for each in result.notes)  # blames, but clears nothing
    if trim_db is not None and (abs(trim_db) > figures.tolerance_db or not spoilt):
        told = () if abs(trim_db) <= figures.tolerance_db else (fault("not_matched", trim_db=trim_db),)
        yield "match", told
