"""A small checker for TOML tables: every fault at once, each with its place, what was found, what is allowed.

Hand-written over tomllib rather than a model library: the message for a person at a car needs the line, the
unit and the nearest known key, which a general validator does not know; and the commands that read a system
file start faster without one.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gainkit.calculator.ranges import Range
from gainkit.errors import GainkitError, ManyFaults
from gainkit.strict import LARGEST_TOML_BYTES, NestedTooDeeply, toml_from
from gainkit.words import shown as shown_plainly

MOST_FAULTS_SHOWN = 100

_QUOTED = re.compile(r"\"[^\"]*\"|'[^']*'")
"""Text in proper quotes, where any sign may stand."""

_CURLY = "\u201c\u201d\u201e\u201f\u2018\u2019\u201a\u201b\u00ab\u00bb\u2039\u203a\u2033\uff02"
_DASHES = "\u2010\u2011\u2012\u2013\u2014\u2212\uff0d"

MOST_NAMES = 16
"""Outputs of one channel: more are no channel of outputs set alike (our choice)."""


@dataclass(frozen=True)
class Key:
    """One allowed key.

    kind : "text", "number", "whole" (a whole number), "flag", "choice", "label" (text or a number), "names" (a
    list of texts), "choices" (a choice, or a table of one for each name) or "tables" (a list of small tables).
    allowed : a Range for numbers, the words for a choice, the keys for tables.
    """

    name: str
    kind: str
    allowed: Any = None
    required: bool = False

    def words(self) -> str:
        """What is allowed, as a phrase."""
        match self.kind:
            case "number":
                return f"a number, {self.allowed.words()}"
            case "whole":
                return f"a whole number, {self.allowed.words()}"
            case "flag":
                return "true or false"
            case "choice":
                return " or ".join(f'"{word}"' for word in self.allowed)
            case "tables":
                inner = ", ".join(f"{key.name} = 1" for key in self.allowed)
                return f"a list of tables such as [{{ {inner} }}]"
            case "label":
                return "text or a number"
            case "names":
                return 'a list of different names, such as ["left", "right"]'
            case "choices":
                words = " or ".join(f'"{word}"' for word in self.allowed)
                return f"{words}, or a table of one for each output"
        return "text in quotes"


@dataclass
class Faults:
    """Collects what is wrong with one file; `raise_any` ends it."""

    path: Path
    lines: Mapping[tuple[str, int, str], int]
    found: list[tuple[int, GainkitError]] = field(default_factory=list)

    def add(
        self, table: str, number: int, name: str | None, fault: GainkitError, line: int | None = None
    ) -> None:
        """Note a fault. table : 'source'; number : 0, or which of the repeated tables; name : its name."""
        place = f"[[{table}]] {number}" if number else f"[{table}]" if table else "top level"
        if name:
            place += f" {shown(name)}"
        key = fault.parameter or ""
        line = line or self.lines.get((table, number, key)) or self.lines.get((table, number, ""))
        at = f"line {line}, " if line else ""
        whole = f"{at}{place}, {key}" if key else f"{at}{place}"
        self.found.append((line or 0, fault.within("place", whole)))

    def raise_any(self) -> None:
        """Raise ManyFaults with all of them, if there are any."""
        if not self.found:
            return
        ordered = [fault for _, fault in sorted(self.found, key=lambda each: each[0])]
        more = len(ordered) - MOST_FAULTS_SHOWN
        raise ManyFaults(
            "system_file", ordered[:MOST_FAULTS_SHOWN], path=str(self.path), count=len(ordered), more=more
        )


def shown(value: Any) -> str:
    """What was found, short and safe to print, text as TOML has it: in double quotes."""
    text = shown_plainly(value)
    return f'"{text[1:-1]}"' if isinstance(value, str) else text


def nearest(word: str, known: Sequence[str]) -> str | None:
    """The known word closest in spelling, or None when none is close."""
    close = difflib.get_close_matches(word[:80].lower(), known, n=1, cutoff=0.55)
    return close[0] if close else None


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """The tables of a TOML file and its text. Raises GainkitError for anything that is not one."""
    if path.is_dir():
        raise GainkitError("system_is_folder", "system", path)
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_TOML_BYTES + 1)
    except FileNotFoundError:
        raise GainkitError("system_not_there", "system", path) from None
    except OSError as fault:
        raise GainkitError("not_readable", "system", path, reason=fault.strerror) from fault
    if len(raw) > LARGEST_TOML_BYTES:
        raise GainkitError("system_too_large", "system", path)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw.count(b"\n", 0, fault.start) + 1
        raise GainkitError("not_utf8", "system", path, line=line) from fault
    try:
        return toml_from(text), text
    except NestedTooDeeply as fault:
        raise GainkitError("nested_too_deeply", "system", path) from fault
    except ValueError as fault:  # TOMLDecodeError, and whole numbers of thousands of digits
        raise _typing_slip(path, text, str(fault)) or GainkitError(
            "not_toml", "system", path, reason=str(fault)
        ) from fault


def _typing_slip(path: Path, text: str, reason: str) -> GainkitError | None:
    """The sign that a word processor or a habit put into the line that is no TOML; None when it is another."""
    place = re.search(r"at line (\d+)", reason)
    lines = text.split("\n")
    number = int(place[1]) if place else 0
    if not 1 <= number <= len(lines):
        return None
    line = _QUOTED.sub(lambda quoted: "_" * len(quoted[0]), lines[number - 1]).split("#")[0]
    strange = next((sign for sign in line if ord(sign) > 127), None)
    if strange is not None:
        column = line.index(strange) + 1
        name = unicodedata.name(strange, "unnamed").lower()
        instead = '"' if strange in _CURLY else "-" if strange in _DASHES else None
        return GainkitError(
            "toml_sign",
            "system",
            path,
            line=number,
            column=column,
            sign=strange,
            name=name,
            instead=instead,
        )
    comma = re.search(r"=\s*[+-]?(\d+),(\d+)", line)
    if comma:
        whole, rest = comma.groups()
        return GainkitError(
            "toml_comma", "system", path, line=number, column=comma.end(1) + 1, typed=f"{whole},{rest}",
            instead=f"{whole}.{rest}",
        )  # fmt: skip
    return None


def key_lines(text: str) -> dict[tuple[str, int, str], int]:
    """Where each key stands: (table, which of the repeated ones, key) to a line number; '' is the header."""
    places: dict[tuple[str, int, str], int] = {}
    table, number = "", 0
    counts: dict[str, int] = {}
    inside = ""
    for line_number, line in enumerate(text.split("\n"), 1):
        if inside:
            if line.count(inside) % 2:
                inside = ""
            continue
        header = re.match(r'\s*(\[\[?)\s*"?([\w-]+)"?\s*\]', line)
        entry = re.match(r'\s*["\']?([\w.-]+)["\']?\s*=', line)
        if header:
            table, number = header[2], 0
            if header[1] == "[[":
                number = counts[table] = counts.get(table, 0) + 1
            places.setdefault((table, number, ""), line_number)
        elif entry:
            places.setdefault((table, number, entry[1]), line_number)
        for quotes in ('"""', "'''"):
            if line.count(quotes) % 2:
                inside = quotes
    return places


