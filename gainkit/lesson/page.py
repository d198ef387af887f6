"""The lesson's page, put together: its frame, the translated arithmetic, its script and the tasks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from importlib import resources
from pathlib import Path
from typing import Any

from gainkit.charts.style import PALETTES
from gainkit.files import write_whole
from gainkit.lesson import arithmetic
from gainkit.lesson.tasks import TASKS, Task
from gainkit.lesson.translate import javascript_of, js_name
from gainkit.results import Result

CAP_DB = 12.0
"""The sound's peaks stay this far below digital full scale [dB] (our choice): clipped and clean alike."""


@dataclass(frozen=True, repr=False)
class LessonMade(Result):
    """What was written. file : where it lies. tasks : how many it sets."""

    file: str
    tasks: int


def write_lesson(out: str | Path, *, overwrite: bool = False) -> LessonMade:
    """Write a page to play with: one file that works from a stick, without a network.

    Parameters
    ----------
    out : str or Path
        File to write, .html.
    overwrite : bool
        Replace a file that is there.

    Returns
    -------
    LessonMade
        Where it lies, and how many tasks it sets.

    Raises
    ------
    GainkitError
        `file_exists` and `folder_missing` where it cannot go.

    References
    ----------
    The page calculates by gainkit's own functions, translated: see `gainkit.lesson.translate`.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     gainkit.write_lesson(pathlib.Path(folder) / "lesson.html").tasks
    10
    """
    write_whole(Path(out), lesson_page(), overwrite=overwrite)
    return LessonMade(str(out), len(TASKS))


def lesson_page() -> str:
    """The whole page; nothing in it is fetched from elsewhere."""
    functions: list[Callable[..., Any]] = [arithmetic.figures, arithmetic.harmonic_db]
    functions += (task.done for task in TASKS)
    room = resources.files("gainkit.lesson")
    page = (room / "page.html").read_text(encoding="utf-8")
    values = {
        "TASKS": "\n".join(map(_task, TASKS)),
        "ARITHMETIC": javascript_of(functions),
        "CREST_DB": repr(arithmetic.CREST_DB),
        "CAP": repr(10 ** (-CAP_DB / 20)),
        "CAP_DB": f"{CAP_DB:g}",
        "TASK_FUNCTIONS": f"[{', '.join(js_name(task.done) for task in TASKS)}]",
        "FIGURES": js_name(arithmetic.figures),
        "HARMONIC_DB": js_name(arithmetic.harmonic_db),
        "SCRIPT": (room / "page.js").read_text(encoding="utf-8"),
    }
    for theme, palette in PALETTES.items():
        names = ("ONE", "TWO", "THREE")
        colours = dict(zip(names, palette.lines, strict=True))
        colours |= {
            "GROUND": palette.ground,
            "INK": palette.ink,
            "FAINT": palette.faint,
            "SHADE": palette.shade[1],
        }
        values |= {f"{theme.upper()}_{name}": colour for name, colour in colours.items()}
    for name, value in values.items():
        page = page.replace(f"@{name}@", value)
    return page


def _task(task: Task) -> str:
    """One task as an item of the list."""
    return (
        f'<li data-watch="{" ".join(task.watch)}"><span class="mark"></span>'
        f"<b>{escape(task.title)}</b><p>{escape(task.text)}</p>"
        f"<details><summary>Hint</summary>{escape(task.hint)}</details>"
        f'<p class="shows">{escape(task.shows)}</p></li>'
    )
