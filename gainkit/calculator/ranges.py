"""What a figure on a plate may be: one range per kind of quantity, used by options and system files alike.

The bounds are wide on purpose: they catch slips of the keyboard and wrong units, not unusual cars.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from gainkit.errors import GainkitError
from gainkit.figures import plain


@dataclass(frozen=True)
class Range:
    """Allowed values of one kind of quantity.

    low, high : bounds in `unit`; `high` is always allowed, `low` only when `low_allowed`.
    """

    unit: str
    low: float
    high: float
    low_allowed: bool = False

    def holds(self, value: float) -> bool:
        """True for a finite value inside the bounds."""
        above = value >= self.low if self.low_allowed else value > self.low
        return math.isfinite(value) and above and value <= self.high

    def words(self) -> str:
        """The allowed values as a phrase: 'above 0 and at most 100000 W'."""
        first = plain(self.low, 10)
        low = f"{first} to" if self.low_allowed else f"above {first} and at most"
        return f"{low} {plain(self.high, 10)} {self.unit}".rstrip()


WATTS = Range("W", 0, 100_000)
OHMS = Range("ohm", 0, 1_000)
IMPEDANCE_OHMS = Range("ohm", 0, 100_000_000)
SOURCE_OHMS = Range("ohm", 0, 1_000_000, low_allowed=True)
VOLTS = Range("V", 0, 1_000)
SUPPLY_VOLTS = Range("V", 0, 100)
DB_IN_HAND = Range("dB", 0, 60, low_allowed=True)
LEVEL_DBFS = Range("dBFS", -120, 0, low_allowed=True)
FREQUENCY_HZ = Range("Hz", 0, 100_000)
METRES = Range("m", 0, 1_000)
SQUARE_MM = Range("mm2", 0, 1_000)
FRACTION = Range("", 0, 1)
PERCENT = Range("%", 0, 100, low_allowed=True)
CREST_DB = Range("dB", 0, 40, low_allowed=True)
CELSIUS = Range("degrees Celsius", -60, 200, low_allowed=True)
PICOFARADS = Range("pF", 0, 1_000_000, low_allowed=True)


def within(allowed: Range, **options: Any) -> Any:
    """A dataclass field that holds a number of that range (or None): `watts: float = within(WATTS)`.

    options : those of `dataclasses.field`, such as default.
    """
    return dataclasses.field(metadata={"range": allowed}, **options)


def range_of(kind: type, name: str) -> Range:
    """The range that a dataclass's field was declared with."""
    field = next(each for each in dataclasses.fields(kind) if each.name == name)
    declared: Range = field.metadata["range"]
    return declared


def range_faults(thing: Any) -> Iterator[GainkitError]:
    """A fault for each field of a dataclass that lies outside its declared range, or is no number."""
    for each in dataclasses.fields(thing):
        allowed = each.metadata.get("range")
        value = getattr(thing, each.name)
        if allowed is None or value is None:
            continue
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not allowed.holds(value):
            yield GainkitError("outside_range", each.name, value, allowed)


def refuse_faults(thing: Any) -> None:
    """Raise the first fault of a dataclass: of its ranges, then of its own `faults()` where it has them.

    For `__post_init__`. The system file's reader asks `all_faults` instead, to tell all of them at once.
    """
    for fault in all_faults(thing):
        raise fault


def all_faults(thing: Any) -> Iterator[GainkitError]:
    """Every fault of a dataclass; rules between fields are asked only where each field is in its range."""
    wrong = list(range_faults(thing))
    yield from wrong
    if not wrong and hasattr(thing, "faults"):
        yield from thing.faults()


def faults_of(kind: type, **fields: Any) -> list[GainkitError]:
    """The faults that building a dataclass from these fields would meet, without building it."""
    thing: Any = object.__new__(kind)
    for each in dataclasses.fields(kind):
        if each.name in fields:
            value = fields[each.name]
        elif each.default is not dataclasses.MISSING:
            value = each.default
        else:
            value = each.default_factory() if each.default_factory is not dataclasses.MISSING else None
        object.__setattr__(thing, each.name, value)
    return list(all_faults(thing))


def refuse_outside(parameter: str, value: float | None, allowed: Range) -> None:
    """Raise GainkitError for a parameter unless its value is None or inside the range."""
    if value is not None and not allowed.holds(value):
        raise GainkitError("outside_range", parameter, value, allowed)
