"""Units of time, volts and rate as instruments write them into their files."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Quantity = Literal["time", "volts", "other"]

PREFIXES = {"": 1.0, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}
WORDS = {"": "", "m": "milli", "u": "micro", "n": "nano", "p": "pico"}
TIME_WORDS = ("s", "sec", "secs", "second", "seconds", "sek", "sekunden")
VOLT_WORDS = ("v", "volt", "volts", "vdc", "vac")
OTHER_WORDS = (
    "a", "ma", "ua", "amp", "amps", "ampere", "amperes", "w", "watt", "watts", "va", "vv", "ohm", "ohms",
    "\u03c9", "db", "dbv", "dbm", "dbu", "hz", "khz", "mhz", "%", "deg", "degree", "degrees",
    "\u00b0", "\u00b0c",
    "c", "k",
)  # fmt: skip

RATE_UNIT = r"[kmg]?(?:hz|s/s|sa/s|sps|samples/s|samples/sec|samples per second)"

LONGEST_NAME = 120
"""A cell longer than this is no name with a unit [characters] (our choice)."""


@dataclass(frozen=True)
class Unit:
    """scale : what 1 of the written figures is in seconds or volts; 1.0 for other quantities."""

    quantity: Quantity
    scale: float


def _table() -> dict[str, Unit]:
    table = {word: Unit("other", 1.0) for word in OTHER_WORDS}
    for quantity, words in (("time", TIME_WORDS), ("volts", VOLT_WORDS)):
        for word in words:
            for letter, scale in PREFIXES.items():
                table[letter + word] = Unit(quantity, scale)  # type: ignore[arg-type]
                table[WORDS[letter] + word] = Unit(quantity, scale)  # type: ignore[arg-type]
    table["kv"] = Unit("volts", 1e3)
    return table


UNITS = _table()


def parse_unit(text: str) -> Unit | None:
    """A unit with or without brackets ('(ms)', 'mV', '[us]'); None when it is none. Capitals do not count:
    no oscilloscope writes megavolts or megaseconds."""
    plain = text.strip().strip("()[]{}<>\"'").strip().lower().rstrip(".")
    return UNITS.get(plain.replace("\u00b5", "u").replace("\u03bc", "u"))


def split_name(text: str) -> tuple[str, Unit | None]:
    """A column's name and the unit written behind it: 'CH1 (mV)', 'Time [us]', 'Time/ms', 'time_s', 'Volt'."""
    text = text.strip().strip("\"'").strip()
    if len(text) > LONGEST_NAME:
        return text, None
    whole = parse_unit(text)
    if whole is not None and (whole.quantity != "other" or text[:1] in "(["):
        return "", whole
    bracket = re.fullmatch(r"(.*?)[\s_]*[(\[{<]([^()\[\]{}<>]*)[)\]}>]\s*", text)
    if bracket:
        return bracket[1].strip(), parse_unit(bracket[2])
    slash = re.fullmatch(r"(.*\S)\s*/\s*(\S+)", text)
    if slash and parse_unit(slash[2]):
        return slash[1].strip(), parse_unit(slash[2])
    tail = re.fullmatch(r"(.*?)[\s_,.:]+(?:in\s+)?(\S+)", text)
    if tail:
        unit = parse_unit(tail[2])
        if unit is not None and unit.quantity != "other":
            return tail[1].strip(), unit
    return text, None
