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
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gainkit.calculator.ranges import Range
from gainkit.errors import GainkitError

LARGEST_FILE_BYTES = 1_000_000
"""No system file written by a person is larger (our choice)."""

MOST_FAULTS_SHOWN = 100


@dataclass(frozen=True)
class Key:
    """One allowed key.

    kind : "text", "number", "whole" (a whole number), "flag", "choice", "label" (text or a number) or "tables"
    (a list of small tables). allowed : a Range for numbers, the words for a choice, the keys for tables.
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
        return "text in quotes"


@dataclass
class Faults:
    """Collects what is wrong with one file; `raise_any` ends it."""

    path: Path
    lines: Mapping[tuple[str, int, str], int]
    found: list[tuple[int, str]] = field(default_factory=list)

    def add(
        self, table: str, number: int, name: str | None, key: str, problem: str, line: int | None = None
    ) -> None:
        """Note a fault. table : 'source'; number : 0, or which of the repeated tables; name : its name."""
        place = f"[[{table}]] {number}" if number else f"[{table}]" if table else "top level"
        if name:
            place += f" {shown(name)}"
        line = line or self.lines.get((table, number, key)) or self.lines.get((table, number, ""))
        at = f"line {line}, " if line else ""
        self.found.append((line or 0, f"{at}{place}, {key}: {problem}" if key else f"{at}{place}: {problem}"))

    def raise_any(self) -> None:
        """Raise GainkitError with all faults, if there are any."""
        if not self.found:
            return
        count = len(self.found)
        listed = [text for _, text in sorted(self.found, key=lambda fault: fault[0])][:MOST_FAULTS_SHOWN]
        if count > len(listed):
            listed = [*listed, f"and {count - len(listed)} more"]
        head = f"{self.path} has {count} fault{'s' if count > 1 else ''}:"
        raise GainkitError(
            "\n  ".join([head, *listed]),
            "Mend these places in the file; 'gainkit job new' writes an example with every key explained.",
        )


def shown(found: Any) -> str:
    """What was found, short and safe to print."""
    if isinstance(found, str):
        text = found if len(found) <= 40 else found[:37] + "..."
        return '"' + "".join(c if c.isprintable() else repr(c)[1:-1] for c in text) + '"'
    if isinstance(found, bool):
        return "true" if found else "false"
    if isinstance(found, Mapping):
        return "a table"
    if isinstance(found, list):
        return "a list"
    try:
        return f"{found:.10g}" if isinstance(found, (int, float)) else str(found)[:40]
    except OverflowError:
        return "a huge number"


def nearest(word: str, known: Sequence[str]) -> str | None:
    """The known word closest in spelling, or None when none is close."""
    close = difflib.get_close_matches(word[:80].lower(), known, n=1, cutoff=0.55)
    return close[0] if close else None


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """The tables of a TOML file and its text. Raises GainkitError for anything that is not one."""
    if path.is_dir():
        raise GainkitError(f"{path} is a folder.", "Give the system file itself, usually system.toml in it.")
    try:
        raw = path.open("rb").read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise GainkitError(
            f"{path} is not there.", "Give the path of a system file; 'gainkit job new' writes one."
        ) from None
    except OSError as fault:
        raise GainkitError(
            f"{path} cannot be read: {fault.strerror}.", "Check the path and its rights."
        ) from fault
    if len(raw) > LARGEST_FILE_BYTES:
        raise GainkitError(f"{path} is larger than 1 MB.", "Give a system file: a page of text.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw.count(b"\n", 0, fault.start) + 1
        raise GainkitError(
            f"{path} is not UTF-8 text (line {line}).", "Save it as UTF-8 in the text editor's 'save as'."
        ) from fault
    try:
        return tomllib.loads(text), text
    except RecursionError as fault:
        raise GainkitError(f"{path} is nested too deeply.", "A system file has flat tables only.") from fault
    except ValueError as fault:  # TOMLDecodeError, and whole numbers of thousands of digits
        raise GainkitError(
            f"{path} is not a TOML file: {fault}.",
            'Each line is key = value: text in "quotes", numbers bare with a decimal point, true or false.',
        ) from fault


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
    found: Mapping[str, Any], keys: Sequence[Key], faults: Faults, table: str, number: int = 0
) -> dict[str, Any]:
    """The good values of one table; what is wrong goes to `faults`. Absent keys are absent."""
    name = found.get("name")
    name = name if isinstance(name, str) and number else None
    known = {key.name: key for key in keys}
    good: dict[str, Any] = {}
    for word, value in found.items():
        key = known.get(word)
        if key is None:
            close = nearest(word, list(known))
            hint = f"; the nearest known key is {close}" if close else f"; known keys: {', '.join(known)}"
            faults.add(table, number, name, shown(word)[1:-1], f"unknown key{hint}")
            continue
        problem, kept = _check_value(value, key)
        if problem:
            faults.add(table, number, name, word, problem)
        else:
            good[word] = kept
    for key in keys:
        if key.required and key.name not in found:
            faults.add(table, number, name, key.name, f"missing; give {key.words()}")
    return good


def _check_value(value: Any, key: Key) -> tuple[str | None, Any]:
    """(problem or None, the value as it will be kept)."""
    allowed = f"allowed: {key.words()}"
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if key.kind in {"number", "whole"}:
        if isinstance(value, str):
            return f"found {shown(value)}, which is text; {allowed}, without quotes or unit", None
        if not is_number or (key.kind == "whole" and not isinstance(value, int)):
            return f"found {shown(value)}; {allowed}", None
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not key.allowed.holds(number):
            return f"found {shown(value)}; {allowed}", None
        return None, int(value) if key.kind == "whole" else number
    if key.kind == "flag":
        return (None, value) if isinstance(value, bool) else (f"found {shown(value)}; {allowed}", None)
    if key.kind == "choice":
        if isinstance(value, str) and value in key.allowed:
            return None, value
        close = nearest(value, list(key.allowed)) if isinstance(value, str) else None
        hint = f' (nearest: "{close}")' if close else ""
        return f"found {shown(value)}; {allowed}{hint}", None
    if key.kind == "tables":
        return _check_small_tables(value, key)
    if isinstance(value, (datetime.date, datetime.time)):
        return None, value.isoformat()
    if isinstance(value, str) or (key.kind == "label" and is_number and math.isfinite(value)):
        return None, value
    return f"found {shown(value)}; {allowed}", None


def _check_small_tables(value: Any, key: Key) -> tuple[str | None, Any]:
    """A list of tables that hold numbers only."""
    allowed = f"allowed: {key.words()}"
    if not isinstance(value, list) or not value or not all(isinstance(each, dict) for each in value):
        return f"found {shown(value)}; {allowed}", None
    kept = []
    for place, each in enumerate(value, 1):
        if set(each) != {inner.name for inner in key.allowed}:
            return f"entry {place} has the keys {', '.join(map(shown, each)) or 'none'}; {allowed}", None
        row = []
        for inner in key.allowed:
            problem, number = _check_value(each[inner.name], inner)
            if problem:
                return f"entry {place}, {inner.name}: {problem}", None
            row.append(number)
        kept.append(tuple(row))
    return None, kept


def number_key(name: str, allowed: Range, required: bool = False) -> Key:
    """A key that holds a number in a range."""
    return Key(name, "number", allowed, required)
