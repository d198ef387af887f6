"""What a figure may be: one range per kind of quantity, declared on the fields of the dataclasses that hold it.

The bounds are wide on purpose: they catch slips of the keyboard and wrong units, not unusual cars. Command
line, system file and Python meet the same ones, because they all build the same dataclasses.
"""

from __future__ import annotations

import copy
import dataclasses
import math
import numbers
import typing
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from gainkit.errors import GainkitError
from gainkit.figures import plain
from gainkit.kinds import fitting, hints_of, plain_scalar

SMALLEST, LARGEST = 1e-30, 1e30
"""No figure of this trade lies beyond these in any unit (our choice) [-]: squares and ratios of what lies
between are numbers that a float holds, so that no arithmetic needs to ask."""


@dataclass(frozen=True)
class Range:
    """Allowed values of one kind of quantity.

    low, high : bounds in `unit`; `high` is always allowed (infinity too, where it is the bound), `low` only
    when `low_allowed`. whole : only whole numbers.
    """

    unit: str
    low: float
    high: float
    low_allowed: bool = False
    whole: bool = False

    def holds(self, value: object) -> bool:
        """True for a number inside the bounds; never for NaN, text, true and false."""
        if not isinstance(value, numbers.Real) or isinstance(value, bool):
            return False
        number: Any = value
        above = number >= self.low if self.low_allowed else number > self.low
        if not (above and number <= self.high) or number == math.inf:
            return bool(above and number == self.high == math.inf)
        if abs(number) > LARGEST or (0 < number < SMALLEST):
            return False
        return not (self.whole and number != int(number))

    def words(self) -> str:
        """The allowed values as a phrase: 'above 0 and at most 100000 W'."""
        low = plain(self.low, 10)
        kind = "a whole number, " if self.whole else ""
        if math.isinf(self.high):
            least = f"{low} {self.unit}".rstrip()
            return f"{kind}{least} or more" if self.low_allowed else f"{kind}above {least}"
        between = f"{low} to" if self.low_allowed else f"above {low} and at most"
        return f"{kind}{between} {plain(self.high, 10)} {self.unit}".rstrip()


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
AIR_CELSIUS = Range("degrees Celsius", -60, 100, low_allowed=True)
FUSE_AMPERES = Range("A", 0, 10_000)
CONTACT_OHMS = Range("ohm", 0, 10, low_allowed=True)
PICOFARADS = Range("pF", 0, 1_000_000, low_allowed=True)
INPUT_OHMS = Range("ohm", 0, math.inf)
"""Of an interface's input; infinite is an open one, the worst case of a pad."""

RATED_THD_PERCENT = Range("%", 0, 40)
"""Of a rating: no plate is given closer to a square wave, whose THD is 48 %."""

DROP_VOLTS = Range("V", 0, 20, low_allowed=True)
SUPPLY_TOLERANCE_VOLTS = Range("V", 0, 5, low_allowed=True)
LOAD_TOLERANCE_PERCENT = Range("%", 0, 50, low_allowed=True)
METER_FLOOR_VOLTS = Range("V", 0, 100, low_allowed=True)
TONE_TOLERANCE_DB = Range("dB", 0, 6, low_allowed=True)
COUNT = Range("", 1, 64, low_allowed=True, whole=True)
"""Voice coils, drivers, channels: as many as one output or one file speaks of."""

DIFFERENCE_DB = Range("dB", -200, 200, low_allowed=True)
"""Between two levels of one car; beyond it one of them was mistyped."""

POWER_WATTS = Range("W", 0, math.inf)
"""Calculated rather than read from a plate: any, as long as it is positive."""

SECONDS_PER_SAMPLE = Range("s", 0, 10)


def within(allowed: Range, **options: Any) -> Any:
    """A dataclass field that holds a number of that range (or None): `watts: float = within(WATTS)`.

    options : those of `dataclasses.field`, such as default.
    """
    return dataclasses.field(metadata={"range": allowed}, **options)


def one_of(words: Sequence[str], **options: Any) -> Any:
    """A dataclass field that holds one of these words: `kind: str = one_of(("sine", "square"))`."""
    return dataclasses.field(metadata={"choice": tuple(words)}, **options)