def check_table(
    table_of: Mapping[str, Any], keys: Sequence[Key], faults: Faults, table: str, number: int = 0
) -> dict[str, Any]:
    """The good values of one table; what is wrong goes to `faults`. Absent keys are absent."""
    name = table_of.get("name")
    name = name if isinstance(name, str) and number else None
    known = {key.name: key for key in keys}
    good: dict[str, Any] = {}
    for word, value in table_of.items():
        key = known.get(word)
        if key is None:
            close = nearest(word, list(known))
            faults.add(
                table,
                number,
                name,
                GainkitError("unknown_key", shown(word)[1:-1], None, list(known), nearest=close),
            )
            continue
        problem, kept = _check_value(value, key)
        if problem is not None:
            faults.add(table, number, name, problem)
        else:
            good[word] = kept
    for key in keys:
        if key.required and key.name not in table_of:
            faults.add(table, number, name, GainkitError("key_missing", key.name, None, key.words()))
    return good


def _check_value(value: Any, key: Key) -> tuple[GainkitError | None, Any]:
    """(what is wrong or None, the value as it will be kept)."""
    wrong = GainkitError("found_other", key.name, value, key.words())
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    match key.kind:
        case "number" | "whole":
            return _check_number(value, key, wrong)
        case "flag":
            return (None, value) if isinstance(value, bool) else (wrong, None)
        case "choice":
            return (
                (None, value) if value in key.allowed and isinstance(value, str) else (_near(value, key), None)
            )
        case "choices":
            each = list(value.values()) if isinstance(value, dict) and value else [value]
            fits = all(isinstance(word, str) and word in key.allowed for word in each)
            return (None, value) if fits else (wrong, None)
        case "tables":
            return _check_small_tables(value, key)
        case "names":
            return (None, tuple(value)) if _are_names(value) else (wrong, None)
    if isinstance(value, (datetime.date, datetime.time)):
        return None, value.isoformat()
    if isinstance(value, str) or (key.kind == "label" and is_number and math.isfinite(value)):
        return None, value
    return wrong, None


def _check_number(value: Any, key: Key, wrong: GainkitError) -> tuple[GainkitError | None, Any]:
    if isinstance(value, str):
        return GainkitError("found_text", key.name, value, key.words()), None
    if isinstance(value, bool) or not isinstance(value, int if key.kind == "whole" else (int, float)):
        return wrong, None
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not key.allowed.holds(number):
        return wrong, None
    return None, int(value) if key.kind == "whole" else number


def _near(value: Any, key: Key) -> GainkitError:
    close = nearest(value, list(key.allowed)) if isinstance(value, str) else None
    return GainkitError("found_other", key.name, value, key.words(), nearest=close)


def _are_names(value: Any) -> bool:
    """A list of texts, none blank, none twice, none with the stroke that parts channel and output."""
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_NAMES:
        return False
    if not all(isinstance(each, str) and each.strip() and "/" not in each for each in value):
        return False
    return len({each.strip().casefold() for each in value}) == len(value)


def _check_small_tables(value: Any, key: Key) -> tuple[GainkitError | None, Any]:
    """A list of tables that hold numbers only."""
    if not isinstance(value, list) or not value or not all(isinstance(each, dict) for each in value):
        return GainkitError("found_other", key.name, value, key.words()), None
    kept = []
    for place, each in enumerate(value, 1):
        if set(each) != {inner.name for inner in key.allowed}:
            keys = ", ".join(map(shown, each)) or "none"
            return GainkitError("entry_keys", key.name, keys, key.words(), entry=place), None
        row = []
        for inner in key.allowed:
            problem, number = _check_value(each[inner.name], inner)
            if problem is not None:
                return problem.within("place", f"entry {place}, {inner.name}"), None
            row.append(number)
        kept.append(tuple(row))
    return None, kept


def number_key(name: str, allowed: Range, required: bool = False) -> Key:
    """A key that holds a number in a range."""
    return Key(name, "number", allowed, required)
