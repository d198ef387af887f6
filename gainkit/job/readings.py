"""readings.jsonl: one whole line a reading, only ever appended, flushed to the device before anyone goes on."""

from __future__ import annotations

import datetime
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.results import to_plain

FILE = "readings.jsonl"


@dataclass(frozen=True)
class Reading:
    """One line of the record. when : ISO date and time. kind : the command. channel : its name, or None.

    result : the JSON object that the command gave. captures : names of the files it came from.
    """

    when: str
    kind: str
    channel: str | None
    result: dict[str, Any]
    captures: tuple[str, ...]


def check_job(folder: Path) -> None:
    """Raise GainkitError when a folder is no job."""
    if not (folder / "system.toml").is_file():
        raise GainkitError(f"{folder} is not a job folder.", f"Start one with `gainkit job new {folder}`.")


def log_reading(job: Path, kind: str, channel: str | None, result: Any, captures: Sequence[Path]) -> None:
    """Append a reading to a job folder.

    A line that an earlier run left torn is closed first, so that it costs itself and nothing else. Raises
    GainkitError when the folder is no job.
    """
    check_job(job)
    line = json.dumps(
        {
            "when": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
            "kind": kind,
            "channel": channel,
            "captures": [str(path) for path in captures],
            "result": to_plain(result),
        },
        ensure_ascii=False,
        allow_nan=False,
    )
    with open(job / FILE, "ab+") as record:
        size = record.seek(0, os.SEEK_END)
        torn = False
        if size:
            record.seek(size - 1)
            torn = record.read(1) != b"\n"
        record.write(("\n" if torn else "").encode() + line.encode() + b"\n")
        record.flush()
        os.fsync(record.fileno())


def read_readings(job: Path) -> tuple[list[Reading], list[str]]:
    """All readings of a job in order, and what could not be read (torn lines), for a person."""
    path = job / FILE
    if not path.is_file():
        return [], []
    readings: list[Reading] = []
    problems: list[str] = []
    for number, line in enumerate(path.read_bytes().split(b"\n"), start=1):
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
            reading = Reading(
                when=str(entry["when"]),
                kind=str(entry["kind"]),
                channel=None if entry["channel"] is None else str(entry["channel"]),
                result=dict(entry["result"]),
                captures=tuple(str(name) for name in entry["captures"]),
            )
        except (ValueError, KeyError, TypeError):
            problems.append(
                f"{path}, line {number}: not a whole reading (cut off while it was written?); left out."
            )
            continue
        readings.append(reading)
    return readings, problems
