"""The page of `gainkit --help`: commands in the order of the job, each with its whole first sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import typer

STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Be guided through the job", ("bench",)),
    ("Plan the car", ("job", "plan", "target", "load", "feed", "trim")),
    ("Prepare tones and recorder", ("tones", "pad", "meter", "calibrate")),
    ("Set source and gain", ("volume", "measure", "live", "onset")),
    ("Check loudspeakers and chain", ("polarity", "routing", "match", "response", "noise")),
    ("Hand over", ("note", "chart", "sheet")),
    ("Learn", ("demo", "guide", "lesson", "quiz")),
)
"""Steps of the job and their commands; one that stands in none is shown under Further."""

ABOUT = "Test tones, measurements and arithmetic for setting amplifier gain in a car."


def help_page(app: typer.Typer) -> str:
    """All commands by the step of the job."""
    from gainkit.cli.plain import sections, wrapped

    about = summaries(app)
    placed = {name for _, names in STEPS for name in names}
    further = ("Further", tuple(sorted(about.keys() - placed)))
    longest = max(map(len, about))
    parts = []
    for title, names in (*STEPS, further):
        there = [name for name in names if name in about]
        lines = [wrapped(about[name], f"  {name:<{longest}}  ", " " * (longest + 4)) for name in there]
        if lines:
            parts.append("\n".join([title, *lines]))
    return sections(
        "Usage: gainkit COMMAND ...",
        wrapped(ABOUT, "", ""),
        *parts,
        wrapped("'gainkit help COMMAND' tells what a command takes; 'gainkit version' the version.", "", ""),
    )


def summaries(app: typer.Typer) -> dict[str, str]:
    """The first sentence of every command by its name."""
    import inspect

    found = {}
    for command in app.registered_commands:
        name = str(command.name or getattr(command.callback, "__name__", ""))
        found[name] = command.help or inspect.getdoc(command.callback) or ""
    for group in app.registered_groups:
        told = group.help or (group.typer_instance.info.help if group.typer_instance is not None else "")
        found[str(group.name)] = told if isinstance(told, str) else ""
    return {name: first_sentence(text) for name, text in found.items()}


def first_sentence(text: str) -> str:
    """Up to the first empty line, on one line."""
    return " ".join(text.split("\n\n")[0].split())
