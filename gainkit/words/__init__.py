"""The sentences of gainkit: one for each code of a fault or remark, made where they are shown.

A sentence is a template. `{rms_volts:.3g}` is a value. `<margin_db>` is an argument, `<source.preamp_volts>` a
key of the system file and `<find_onset()>` one of the jobs: the door that shows the sentence names them in its
own way, the command line as options and commands, Python as arguments and functions. Each room's sentences
stand in a module of this package; a code stands in one of them only.
"""

from __future__ import annotations

import functools
import importlib
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any, Protocol

from gainkit.figures import filled

Template = str | Callable[[Mapping[str, Any]], str]
"""A template, or a function of the values that gives one."""

ROOMS = (
    "calculator", "sums", "capture", "generator", "analysis", "onset", "volume", "polarity", "routing", "matching",
    "impedance", "noise", "response", "system", "job", "pages", "steps",
)  # fmt: skip
"""The modules with sentences, by the rooms they speak for."""

SYSTEM_REMEDY = "Mend it in the file; <start_job()> writes an example with every key explained."
"""How to mend what is wrong with one key of the system file: where several are told, it is left out."""


class Finished(str):
    """A sentence that a template function has filled itself: names of the user's in it stay as they are."""

    __slots__ = ()


@dataclass(frozen=True)
class FaultWords:
    """The sentences of one kind of fault: what is wrong, and how to mend it."""

    problem: Template
    remedy: Template


class FaultData(Protocol):
    """What is asked of a fault: see `errors.GainkitError`."""

    code: str
    parameter: str | None
    received: Any
    allowed: Any
    values: dict[str, Any]
    places: tuple[tuple[str, str], ...]


class RemarkData(Protocol):
    """What is asked of a remark: see `remarks.Remark`."""

    @property
    def code(self) -> str: ...
    @property
    def values(self) -> Mapping[str, Any]: ...


class Door:
    """How one way into gainkit names things; this one is Python's."""

    def parameter(self, name: str) -> str:
        """An argument."""
        return name

    def key(self, table: str, name: str) -> str:
        """A key of the system file."""
        return f"[{table}] {name}"

    def job(self, name: str) -> str:
        """One of the jobs, by the name of its function."""
        return f"gainkit.{name}()"


PYTHON = Door()

_NAME = re.compile(r"<([a-z][a-z0-9_]*)(?:\.([a-z][a-z0-9_]*))?(\(\))?>")


@functools.cache
def catalogues() -> tuple[dict[str, FaultWords], dict[str, Template]]:
    """All sentences by their codes: of faults, of remarks."""
    faults: dict[str, FaultWords] = {}
    remarks: dict[str, Template] = {}
    for room in ROOMS:
        module = importlib.import_module(f"gainkit.words.{room}")
        for mine, all_of_them in ((module.FAULTS, faults), (module.REMARKS, remarks)):
            if twice := mine.keys() & all_of_them.keys():
                raise RuntimeError(f"these codes have words in two rooms: {sorted(twice)}")
            all_of_them.update(mine)
    return faults, remarks


def error_text(fault: FaultData, door: Door = PYTHON) -> tuple[str, str]:
    """(what is wrong, how to mend it) of a fault, as a door says it."""
    words = catalogues()[0][fault.code]
    values = dict(fault.values)
    values |= {
        "parameter": None if fault.parameter is None else door.parameter(fault.parameter),
        "received": shown(fault.received),
        "allowed": allowed_words(fault.allowed),
        "listed": "\n  ".join(_listed(each, door) for each in getattr(fault, "faults", ())),
    }
    problem, remedy = (told(each, values, door) for each in (words.problem, words.remedy))
    for kind, name in reversed(fault.places):
        plain, name = kind in ("file", "place"), seen(name)
        problem = f"{name}: {problem}" if plain else f"{kind.capitalize()} {shown(name)}: {problem}"
    return problem, remedy


class _Keys(Door):
    """Names inside a file: its keys are called as Python calls the arguments, jobs as the door does."""

    def __init__(self, door: Door) -> None:
        self.job = door.job  # type: ignore[method-assign]


def _listed(fault: FaultData, door: Door) -> str:
    """One of several faults of a file: what is wrong, and how to mend it where that is more than to mend it there."""
    problem, remedy = error_text(fault, _Keys(door))
    return problem if catalogues()[0][fault.code].remedy is SYSTEM_REMEDY else f"{problem}\n    {remedy}"


def remark_text(remark: RemarkData, door: Door = PYTHON) -> str:
    """The sentence of a remark, as a door says it; of a code that is not known here, the code itself."""
    template = catalogues()[1].get(remark.code)
    text = remark.code.replace("_", " ") if template is None else told(template, remark.values, door)
    for kind, place in reversed(remark.values.get("places", ())):
        name = seen(place)
        text = f"{name}: {text}" if kind == "file" else f"{kind.capitalize()} {name}: {text}"
    return text


def told(template: Template, values: Mapping[str, Any], door: Door = PYTHON) -> str:
    """A template with its values, and with names as the door says them; values stay as they are."""
    values = {
        key: seen(each) if isinstance(each, str) and key != "listed" else each for key, each in values.items()
    }
    text = template if isinstance(template, str) else template(values)
    if isinstance(text, Finished):
        return str(text)
    return filled(with_names(text, door), values)


def with_names(text: str, door: Door = PYTHON) -> str:
    """A text whose names of arguments, keys and jobs are said as a door says them."""

    def said(match: re.Match[str]) -> str:
        first, second, is_job = match.groups()
        if is_job:
            return door.job(first)
        return door.key(first, second) if second else door.parameter(first)

    return _NAME.sub(said, text)


def seen(text: str) -> str:
    """A text of others within a line of ours: what is no sign to be seen, line ends too, as its escape."""
    return text if text.isprintable() else "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def shown(value: Any) -> str:
    """What was received, short and safe to print; text stands in quotes, paths stand whole."""
    if isinstance(value, str):
        text = value if len(value) <= 60 else value[:57] + "..."
        return f"'{seen(text)}'"
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "nothing"}[value]
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, (list, tuple)):
        return "a list"
    if isinstance(value, PurePath):  # whole: a name that is cut finds no file
        return seen(str(value))
    if isinstance(value, float) and (not math.isfinite(value) or (value and not 1e-12 < abs(value) < 1e15)):
        return f"{float(value):.6g}"  # a slip, and as it was typed: hundreds of zeros tell no one anything
    try:
        return filled("{found:.10g}", {"found": value}) if isinstance(value, (int, float)) else str(value)[:60]
    except OverflowError:
        return "a huge number"


def allowed_words(allowed: Any) -> str:
    """What may be given, as a phrase: of a range, of a list of words, or as it is."""
    if allowed is None:
        return ""
    if hasattr(allowed, "words"):
        return str(allowed.words())
    return joined(allowed) if isinstance(allowed, (list, tuple, set, frozenset)) else str(allowed)


def joined(items: Iterable[Any]) -> str:
    """Several words or figures in a row: '1, 2, 5'."""
    return ", ".join(map(str, items))
