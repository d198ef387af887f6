"""What a result has to say beside its figures, as data: a code, how grave it is, and the values it names.

The sentence of a code stands in `gainkit.words` and is made where it is shown; nothing decides by a sentence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from gainkit.words import remark_text

Severity = Literal["danger", "fault", "remark"]

ORDER: tuple[Severity, ...] = ("danger", "fault", "remark")
"""From what can hurt to what is good to know: the order in which they are told."""


@dataclass(frozen=True)
class Remark:
    """One thing to know.

    code : stable lower-case word. severity : "danger" (can hurt people, cables or loudspeakers), "fault" (not
    as planned: stays until mended) or "remark". values : what the sentence names, with units in the names.
    """

    code: str
    severity: Severity = "remark"
    values: Mapping[str, Any] = field(default_factory=dict)

    def within(self, kind: str, name: object) -> Remark:
        """The same remark with the thing it was found in: ('position', 28), ('file', 'left.wav')."""
        places = [[kind, str(name)], *self.values.get("places", [])]
        return Remark(self.code, self.severity, {**self.values, "places": places})

    def __str__(self) -> str:
        return remark_text(self)

    def __hash__(self) -> int:
        return hash((self.code, self.severity, repr(sorted(self.values.items()))))


@dataclass(frozen=True)
class Sentence:
    """One line for a person, as data: shown, and written to JSON, as the text of its code."""

    code: str
    values: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return remark_text(self)


def danger(code: str, **values: Any) -> Remark:
    """Something that can hurt people, cables or loudspeakers."""
    return Remark(code, "danger", values)


def fault(code: str, **values: Any) -> Remark:
    """Something that is not as it should be."""
    return Remark(code, "fault", values)


def remark(code: str, **values: Any) -> Remark:
    """Something good to know."""
    return Remark(code, "remark", values)


def gravest_first(remarks: Iterable[Remark]) -> tuple[Remark, ...]:
    """Dangers, then faults, then the rest; among equals as they came, each once."""
    return tuple(sorted(dict.fromkeys(remarks), key=lambda each: ORDER.index(each.severity)))


def all_within(remarks: Iterable[Remark], kind: str, name: object) -> list[Remark]:
    """Remarks with the thing that they were found in."""
    return [each.within(kind, name) for each in remarks]


def codes(remarks: Iterable[Remark]) -> set[str]:
    """Their codes."""
    return {each.code for each in remarks}
