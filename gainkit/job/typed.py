"""Readings without a capture: what a meter, an ear or an eye told, typed by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from gainkit.calculator import ranges
from gainkit.calculator.ranges import refuse_faults, within
from gainkit.errors import GainkitError

DC_VOLTS = ranges.Range("V", -1_000, 1_000, low_allowed=True)

LONGEST_TEXT = 2000
"""A typed text longer than this is no remark on a job (our choice) [characters]."""


@dataclass(frozen=True)
class TypedLevel:
    """A meter's reading. It saw no waveform: clipping is not looked at, and it never counts as clean.

    volts : rms, of the setting tone [V]; None for a reading of DC alone. tone_dbfs : level of the tone, None
    for the plan's [dBFS]. tone_hz : None for the plan's [Hz]. dc_volts : None where it was not read [V].
    meter_percent, meter_floor_volts : the meter's accuracy, None where not known [% of reading], [V].
    """

    volts: float | None = within(ranges.VOLTS, default=None)
    tone_dbfs: float | None = within(ranges.LEVEL_DBFS, default=None)
    tone_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    dc_volts: float | None = within(DC_VOLTS, default=None)
    meter_percent: float | None = within(ranges.PERCENT, default=None)
    meter_floor_volts: float | None = within(ranges.METER_FLOOR_VOLTS, default=None)

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """Rules between the fields."""
        if self.volts is None and self.dc_volts is None:
            yield GainkitError("missing", "volts")


@dataclass(frozen=True)
class TypedPolarity:
    """Which way round a loudspeaker moves, as heard, seen or told by a tester."""

    polarity: Literal["positive", "negative"]

    def __post_init__(self) -> None:
        refuse_faults(self)


@dataclass(frozen=True)
class Knob:
    """Where a control was left, as it would be found again: '11 o'clock', '3 of 10'."""

    position: str

    def __post_init__(self) -> None:
        _check_text("knob", self.position)


@dataclass(frozen=True)
class SupplyReading:
    """Volts of the supply. at : where they were read. state : what was running."""

    volts: float = within(ranges.SUPPLY_VOLTS)
    at: Literal["battery", "amplifier"] = "battery"
    state: Literal["resting", "idling", "loaded"] = "resting"

    def __post_init__(self) -> None:
        refuse_faults(self)


@dataclass(frozen=True)
class FreeText:
    """Anything worth keeping: a customer's wish, a repaired wire."""

    text: str

    def __post_init__(self) -> None:
        _check_text("text", self.text)


@dataclass(frozen=True)
class Acceptance:
    """A fault that is left as it is, and why. accepted : its code."""

    accepted: str
    reason: str

    def __post_init__(self) -> None:
        _check_text("accept", self.accepted)
        _check_text("reason", self.reason)


@dataclass(frozen=True)
class Confirmed:
    """A caution that was heeded, or a step that a person saw to. confirmed : its code."""

    confirmed: str

    def __post_init__(self) -> None:
        _check_text("confirmed", self.confirmed)


@dataclass(frozen=True)
class Void:
    """A line that no longer counts, and why; a voided void brings its line back."""

    voided: int
    reason: str

    def __post_init__(self) -> None:
        _check_text("reason", self.reason)


@dataclass(frozen=True)
class Visit:
    """The car is back: readings from here on belong to a visit of this name."""

    name: str

    def __post_init__(self) -> None:
        _check_text("name", self.name)


def _check_text(parameter: str, text: str) -> None:
    if not isinstance(text, str) or not text.strip():
        raise GainkitError("blank_text", parameter, text)
    if len(text) > LONGEST_TEXT:
        raise GainkitError("text_too_long", parameter, text, most=LONGEST_TEXT)
