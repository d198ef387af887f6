"""Where the things of a job lie in its folder, and the job in whose folder one stands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from gainkit.toneset.model import INDEX_FILE

SYSTEM_FILE, RECORD_FILE = "system.toml", "readings.jsonl"

DEEPEST = 2
"""Folders above the present one that are looked at: one may stand in the job's captures or stick."""


@dataclass(frozen=True)
class JobFolder:
    """A job's folder by the names of what is in it; `known_...` are None for what is not there yet."""

    folder: Path

    @property
    def system(self) -> Path:
        """The system file; a folder that has one is a job."""
        return self.folder / SYSTEM_FILE

    @property
    def is_job(self) -> bool:
        """Whether it is one."""
        return self.system.is_file()

    @property
    def record(self) -> Path:
        """The record of readings."""
        return self.folder / RECORD_FILE

    @property
    def calibration(self) -> Path:
        """The calibration of the recorder that the job is measured with."""
        return self.folder / "recorder.toml"

    @property
    def known_calibration(self) -> Path | None:
        """The calibration, once there is one."""
        return self.calibration if self.calibration.is_file() else None

    @property
    def stick(self) -> Path:
        """The folder that its tones are written to."""
        return self.folder / "stick"

    @property
    def index(self) -> Path:
        """The facts of its tones."""
        return self.stick / INDEX_FILE

    @property
    def known_index(self) -> Path | None:
        """Those facts, once the tones are written."""
        return self.index if self.index.is_file() else None

    @property
    def captures(self) -> Path:
        """The folder for recordings."""
        return self.folder / "captures"

    @property
    def charts(self) -> Path:
        """The folder for drawings."""
        return self.folder / "charts"


def job_here(start: Path = Path()) -> JobFolder | None:
    """The job of the present folder or of one just above it; None where there is none."""
    for steps in range(DEEPEST + 1):
        job = JobFolder(start.joinpath(*[".."] * steps))
        if job.is_job:
            return job
    return None
