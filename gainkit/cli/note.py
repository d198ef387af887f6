"""`gainkit note`: a reading without a capture, typed from a meter, an ear or an eye."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gainkit.cli.common import JsonFlag, grouped, show
from gainkit.cli.options import SupplyState
from gainkit.cli.place import By, JobHere, job_or_here

if TYPE_CHECKING:
    from pathlib import Path

    from gainkit.job.record import Event


class Sign(StrEnum):
    """Which way round."""

    positive = "positive"
    negative = "negative"


class SupplyPlace(StrEnum):
    """Where the supply was read."""

    battery = "battery"
    amplifier = "amplifier"


@dataclass(frozen=True)
class MeterOptions:
    """What a meter read, and of which tone: the fields of a `TypedLevel`."""

    volts: Annotated[float | None, typer.Option("--volts", help="AC volts that the meter read.")] = None
    tone_dbfs: Annotated[
        float | None, typer.Option("--tone-dbfs", help="Level of the tone played [the plan's].")
    ] = None
    tone_hz: Annotated[float | None, typer.Option("--tone-hz", help="Its frequency [the plan's].")] = None
    dc_volts: Annotated[float | None, typer.Option("--dc-volts", help="DC volts that the meter read.")] = None
    meter_percent: Annotated[
        float | None, typer.Option("--meter-percent", help="The meter's accuracy, share of the reading [%].")
    ] = None
    meter_floor_volts: Annotated[
        float | None, typer.Option("--meter-floor-volts", help="And its fixed part, digits times resolution.")
    ] = None


def register(app: typer.Typer) -> None:
    """Add `note` to the tree."""
    app.command("note")(grouped(note))


def note(
    *,
    job: JobHere = None,
    for_output: Annotated[str | None, typer.Option("--for", help="Output it belongs to: Front/left.")] = None,
    level: MeterOptions,
    polarity: Annotated[Sign | None, typer.Option("--polarity", help="As heard, seen or tested.")] = None,
    knob: Annotated[str | None, typer.Option("--knob", help='Where a control was left: "11 o\'clock".')] = None,
    supply_volts: Annotated[float | None, typer.Option("--supply-volts", help="Volts of the supply.")] = None,
    at: Annotated[SupplyPlace | None, typer.Option("--at", help="Where the supply was read.")] = None,
    state: Annotated[SupplyState | None, typer.Option("--state", help="What was running.")] = None,
    text: Annotated[str | None, typer.Option("--text", help="Anything worth keeping.")] = None,
    accept: Annotated[
        str | None, typer.Option("--accept", metavar="CODE", help="A fault left as it is, by its code.")
    ] = None,
    reason: Annotated[str | None, typer.Option("--reason", help="Why it is accepted.")] = None,
    by: By = None,
    json_: JsonFlag = False,
) -> None:
    """Note a reading without a capture: a meter's volts, DC, polarity, a knob, the supply, a text."""
    from gainkit.calculator.ranges import SUPPLY_VOLTS, refuse_outside
    from gainkit.errors import GainkitError
    from gainkit.job.log import note_typed
    from gainkit.job.standing import refuse_acceptance
    from gainkit.job.typed import Acceptance, FreeText, Knob, SupplyReading, TypedLevel, TypedPolarity

    typed: list[Any] = []
    if level.volts is not None or level.dc_volts is not None:
        typed.append(TypedLevel(**vars(level)))
    elif level.tone_dbfs is not None or level.tone_hz is not None:
        raise GainkitError("needs", "tone_hz" if level.tone_dbfs is None else "tone_dbfs", needed="volts")
    if polarity is not None:
        typed.append(TypedPolarity(polarity.value))
    if knob is not None:
        typed.append(Knob(knob))
    if supply_volts is not None:
        if at is None or state is None:
            raise GainkitError("supply_needs_place_and_state", "at" if at is None else "state")
        refuse_outside("supply_volts", supply_volts, SUPPLY_VOLTS)  # by the option's name: --volts is a level
        typed.append(SupplyReading(supply_volts, at.value, state.value))
    elif at is not None or state is not None:
        raise GainkitError("needs", "at" if at is not None else "state", needed="supply_volts")
    if text is not None:
        typed.append(FreeText(text))
    if accept is not None:
        if reason is None:
            raise GainkitError("missing", "reason")
        typed.append(Acceptance(accept, reason))
    if not typed:
        raise GainkitError("nothing_to_note")
    folder = job_or_here(job)
    if accept is not None and len(typed) == 1:  # together with a reading its fault stands only after that
        refuse_acceptance(folder, for_output, accept)
    made = [note_typed(folder, for_output, each, who=by) for each in typed]
    answer = made[0] if len(made) == 1 else {"noted": made}
    show(
        answer,
        json_,
        lambda: "\n".join([*_stands(folder, made, level.volts is not None), *(_told(each) for each in made)]),
    )


def _told(event: Event) -> str:
    where = ", ".join(event.outputs) or "the car"
    return f"Noted as {event.number}: {event.kind} of {where}."


def _stands(folder: Path, made: list[Event], level_read: bool) -> list[str]:
    """What now stands against the outputs noted that can hurt; else, after a level, how they stand."""
    from gainkit.cli.door import CLI
    from gainkit.cli.plain import said, strong, wrapped
    from gainkit.job.standing import job_status
    from gainkit.words import remark_text

    names = {name for each in made for name in each.outputs}
    lines: list[str] = []
    for each in job_status(folder).outputs if names else ():
        if each.name not in names:
            continue
        dangers = said([fault for fault in each.faults if fault.severity == "danger"])
        lines += [wrapped(strong(f"{each.name}: {text}"), "", "  ") for text in dangers]
        if level_read and not dangers:
            lines.append(wrapped(f"{each.name}: {remark_text(each.verdict, CLI)}", "", "  "))
    return lines
