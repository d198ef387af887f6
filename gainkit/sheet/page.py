"""A job's record as one HTML page: nothing fetched, every text escaped, pictures inside."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gainkit.analysis.thresholds import SEEN_OVER_FLOOR
from gainkit.errors import GainkitError
from gainkit.figures import plain, signed
from gainkit.files import refuse_existing, write_whole
from gainkit.job.judgements import Level
from gainkit.job.opening import OpenJob, judged_within, open_job
from gainkit.remarks import Remark, Sentence
from gainkit.results import Result
from gainkit.sheet.model import Sheet, sheet_of
from gainkit.words import Door, remark_text

if TYPE_CHECKING:
    from jinja2 import Environment

LONGEST_TEXT = 160
"""Texts of the system file are cut after so many characters on the page."""

LONGEST_SENTENCE = 900
"""Sentences are cut after so many characters: a headline names six outputs at most."""

UNIT = re.compile(r"(?<=\d) (?=(?:dBFS|dB|V|Hz|W|%)(?:\W|$))")
"""The blank between a figure and its unit: no line ends there."""

LEAST_PERCENT = 0.01
"""Distortion below this is of no interest on the page [%]."""


JOBS = {
    "find_clean_volume": "the measurement of the source's volume",
    "find_feed": "the sum for the power cable",
    "find_onset": "the measurement of the onset of clipping",
    "find_loads": "the sum for the coils' wiring",
    "start_job": "a new job's example",
}


class PageDoor(Door):
    """How a page for the customer and the shop names things: jobs by what they do."""

    def job(self, name: str) -> str:
        """One of the jobs, in words."""
        return JOBS.get(name, name.replace("_", " "))

    def parameter(self, name: str) -> str:
        """An argument, in words."""
        return name.replace("_", " ")


PAGE = PageDoor()

TEMPLATES = Path(__file__).parent


@dataclass(frozen=True, repr=False)
class SheetMade(Result):
    """What was written. ok, headline : as `job_status` has them. sheet : all that the page says."""

    file: str
    ok: bool
    headline: Sentence
    sheet: Sheet


def write_sheet(
    folder: str | Path, out: str | Path, *, tolerance_db: float | None = None, overwrite: bool = False
) -> SheetMade:
    """Write the as-left page of a job folder.

    Parameters
    ----------
    folder : str or Path
        Of the job.
    out : str or Path
        The page's file, .html.
    tolerance_db : float, optional
        A level within this of its target is on target; the system file's own when left out [dB].
    overwrite : bool
        Replace a file that is there.

    Returns
    -------
    SheetMade
        The file, the headline, and all that the page says.

    Raises
    ------
    GainkitError
        For a folder that is no job, a file that is there, and a name that is not .html.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate")
    ...     gainkit.write_sheet(job.folder, pathlib.Path(place) / "estate.html").ok
    False
    """
    page_file = Path(out)
    if page_file.suffix.lower() not in (".html", ".htm"):
        raise GainkitError("wrong_suffix", "out", page_file, [".html"])
    refuse_existing(page_file, overwrite)
    job = judged_within(open_job(Path(folder)), tolerance_db)
    sheet = sheet_of(job)
    write_whole(page_file, page_text(job, sheet), overwrite=overwrite)
    return SheetMade(str(page_file), sheet.ok, sheet.headline, sheet)


def page_text(job: OpenJob, sheet: Sheet) -> str:
    """The HTML text."""
    from gainkit.charts.style import inks
    from gainkit.sheet.pictures import job_photos, job_pictures

    template = _environment().get_template("page.html.j2")
    dark = "; ".join(f"--{name}: {colour}" for name, colour in inks("dark").items())
    pictures, photos = list(job_pictures(job)), job_photos(job.folder)
    return str(template.render(sheet=sheet, pictures=pictures, photos=photos, dark_inks=dark))


def cut(text: Any, most: int = LONGEST_TEXT) -> str:
    """A text of the user's, without control characters, and not longer than the page bears."""
    clean = "".join(each if each.isprintable() else " " for each in str(text))
    return clean if len(clean) <= most else clean[: most - 1] + "…"


def figure(digits: int, unit: str, sign: bool = False) -> Callable[[float | None], str]:
    """A filter that prints a number with its unit, and a dash for None."""

    def printed(number: float | None) -> str:
        if number is None:
            return "–"
        return f"{signed(number, digits, '+' if sign else '')}\u00a0{unit}"

    return printed


def distortion(level: Level | None) -> str:
    """THD, or that it lies below what the recording resolves."""
    if level is None or level.thd_percent is None:
        return "–"
    floor = max(SEEN_OVER_FLOOR * (level.thd_floor_percent or 0.0), LEAST_PERCENT)
    if level.thd_percent < floor:
        return f"<\u00a0{plain(floor, 2)}\u00a0%"
    return f"{plain(level.thd_percent, 2)}\u00a0%"


def said(remark: Remark | Sentence) -> str:
    """A sentence as the page says it: it names no option and no function."""
    return UNIT.sub("\u00a0", cut(remark_text(remark, PAGE), LONGEST_SENTENCE))


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {
        "volts": figure(2, "V"), "db": figure(1, "dB", sign=True), "db2": figure(2, "dB", sign=True),
        "decibels": figure(0, "dB"),
        "dbfs": figure(2, "dBFS"), "hz": figure(0, "Hz"), "watts": figure(0, "W"), "distortion": distortion,
        "cut": cut, "said": said, "plain": plain,
    }  # fmt: skip
    return environment
