"""The job in whose folder one stands, and what of it a command can use without being told."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

SYSTEM, RECORDER, STICK = "system.toml", "recorder.toml", "stick/index.json"
"""Where a job keeps its system file, its recorder's calibration and the index of its tones."""

DEEPEST = 2
"""Folders above the present one that are looked at: one may stand in the job's captures or stick."""


@dataclass(frozen=True)
class Here:
    """A job's folder and what lies in it; None for what does not."""

    folder: Path
    system: Path
    calibration: Path | None
    index: Path | None


def job_in(folder: Path) -> Here:
    """What a job's folder holds."""
    return Here(folder, folder / SYSTEM, _file(folder / RECORDER), _file(folder / STICK))


def job_here(start: Path = Path()) -> Here | None:
    """The job of the present folder or of one just above it; None where there is none."""
    for steps in range(DEEPEST + 1):
        folder = start.joinpath(*[".."] * steps)
        if (folder / SYSTEM).is_file():
            return job_in(folder)
    return None


def _file(path: Path) -> Path | None:
    return path if path.is_file() else None
