"""Several jobs at a glance: one line for each job folder below a folder."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from gainkit.errors import GainkitError
from gainkit.job.opening import open_job
from gainkit.job.places import SYSTEM_FILE
from gainkit.job.standing import standing
from gainkit.remarks import Sentence

DEEPEST = 4
"""Folders below the one asked for that are looked into: year, month, customer, car (our choice) [-]."""


@dataclass(frozen=True)
class JobLine:
    """One job. ok : None where it cannot be read, and problem says why. last : when it was last written to."""

    folder: str
    title: str | None
    vehicle: str | None
    ok: bool | None
    headline: Sentence | None
    last: str | None
    problem: str | None = None


@dataclass(frozen=True)
class JobReport:
    """Every job below a folder, by the folder's name."""

    folder: str
    jobs: tuple[JobLine, ...]


def report_jobs(folder: str | Path) -> JobReport:
    """One line a job below a folder; a job that cannot be read costs its own line only.

    Parameters
    ----------
    folder : str or Path
        That holds job folders.

    Returns
    -------
    JobReport
        A line a job, with its headline.

    Raises
    ------
    GainkitError
        `not_a_folder` and `no_jobs_below`.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate")
    ...     [each.ok for each in gainkit.report_jobs(place).jobs]
    [False]
    """
    top = Path(folder)
    if not top.is_dir():
        raise GainkitError("not_a_folder", "folder", str(top))
    jobs = tuple(_line(each) for each in sorted(_jobs_below(top)))
    if not jobs:
        raise GainkitError("no_jobs_below", "folder", str(top))
    return JobReport(str(top), jobs)


def _jobs_below(top: Path) -> Iterator[Path]:
    for place, below, files in os.walk(top):
        here = Path(place)
        if len(here.relative_to(top).parts) >= DEEPEST:
            below.clear()
        if SYSTEM_FILE in files:
            below.clear()  # a job holds no jobs
            yield here


def _line(folder: Path) -> JobLine:
    try:
        job = open_job(folder)
        status = standing(job)
    except GainkitError as wrong:
        return JobLine(str(folder), None, None, None, None, None, wrong.code)
    last = job.readings[-1].when if job.readings else None
    return JobLine(str(folder), job.system.job.title, job.system.job.vehicle, status.ok, status.headline, last)
