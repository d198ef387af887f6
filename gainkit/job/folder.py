"""A new job's folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from gainkit.errors import GainkitError
from gainkit.files import write_whole
from gainkit.job.places import JobFolder
from gainkit.job.system import load_system
from gainkit.results import Result

EXAMPLE = Path(__file__).parent / "example_system.toml"
HEAD = """\
# The system of this job. EVERY FIGURE BELOW IS AN EXAMPLE: replace it by what stands on the plates and
# pages of this car, take away the channels that are not there, then plan the car.
#
"""


@dataclass(frozen=True, repr=False)
class NewJob(Result):
    """What was made."""

    folder: str
    system: str
    places: tuple[str, ...]


def start_job(folder: str | Path, system: str | Path | None = None) -> NewJob:
    """Start a job folder with a commented system.toml, or with a copy of a system file that is whole.

    Parameters
    ----------
    folder : str or Path
        To be made; where it is there, it must be empty.
    system : str or Path, optional
        System file to start from; a commented example when left out.

    Returns
    -------
    NewJob
        The folder, its system file, and the places for captures and charts.

    Raises
    ------
    GainkitError
        When the folder holds anything: nothing of the user's is touched.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     made = gainkit.start_job(pathlib.Path(place) / "estate")
    ...     pathlib.Path(made.system).name
    'system.toml'
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise GainkitError("folder_not_empty", "folder", str(folder))
    if system is None:
        text = HEAD + EXAMPLE.read_text(encoding="utf-8")
    else:
        load_system(system)
        text = Path(system).read_text(encoding="utf-8-sig")
    job = JobFolder(folder)
    places = (job.captures, job.charts)
    for place in places:
        place.mkdir(parents=True, exist_ok=True)
    write_whole(job.system, text)
    return NewJob(str(folder), str(job.system), tuple(place.name for place in places))
