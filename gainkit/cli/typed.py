"""Figures on the command line as people type them: every option that takes a number understands its unit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from gainkit.cli.door import python_name
from gainkit.cli.usage import python_parameter


def accept_typed_figures(command: Any) -> None:
    """Let every number of a command and of those below it be typed with unit and decimal comma.

    command : of the kind that typer makes; the kinds of its parameters are replaced by ones that build upon
    them, so that help and faults stay typer's.
    """
    for parameter in command.params:
        kind = type(parameter.type)
        if kind.__name__ in ("FloatParamType", "IntParamType"):
            parameter.type = _figure_kind(kind, python_parameter(parameter) or "")()
    for inner in getattr(command, "commands", {}).values():
        accept_typed_figures(inner)


def _figure_kind(kind: type[Any], name: str) -> type[Any]:
    """A parameter's kind, float or int, that reads '75 W' too."""

    class Figure(kind):  # type: ignore[misc]
        def convert(self, value: Any, param: Any, ctx: Any) -> Any:
            from gainkit.errors import GainkitError
            from gainkit.figures_typed import parse_figure, unit_of

            if isinstance(value, str):
                figure = parse_figure(value, unit_of(name), name)
                whole = kind.__name__ == "IntParamType"
                if whole and figure != figure // 1:
                    raise GainkitError("not_a_number", name, value, "a whole number")
                if not _may_be(figure, name):
                    raise GainkitError("no_such_figure", name, figure)
                value = int(figure) if whole else figure
            return super().convert(value, param, ctx)

    return Figure


def _may_be(figure: float, name: str) -> bool:
    """Whether any quantity can have this figure: an option that this call does not use is read, too, and what
    means nothing is refused before it is passed over."""
    from gainkit.calculator.ranges import LARGEST, SMALLEST

    return figure == 0 or SMALLEST <= abs(figure) <= LARGEST or (name == "input_ohms" and figure == math.inf)


def joined_units(arguments: Sequence[str]) -> list[str]:
    """The command line with a unit that stands alone put back to its figure: --ohms 4 ohm is --ohms '4 ohm'.

    Only a word that is a unit of the option before the figure is taken; anything else stays an argument.
    """
    from gainkit.figures_typed import is_unit_of, unit_of

    joined: list[str] = []
    for word in arguments:
        option, figure = joined[-2:] if len(joined) > 1 else ("", "")
        of_option = option.startswith("--") and "=" not in option and _bare(figure)
        if of_option and is_unit_of(word, unit_of(python_name(option))):
            joined[-1] = f"{figure} {word}"
        else:
            joined.append(word)
    return joined


def _bare(text: str) -> bool:
    """Whether a text is a figure without a unit."""
    return text[-1:].isdigit() and text.lstrip("+-\u2212\u2013")[:1] in {*"0123456789.,"}
