"""What every command shares: the answer's two forms, and options that mean the same everywhere."""

from __future__ import annotations

import dataclasses
import inspect
import sys
import typing
from collections.abc import Callable
from typing import Annotated, Any, TextIO

import typer

JsonFlag = Annotated[bool, typer.Option("--json", help="One JSON object on standard output, nothing else.")]
OverwriteFlag = Annotated[bool, typer.Option("--overwrite", help="Replace what is already there.")]

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
    from gainkit.cli.plain import narrowed, screen

    print(screen(narrowed(text)), file=file, flush=file is None)


def grouped(run: Callable[..., None]) -> Callable[..., None]:
    """The same command, with a parameter that is a dataclass spread into its fields, each an option.

    Options that belong together stand in one table, are spelt once for all commands that have them, and are
    handed on as one object.
    """
    hints = typing.get_type_hints(run, include_extras=True)
    parameters, groups = [], {}
    for name, own in inspect.signature(run).parameters.items():
        if not dataclasses.is_dataclass(hints[name]):
            parameters.append(own.replace(kind=own.KEYWORD_ONLY, annotation=hints[name]))
            continue
        kind = typing.cast(type, hints[name])
        groups[name] = kind
        inner = typing.get_type_hints(kind, include_extras=True)
        for each in dataclasses.fields(kind):
            default = own.empty if each.default is dataclasses.MISSING else each.default
            parameters.append(
                inspect.Parameter(each.name, own.KEYWORD_ONLY, default=default, annotation=inner[each.name])
            )

    def command(**given: Any) -> None:
        built = {
            name: kind(**{each.name: given.pop(each.name) for each in dataclasses.fields(kind)})
            for name, kind in groups.items()
        }
        run(**given, **built)

    command.__name__, command.__doc__ = run.__name__, run.__doc__
    command.__annotations__ = {each.name: each.annotation for each in parameters} | {"return": None}
    command.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    return command
