"""The command tree. Only typer and the standard library are imported here: every command must start quickly.

Typer reads the signature of every command before it runs one: only the module that was asked for is loaded.
"""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Sequence
from typing import Annotated

import typer

from gainkit.cli.help import first_sentence

ROOMS = (
    "target", "plan", "tones", "measure", "calibrate", "onset", "volume", "polarity", "routing", "match",
    "response", "noise", "load", "pad", "feed", "meter", "trim", "charts", "job", "note", "live", "guided",
    "demo", "guide", "lesson", "quiz",
)  # fmt: skip
"""Modules with commands, in the order of the job; each is loaded when it is asked for, or all of them are."""

ROOM_OF = {"chart": "charts", "sheet": "job", "bench": "guided"}
"""Commands whose module has another name."""


def command_tree(arguments: Sequence[str]) -> typer.Typer:
    """The application for one command line: all names, and in full what its first word names."""
    app = typer.Typer(
        name="gainkit",
        context_settings={"help_option_names": ["-h", "--help"]},
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_options_of_all)
    wanted = next((word for word in arguments if not word.startswith("-")), None)
    only = ROOM_OF.get(wanted or "", wanted)
    for room in [only] if only in ROOMS else ROOMS:  # a slip needs all names, to find the nearest
        importlib.import_module(f"gainkit.cli.{room}").register(app)
    for command in app.registered_commands:
        name = command.name or getattr(command.callback, "__name__", "")
        if name != wanted:
            command.name, command.help = name, inspect.getdoc(command.callback)
            command.callback = _elsewhere
    for group in app.registered_groups:
        if group.typer_instance is None:
            continue
        if group.name != wanted:
            group.help = group.typer_instance.info.help
            group.typer_instance = typer.Typer()
        for command in group.typer_instance.registered_commands:  # in full: typer cuts what it shortens itself
            command.short_help = first_sentence(inspect.getdoc(command.callback) or "")
    return app


def _elsewhere() -> None:
    """Stands for a command that was not asked for."""


def _show_version(asked: bool) -> None:
    if asked:
        from gainkit import __version__

        print(f"gainkit {__version__}")
        raise typer.Exit


def _options_of_all(
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version and exit.", callback=_show_version, is_eager=True),
    ] = False,
) -> None:
    """Test tones, measurements and arithmetic for setting amplifier gain in a car."""
