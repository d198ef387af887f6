"""What every command shares: the answer's two forms, and options that mean the same everywhere."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Annotated, Any

import typer

JsonFlag = Annotated[bool, typer.Option("--json", help="One JSON object on standard output, nothing else.")]
OverwriteFlag = Annotated[bool, typer.Option("--overwrite", help="Replace what is already there.")]


def show(result: Any, as_json: bool, text: Callable[[], str]) -> None:
    """Print a result: one JSON object, or the text made for a person (only built when asked for)."""
    if as_json:
        from gainkit.results import to_json

        print(to_json(result))
    else:
        print(text())


def remark(message: str) -> None:
    """A remark beside the answer (progress, where a file lies): standard error, so that pipes stay clean."""
    print(message, file=sys.stderr)
