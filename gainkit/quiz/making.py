"""The quiz: questions drawn by a seed, a worksheet for the class and its answers in a folder apart."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Literal

from gainkit.calculator.ranges import Range, refuse_outside
from gainkit.errors import GainkitError
from gainkit.files import refuse_existing, write_whole
from gainkit.quiz.captures import recording
from gainkit.quiz.model import Answer
from gainkit.quiz.pages import PAPERS, answer_page, worksheet_page
from gainkit.quiz.sums import KINDS
from gainkit.results import Result, to_json
from gainkit.words import PYTHON, Door

Paper = Literal["a4", "letter"]

LEVEL = Range("", 1, 3, low_allowed=True, whole=True)
COUNT = Range("", 1, 60, low_allowed=True, whole=True)
SEED = Range("", 0, 1_000_000_000, low_allowed=True, whole=True)

EVERY_RECORDING = 3
"""From level 2 on every third question is about a recording [-]."""


@dataclass(frozen=True, repr=False)
class QuizMade(Result):
    """What was written: files and folders by their names, and what it was drawn from."""

    folder: str
    worksheet: str
    answers: str
    captures: tuple[str, ...]
    seed: int
    level: int
    questions: int


def write_quiz(
    folder: str | Path,
    *,
    seed: int = 1,
    level: int = 1,
    count: int = 10,
    paper: str = "a4",
    overwrite: bool = False,
    door: Door = PYTHON,
) -> QuizMade:
    """Write a worksheet for a class, its recordings, and the answers in a folder apart.

    Parameters
    ----------
    folder : str or Path
        To write into: `class/` with worksheet and recordings, `teacher/` with answers and the truth.
    seed : int
        The same seed, level and count give the same quiz.
    level : int
        1: volts, watts and decibels; 2: gain, headroom and recordings; 3: meters, feeds, music, faults.
    count : int
        Questions, 1 to 60.
    paper : str
        "a4" or "letter", for printing.
    overwrite : bool
        Replace a quiz that is there.
    door : Door
        How the pages name the jobs.

    Returns
    -------
    QuizMade
        Names of what was written.

    Raises
    ------
    GainkitError
        `outside_range` and `not_one_of` for options, `file_exists` where a quiz is there.

    References
    ----------
    Answers come from the calculator and, for recordings, from the analysis of the written file.

    Examples
    --------
    >>> import gainkit, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     gainkit.write_quiz(folder, seed=7, count=3).questions
    3
    """
    for name, value, known in (("level", level, LEVEL), ("count", count, COUNT), ("seed", seed, SEED)):
        refuse_outside(name, value, known, needed=True)
    if paper not in PAPERS:
        raise GainkitError("not_one_of", "paper", paper, tuple(PAPERS))
    place = Path(folder)
    worksheet, answers = place / "class" / "worksheet.html", place / "teacher" / "answers.html"
    for path in (worksheet, answers):
        path.parent.mkdir(parents=True, exist_ok=True)
        refuse_existing(path, overwrite)
    questions = draw_questions(seed, level, count, worksheet.parent)
    write_whole(worksheet, worksheet_page(questions, seed, level, paper, door), overwrite=overwrite)
    write_whole(answers, answer_page(questions, seed, level, paper, door), overwrite=overwrite)
    write_whole(answers.with_name("truth.json"), to_json(list(questions)) + "\n", overwrite=overwrite)
    captures = tuple(each.capture for each in questions if each.capture is not None)
    return QuizMade(str(place), str(worksheet), str(answers), captures, seed, level, len(questions))


def draw_questions(seed: int, level: int, count: int, folder: Path) -> list[Answer]:
    """The questions in order; recordings are written into the folder. No two are alike."""
    chance = Random(f"{seed} {level}")
    questions: list[Answer] = []
    kinds = list(KINDS[level])
    chance.shuffle(kinds)
    texts: set[str] = set()
    while len(questions) < count:
        number = len(questions) + 1
        if level > 1 and number % EVERY_RECORDING == 0:
            drawn = recording(chance, level, folder, f"q{number:02d}.wav")
        else:
            drawn = replace(kinds[number % len(kinds)](chance), level=level)
            if drawn.text in texts:
                continue
        texts.add(drawn.text)
        questions.append(drawn)
    return questions