def range_of(kind: type, name: str) -> Range:
    """The range that a dataclass's field was declared with."""
    field = next(each for each in dataclasses.fields(kind) if each.name == name)
    declared: Range = field.metadata["range"]
    return declared


def range_faults(thing: Any) -> Iterator[GainkitError]:
    """A fault for each field of a dataclass outside its declared range, choice or kind, or that is missing.

    None stands for 'not known' where the field's type says so. A flag is true or false, not a word or a number.
    """
    kinds = hints_of(type(thing))
    for each in dataclasses.fields(thing):
        value, name = plain_scalar(getattr(thing, each.name)), each.name
        allowed, choice = each.metadata.get("range"), each.metadata.get("choice")
        if value is None and "None" in str(each.type):
            continue
        if allowed is not None and value is None:
            yield GainkitError("missing", name, None, allowed)
        elif allowed is not None and not allowed.holds(value):
            yield _outside(name, value, allowed)
        elif choice is not None and not (isinstance(value, str) and value in choice):
            yield GainkitError("not_a_choice", name, value, choice)
        elif allowed is None and choice is None:
            yield from _kind_faults(name, value, kinds[name])


def _kind_faults(name: str, value: Any, kind: Any) -> Iterator[GainkitError]:
    try:
        fitting(name, value, kind)
    except GainkitError as fault:
        yield fault


def _outside(name: str, value: Any, allowed: Range) -> GainkitError:
    """The fault of a figure outside its range; one too small to be any may lie between the bounds told."""
    if isinstance(value, int | float) and 0 < abs(value) < SMALLEST:
        return GainkitError("no_such_figure", name, value)
    return GainkitError("outside_range", name, value, allowed)


def refuse_faults(thing: Any) -> None:
    """Raise the first fault of a dataclass: of its ranges, then of its own `faults()` where it has them.

    For `__post_init__`. What means the same as what is declared (a list for a tuple, a number of numpy's)
    becomes it. The system file's reader asks `all_faults` instead, to tell all of them at once.
    """
    for fault in all_faults(thing):
        raise fault
    kinds = hints_of(type(thing))
    for each in dataclasses.fields(thing):
        given = getattr(thing, each.name)
        fitted = fitting(each.name, given, kinds[each.name])
        if fitted is not given:
            object.__setattr__(thing, each.name, fitted)


def all_faults(thing: Any) -> Iterator[GainkitError]:
    """Every fault of a dataclass: of its ranges, then of the rules between its fields, which `faults()` yields.

    A field that is wrong by itself counts there as left out (its default; where it has none NaN, of which no
    comparison is true, or no items), so that one slip hides no other and is told once.
    """
    wrong = list(range_faults(thing))
    yield from wrong
    if not hasattr(thing, "faults"):
        return
    names = {fault.parameter for fault in wrong}
    mended = copy.copy(thing)
    for each in dataclasses.fields(thing):
        if each.name in names:
            several = typing.get_origin(hints_of(type(thing))[each.name]) is tuple
            object.__setattr__(mended, each.name, _default(each, () if several else math.nan))
    yield from (fault for fault in mended.faults() if fault.parameter not in names)


def faults_of(kind: type, /, **fields: Any) -> list[GainkitError]:
    """The faults that building a dataclass from these fields would meet, without building it."""
    thing: Any = object.__new__(kind)
    for each in dataclasses.fields(kind):
        object.__setattr__(thing, each.name, fields.get(each.name, _default(each, None)))
    return list(all_faults(thing))


def _default(field: dataclasses.Field[Any], without: Any) -> Any:
    """What a field holds when it is left out; `without` where it has no default."""
    if field.default is not dataclasses.MISSING:
        return field.default
    return without if field.default_factory is dataclasses.MISSING else field.default_factory()


def refuse_outside(parameter: str, value: object, allowed: Range, *, needed: bool = False) -> None:
    """Raise GainkitError for a parameter outside its range. None passes as 'not known' unless it is needed."""
    if value is None:
        if needed:
            raise GainkitError("missing", parameter, None, allowed)
        return
    if not allowed.holds(value):
        raise _outside(parameter, value, allowed)
