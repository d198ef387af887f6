"""`gainkit quiz`: a worksheet for a class, with its answers apart."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show


class PaperName(StrEnum):
    """Papers to print on."""

    a4 = "a4"
    letter = "letter"


def register(app: typer.Typer) -> None:
    """Add `quiz` to the tree."""
    app.command("quiz")(quiz)


def quiz(
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")] = Path("quiz"),
    seed: Annotated[int, typer.Option("--seed", help="The same seed gives the same quiz.")] = 1,
    level: Annotated[int, typer.Option("--level", help="1 to 3, from easy to hard.")] = 1,
    count: Annotated[int, typer.Option("--count", help="Number of questions.")] = 10,
    paper: Annotated[PaperName, typer.Option("--paper", help="Paper to print on.")] = PaperName.a4,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Write a worksheet of random cars and recordings, and its answers in a folder apart.

    The class gets the folder `class`: open the worksheet in a browser and print it. The folder `teacher` holds
    the answers, by the calculator and the analysis, and how each recording was made.
    """
    from gainkit.cli.door import CLI
    from gainkit.quiz import write_quiz

    made = write_quiz(
        out, seed=seed, level=level, count=count, paper=paper.value, overwrite=overwrite, door=CLI
    )
    captures = f" and {len(made.captures)} recordings" if made.captures else ""
    show(
        made,
        json_,
        lambda: f"Wrote {made.worksheet}: {made.questions} questions{captures}.\nAnswers apart: {made.answers}",
    )
