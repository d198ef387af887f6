"""A reading beside the plan of the output it was taken for: what must be known before its level counts."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gainkit.advice import Checks, crossover_faults, has_stray_dc, is_other_tone, tone_faults
from gainkit.analysis.model import Measurement
from gainkit.remarks import Remark, danger, fault, gravest_first, remark

if TYPE_CHECKING:
    from gainkit.job.plan import ChannelPlan
    from gainkit.response import Response

THIRD = 3
"""Order of the strongest harmonic of a clipped wave whose rails are alike (its Fourier series) [-]."""

FIRST = frozenset({"dc_at_output", "one_lead", "other_tone"})
"""Codes that are told before any level: it may not be what it seems."""


@dataclass(frozen=True)
class Expected:
    """What is expected of a reading. plan : of its output, None when nobody said which. checks : how strictly
    the car is judged."""

    plan: ChannelPlan | None = None
    checks: Checks = dataclasses.field(default_factory=Checks)


def expected_of(system: Path | str, name: str | None, limit_thd_percent: float | None = None) -> Expected:
    """The plan of an output of a system file, and the file's checks; a limit given by hand goes before its own.

    Raises GainkitError for a file or a name that is none.
    """
    from gainkit.job.plan import plan_system
    from gainkit.job.system import load_system

    car = load_system(system)
    plan = None if name is None else plan_system(car).channel(car.output(name).channel)
    return Expected(plan, limited(car.checks, limit_thd_percent))


def limited(checks: Checks, limit_thd_percent: float | None) -> Checks:
    """The checks with another limit, if one was given."""
    return (
        checks
        if limit_thd_percent is None
        else dataclasses.replace(checks, limit_thd_percent=limit_thd_percent)
    )


def one_lead(result: Measurement, plan: ChannelPlan | None) -> bool:
    """Whether a balanced output may have been measured on one of its leads only."""
    return plan is not None and (plan.bridged or plan.built_in) and result.minus is None


def beside_plan(result: Measurement, plan: ChannelPlan | None = None) -> Measurement:
    """The measurement with what must be known before its level is used as its first remarks.

    DC that does not belong (`dc_at_output`), one lead of a balanced output (`one_lead`), and a tone that is not
    the planned one (`other_tone`): that turns nothing, so the target is left out.
    """
    against: tuple[Any, ...] = tuple(_against(result, plan))
    if any(each.code == "other_tone" for each in against):
        result = dataclasses.replace(result, target=None)
    return dataclasses.replace(result, notes=(*against, *result.notes))


def _against(result: Measurement, plan: ChannelPlan | None) -> list[Remark]:
    remarks = []
    if has_stray_dc(result):
        remarks.append(danger("dc_at_output", dc_volts=result.dc_volts))
    if plan is None:
        return remarks
    if one_lead(result, plan):
        remarks.append(fault("one_lead", output=plan.name, bridged=plan.bridged))
    if is_other_tone(result.frequency_hz, plan.tone_hz):
        heard = result.frequency_hz
        remarks.append(fault("other_tone", output=plan.name, frequency_hz=heard, planned_hz=plan.tone_hz))
    elif _hides_clipping(result, plan):
        remarks.append(remark("lowpass_hides_clipping", lowpass_hz=plan.lowpass_hz))
    return remarks


def _hides_clipping(result: Measurement, plan: ChannelPlan) -> bool:
    """Whether the channel's low-pass takes the third harmonic of a tone that looks clean."""
    if plan.lowpass_hz is None or result.frequency_hz is None or result.clipping.state != "clean":
        return False
    return THIRD * result.frequency_hz > plan.lowpass_hz


def response_beside_plan(result: Response, expected: Expected) -> Response:
    """The response with what its filters mean for the planned tone and how they stand to the planned ones."""
    plan = expected.plan
    if plan is None or not result.found:
        return result
    told = (
        *(tone_faults(result, plan.tone_hz, plan.set_volts, expected.checks) or ()),
        *(crossover_faults(result, plan.highpass_hz, plan.lowpass_hz) or ()),
    )
    return dataclasses.replace(result, notes=gravest_first((*told, *result.notes)))
