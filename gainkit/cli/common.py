"""What every command shares: the answer's two forms, and options that mean the same everywhere."""

from __future__ import annotations

import dataclasses
import inspect
import sys
import typing
from collections.abc import Callable
from typing import Annotated, Any, TextIO, TypeVar

import typer

JsonFlag = Annotated[bool, typer.Option("--json", help="One JSON object on standard output, nothing else.")]
OverwriteFlag = Annotated[bool, typer.Option("--overwrite", help="Replace what is already there.")]

Options = TypeVar("Options")

_answered = False


def answered() -> bool:
    """Whether an answer is already out on standard output: no second object may follow it."""
    return _answered


def begin() -> None:
    """Nothing is answered yet: a new call of the command line."""
    global _answered
    _answered = False


def show(result: Any, as_json: bool, text: Callable[[], str]) -> None:
    """Print a result: one JSON object, or the text made for a person (only built when asked for)."""
    global _answered
    _answered = True
    if as_json:
        from gainkit.cli.door import CLI
        from gainkit.results import to_json

        print(to_json(result, CLI))
    else:
        tell(text())


def remark(message: str) -> None:
    """A remark beside the answer (progress, where a file lies): standard error, so that pipes stay clean."""
    tell(message, file=sys.stderr)


def tell(text: str, file: TextIO | None = None) -> None:
    """Print what people read; the one way to a terminal for text that holds names or words of others."""
    from gainkit.cli.plain import screen

    print(screen(text), file=file, flush=file is None)


def options_of(kind: type[Options]) -> Callable[[Callable[[Options], None]], Callable[..., None]]:
    """A command whose options are the fields of a dataclass; the function gets them as one object.

    For commands with many options: they stand in one table, and are handed on as they are.
    """

    def command(run: Callable[[Options], None]) -> Callable[..., None]:
        hints = typing.get_type_hints(kind, include_extras=True)
        parameters = [
            inspect.Parameter(
                each.name,
                inspect.Parameter.KEYWORD_ONLY,
                default=inspect.Parameter.empty if each.default is dataclasses.MISSING else each.default,
                annotation=hints[each.name],
            )
            for each in dataclasses.fields(kind)  # type: ignore[arg-type]
        ]

        def gathered(**given: Any) -> None:
            run(kind(**given))

        gathered.__name__, gathered.__doc__ = run.__name__, run.__doc__
        gathered.__annotations__ = hints
        gathered.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        return gathered

    return command
