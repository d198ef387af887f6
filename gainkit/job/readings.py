"""The record's lines as the results that they were, with what later lines say of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gainkit.analysis.model import Measurement
from gainkit.job.record import CaptureFile, Event, Origin, PlanFigures, read_events
from gainkit.job.typed import (
    Acceptance,
    Confirmed,
    FreeText,
    Knob,
    SupplyReading,
    TypedLevel,
    TypedPolarity,
    Visit,
    Void,
)
from gainkit.matching import MatchResult
from gainkit.noise import NoiseResult
from gainkit.onset import OnsetResult
from gainkit.polarity import PolarityPair, PolarityResult
from gainkit.remarks import Remark, fault
from gainkit.response import Response
from gainkit.results import NotThatResult, from_plain
from gainkit.routing import RoutingResult
from gainkit.volume import VolumeResult

KINDS: dict[str, type] = {
    "measure": Measurement,
    "onset": OnsetResult,
    "volume": VolumeResult,
    "polarity": PolarityResult,
    "polarity-pair": PolarityPair,
    "polarity-typed": TypedPolarity,
    "match": MatchResult,
    "routing": RoutingResult,
    "response": Response,
    "noise": NoiseResult,
    "level": TypedLevel,
    "knob": Knob,
    "supply": SupplyReading,
    "text": FreeText,
    "accept": Acceptance,
    "confirm": Confirmed,
    "void": Void,
    "visit": Visit,
}
"""What a line of each kind holds."""

OF_ONE_OUTPUT = ("measure", "onset", "polarity", "polarity-typed", "level", "knob", "noise", "response")
"""Kinds of reading that are one output's own: without it they say nothing, of two too much."""

FIRST_VISIT = "first"
"""The name of the visit before any other was begun."""


@dataclass(frozen=True)
class Reading:
    """One event of the record as the result it was.

    number, when, kind, outputs, who, origin, captures, plan : see `record.Event`. visit : the name of the visit
    that it belongs to. void_reason : why it does not count, None when it does.
    """

    number: int
    when: str
    kind: str
    outputs: tuple[str, ...]
    who: str | None
    origin: Origin
    captures: tuple[CaptureFile, ...]
    plan: PlanFigures | None
    result: Any
    visit: str
    void_reason: str | None = None

    @property
    def counts(self) -> bool:
        """Whether no later line voids it."""
        return self.void_reason is None


def read_readings(job: Path) -> tuple[list[Reading], list[Remark]]:
    """All readings of a job in order, voided ones too, and what could not be read, as remarks."""
    events, problems = read_events(job)
    readings: list[Reading] = []
    for event in events:
        kind = KINDS.get(event.kind)
        try:
            if kind is None:
                raise NotThatResult("kind", "a known kind")
            result: Any = from_plain(kind, event.result)
        except ValueError:  # also a GainkitError: figures that no reading can have
            problems.append(fault("reading_not_known", line=event.number, kind=event.kind))
            continue
        readings.append(_reading(event, result))
    return _in_visits(_voided(readings)), problems


def _reading(event: Event, result: Any) -> Reading:
    return Reading(
        number=event.number, when=event.when, kind=event.kind, outputs=event.outputs, who=event.who,
        origin=event.origin, captures=event.captures, plan=event.plan, result=result, visit=FIRST_VISIT,
    )  # fmt: skip


def _voided(readings: Sequence[Reading]) -> list[Reading]:
    """The readings with the reasons of those that do not count. The later line has the say: a void that is
    itself voided voids nothing."""
    reasons: dict[int, str] = {}
    for reading in reversed(readings):
        void = reading.result
        if isinstance(void, Void) and void.voided < reading.number and reading.number not in reasons:
            reasons[reading.result.voided] = reading.result.reason
    return [replace(each, void_reason=reasons.get(each.number)) for each in readings]


def _in_visits(readings: Sequence[Reading]) -> list[Reading]:
    visit = FIRST_VISIT
    named = []
    for reading in readings:
        if isinstance(reading.result, Visit) and reading.counts:
            visit = reading.result.name
        named.append(replace(reading, visit=visit))
    return named


def latest(readings: Sequence[Reading], *kinds: str) -> Reading | None:
    """The last reading of some kinds that counts."""
    return next((each for each in reversed(readings) if each.kind in kinds and each.counts), None)
