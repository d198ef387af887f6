"""What a figure on a plate may be: one range per kind of quantity, used by options and system files alike.

The bounds are wide on purpose: they catch slips of the keyboard and wrong units, not unusual cars.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gainkit.errors import GainkitError


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
        low = f"{self.low:g} to" if self.low_allowed else f"above {self.low:g} and at most"
        return f"{low} {self.high:.10g} {self.unit}".rstrip()


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


def refuse_outside(name: str, value: float | None, allowed: Range) -> None:
    """Raise GainkitError, naming `name` and the range, unless `value` is None or inside the range."""
    if value is not None and not allowed.holds(value):
        raise GainkitError(f"{name} is {value:g} {allowed.unit}".rstrip() + ".", f"Give {allowed.words()}.")
