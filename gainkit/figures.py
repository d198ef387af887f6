"""Figures for a person: so many significant digits, never in powers of ten."""

from __future__ import annotations

import math
import re
import string
from collections.abc import Mapping
from typing import Any


def volt_unit(volts: float) -> tuple[float, str]:
    """What to multiply volts by, and the unit, so that a figure of that size has few zeros."""
    size = abs(volts)
    return (1.0, "V") if size >= 1.0 or size == 0 else (1e3, "mV") if size >= 1e-4 else (1e6, "\u00b5V")


def level_unit(calibrated: bool) -> str:
    """What levels of a capture are told in: volts are known of calibrated ones only."""
    return "V" if calibrated else "of full scale"


def plain(value: float, digits: int = 3, least: float = 0.0) -> str:
    """A figure with so many significant digits, written out: '1230', '0.00046', never '1.2e+03'.

    least : a size below which a figure says no more than 'under ...'; 0 to write all of them out.
    """
    if not math.isfinite(value):
        return "unlimited" if value > 0 else "-unlimited" if value < 0 else "unknown"
    if 0 < abs(value) < least:
        return f"under {plain(least, digits)}"
    text = f"{value:z.{digits}g}"
    if "e" not in text:
        return text
    exponent = int(text.split("e")[1])
    if exponent >= 0:
        return f"{float(text):.0f}"
    return f"{float(text):.{digits - 1 - exponent}f}".rstrip("0").rstrip(".")


LEAST_DB = 0.01
"""No level is told finer [dB]."""


def decibels(value: float) -> str:
    """A size in decibels with two digits, of which none is finer than LEAST_DB."""
    return plain(value if abs(value) < LEAST_DB else round(value, 2), 2, LEAST_DB)


def decibel_span(low: float, high: float, joined: str = "to", digits: int = 1) -> str:
    """'-1.2 to +0.5', and '-1.2' where both read alike."""
    ends = [f"{each:+z.{digits}f}" for each in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} {joined} {ends[1]}"


def signed(value: float, digits: int, sign: str = "") -> str:
    """A figure with so many places; one that rounds to nothing has no minus."""
    return f"{value:{sign}z.{digits}f}"


_FIXED = re.compile(r"^((?:.?[<>=^])?[-+ ]?)z?")
"""Where the 'z' stands in a format: behind fill, alignment and sign (Python's format specification)."""


class Filler(string.Formatter):
    """`str.format` whose 'g' never writes a power of ten, whose 'f' writes no '-0.0', and which shows None as a
    dash."""

    def get_value(self, key: int | str, args: Any, kwargs: Mapping[str, Any]) -> Any:
        return kwargs.get(str(key))  # an older record may lack a value: a dash is better than no sentence

    def format_field(self, value: Any, format_spec: str) -> Any:
        if value is None:
            return "-"
        if isinstance(value, (int, float)) and not isinstance(value, bool) and format_spec.endswith("g"):
            sign = "+" if format_spec.startswith("+") and value >= 0 else ""
            digits = format_spec.lstrip("+z").rstrip("g").lstrip(".")
            return sign + plain(float(value), int(digits) if digits else 6)
        if isinstance(value, float) and format_spec.endswith("f"):
            format_spec = _FIXED.sub(r"\1z", format_spec)
        return super().format_field(value, format_spec)


def filled(template: str, values: Mapping[str, Any]) -> str:
    """A template with its values put in: `filled('{volts:.3g} V', {'volts': 1000.0})` is '1000 V'."""
    return Filler().vformat(template, (), values)
