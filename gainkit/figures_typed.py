"""Figures as people type them: '4,5', '75 W', '-5dB', '1.2 kohm', read in the unit that is asked for.

Nothing is guessed: a unit that is none of the quantity's, a peak where an effective value is asked for, and a
comma that may part thousands are refused with what to write in their place.
"""

from __future__ import annotations

import re
import unicodedata

from gainkit.errors import GainkitError

VOLTS = {"V": 1.0, "volt": 1.0, "volts": 1.0, "mV": 1e-3, "kV": 1e3, "μV": 1e-6, "uV": 1e-6}
RMS_VOLTS = {**VOLTS, "Vrms": 1.0, "V rms": 1.0, "mVrms": 1e-3, "mV rms": 1e-3, "VAC": 1.0, "V AC": 1.0}
PEAK_VOLTS = {**VOLTS, "Vp": 1.0, "Vpk": 1.0, "V peak": 1.0, "V pk": 1.0}
DIRECT_VOLTS = {**VOLTS, "VDC": 1.0, "V DC": 1.0}
SECONDS = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "μs": 1e-6, "us": 1e-6, "min": 60.0}
METRES = {"m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0, "cm": 1e-2, "mm": 1e-3}
FEET = {"ft": 0.3048, "foot": 0.3048, "feet": 0.3048}

UNITS: dict[str, dict[str, float]] = {
    "V": RMS_VOLTS,
    "V peak": PEAK_VOLTS,
    "V DC": DIRECT_VOLTS,
    "dB": {"dB": 1.0},
    "dBFS": {"dBFS": 1.0, "dB FS": 1.0, "dB": 1.0},
    "Hz": {"Hz": 1.0, "kHz": 1e3, "hertz": 1.0},
    "ohm": {"ohm": 1.0, "ohms": 1.0, "Ω": 1.0, "R": 1.0, "k": 1e3, "kohm": 1e3, "kohms": 1e3, "kΩ": 1e3,
            "mohm": 1e-3, "mΩ": 1e-3, "Mohm": 1e6, "MΩ": 1e6},
    "W": {"W": 1.0, "watt": 1.0, "watts": 1.0, "Wrms": 1.0, "W rms": 1.0, "mW": 1e-3, "kW": 1e3},
    "A": {"A": 1.0, "amp": 1.0, "amps": 1.0, "ampere": 1.0, "amperes": 1.0, "mA": 1e-3},
    "s": SECONDS,
    "%": {"%": 1.0, "percent": 1.0, "per cent": 1.0},
    "fraction": {"%": 1e-2, "percent": 1e-2, "per cent": 1e-2},
    "m": METRES | FEET,
    "mm2": {"mm2": 1.0, "sqmm": 1.0, "sq mm": 1.0},
    "pF": {"pF": 1.0, "nF": 1e3},
    "octave": {"octave": 1.0, "octaves": 1.0},
    "C": {"C": 1.0, "°C": 1.0, "celsius": 1.0, "degrees Celsius": 1.0},
}  # fmt: skip
"""Words for each unit, with what they are of it. Metre and foot: the foot is 0.3048 m by definition (1959)."""

UNIT_OF_ENDING = {
    "volts": "V", "db": "dB", "dbfs": "dBFS", "hz": "Hz", "ohms": "ohm", "watts": "W", "amperes": "A",
    "seconds": "s", "percent": "%", "m": "m", "mm2": "mm2", "pf": "pF", "c": "C", "celsius": "C",
    "octaves": "octave", "efficiency": "fraction", "start": "s", "stop": "s", "rate": "Hz",
}  # fmt: skip
"""Unit by the last word of a figure's name."""

UNIT_OF_NAME = {
    "full_scale_volts": "V peak", "supply_volts": "V DC", "rated_supply_volts": "V DC", "dc_volts": "V DC",
    "drop_volts": "V DC", "measured_drop_volts": "V DC",
}  # fmt: skip
"""Figures whose volts are no effective value of a tone."""

_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][+-]?\d+(?![\w.]))?)\s*(.*)", re.S)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?!\d)")
_LETTER_AS_POINT = re.compile(r"(\d+)([RkM])(\d+)")
_OF_LETTER = {"R": 1.0, "k": 1e3, "M": 1e6}
_MINUS = str.maketrans(dict.fromkeys("\u2010\u2011\u2012\u2013\u2212", "-"))


def unit_of(name: str) -> str | None:
    """The unit of a figure by its name in Python ('tone_dbfs': dBFS); None where it has none."""
    return UNIT_OF_NAME.get(name) or UNIT_OF_ENDING.get(name.split("_")[-1])


def parse_figure(text: str, unit: str | None = None, parameter: str | None = None) -> float:
    """The figure that a text says, in `unit` (a key of UNITS; None: a bare number).

    Decimal point or comma, the unit or one of its multiples behind it, with or without a space; resistances
    also with the letter as point (IEC 60062: '4k7'). Raises GainkitError: `not_a_number`, `wrong_unit`, and
    `comma_or_thousands` for '1,500', which is a thousand to some and one and a half to others.
    """
    plain = unicodedata.normalize("NFKC", text).translate(_MINUS).strip()
    try:
        return float(plain)  # as a script writes it
    except ValueError:
        pass
    words = UNITS.get(unit or "", {})
    if unit == "ohm" and (coded := _LETTER_AS_POINT.fullmatch(plain)):
        return float(f"{coded[1]}.{coded[3]}") * _OF_LETTER[coded[2]]
    if _THOUSANDS.match(plain):
        raise GainkitError("comma_or_thousands", parameter, text)
    match = _NUMBER.fullmatch(plain)
    if match is None or re.match(r"[\d.,+-]", match[2]):
        raise GainkitError("not_a_number", parameter, text)
    factor = 1.0 if not match[2] else _factor(match[2], words)
    if factor is None:
        raise GainkitError("wrong_unit", parameter, text, list(words), typed_unit=match[2])
    return float(match[1].replace(",", ".")) * factor


def is_unit_of(word: str, unit: str | None) -> bool:
    """Whether a word is one of a unit's."""
    plain = unicodedata.normalize("NFKC", word).strip()
    return _factor(plain, UNITS.get(unit or "", {})) is not None


def _factor(word: str, words: dict[str, float]) -> float | None:
    """What a word is of the unit; None for a stranger.

    Small and capital letters are the same where that leaves one meaning: 'hz' is Hz, 'MV' is neither mV nor V.
    """
    word = " ".join(word.split())
    if word in words:
        return words[word]
    alike = {factor for known, factor in words.items() if known.casefold() == word.casefold()}
    thousandths = word[:1] == "M" and any(known.casefold() == word.casefold() for known in words)
    return alike.pop() if len(alike) == 1 and not thousandths else None
