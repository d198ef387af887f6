"""`gainkit lesson`: a page to play with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show


def register(app: typer.Typer) -> None:
    """Add `lesson` to the tree."""
    app.command("lesson")(lesson)


def lesson(
    out: Annotated[Path, typer.Option("--out", help="Page to write.")] = Path("lesson.html"),
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Write a page to play with: gain, rail and overlap on sliders, with sound and ten tasks.

    One file that works from a stick, without a network. Its sound begins quiet and is capped.
    """
    from gainkit.lesson import write_lesson

    made = write_lesson(out, overwrite=overwrite)
    show(made, json_, lambda: f"Wrote {made.file}: open it in a browser. It sets {made.tasks} tasks.")
