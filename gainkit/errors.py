"""The one exception for faults on the user's side, as data: what it is, what came and what is allowed."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import Any

from gainkit.words import error_text


class GainkitError(ValueError):
    """Input or a call that cannot be used.

    Parameters
    ----------
    code : stable lower-case word for the kind of fault; its sentences stand in `gainkit.words`.
    parameter : the argument, option or key it concerns, by its name in Python; None where it is no one's.
    received : what came instead. allowed : what may be given: a `ranges.Range`, a list of words or a phrase.
    values : further figures that the sentences name, with units in their names.

    No sentence is stored: the command line, the system file's reader and Python each name the parameter in
    their own way (`words.error_text`); `str` is Python's. Code that handles a fault looks at its code.
    """

    def __init__(
        self,
        code: str,
        parameter: str | None = None,
        received: Any = None,
        allowed: Any = None,
        **values: Any,
    ) -> None:
        super().__init__(code)
        self.code = code
        self.parameter = parameter
        self.received = received
        self.allowed = allowed
        self.values = values
        self.places: tuple[tuple[str, str], ...] = ()

    def within(self, kind: str, name: object) -> GainkitError:
        """The same fault with the thing it was found in: ('channel', 'Front'), ('file', 'left.wav')."""
        inside = copy.copy(self)
        inside.places = ((kind, str(name)), *self.places)
        return inside

    @property
    def problem(self) -> str:
        """What is wrong, in Python's words."""
        return error_text(self)[0]

    @property
    def remedy(self) -> str:
        """How to mend it, in Python's words."""
        return error_text(self)[1]

    def __str__(self) -> str:
        return f"{self.problem} {self.remedy}"

    def __reduce__(self) -> tuple[Any, ...]:
        return _restored, (self.code, self.parameter, self.received, self.allowed, self.values, self.places)


def _restored(
    code: str,
    parameter: str | None,
    received: Any,
    allowed: Any,
    values: dict[str, Any],
    places: tuple[tuple[str, str], ...],
) -> GainkitError:
    """A fault that came from another process."""
    fault = GainkitError(code, parameter, received, allowed, **values)
    fault.places = places
    return fault


class ManyFaults(GainkitError):
    """Several faults of one thing, told at once: `faults` holds each of them."""

    def __init__(self, code: str, faults: Sequence[GainkitError], **values: Any) -> None:
        super().__init__(code, **values)
        self.faults = tuple(faults)

    def __reduce__(self) -> tuple[Any, ...]:
        return _restored_many, (self.code, self.faults, self.values)


def _restored_many(code: str, faults: tuple[GainkitError, ...], values: dict[str, Any]) -> ManyFaults:
    return ManyFaults(code, faults, **values)
