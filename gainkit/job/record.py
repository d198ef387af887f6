"""readings.jsonl: the record of a job, one whole line an event, only ever appended and flushed.

Every line has a number, its place in the file. Nothing is deleted or changed: a reading is voided by a later
line. Two processes may append at once; a line that was cut off while it was written costs itself and no other.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from gainkit.errors import GainkitError
from gainkit.job.places import RECORD_FILE, JobFolder
from gainkit.remarks import Remark, fault
from gainkit.results import NotThatResult, from_plain, to_plain
from gainkit.strict import json_from

Origin = Literal["capture", "live", "typed"]

LONGEST_LINE_BYTES = 5_000_000
"""A line longer than this is no reading of ours (our choice): it is left out and told [bytes]."""

LARGEST_RECORD_BYTES = 200_000_000
"""A record of a thousand staircases is smaller (our choice): a larger file is none of ours [bytes]."""

MOST_EVENTS, MOST_PROBLEMS = 100_000, 1_000
"""Lines of a record, and lines in it that are none (our choice): beyond them it is no record [-]."""


@dataclass(frozen=True)
class CaptureFile:
    """A file that a reading came from. sha256 : of its content, None where the record does not hold it."""

    file: str
    sha256: str | None = None


@dataclass(frozen=True)
class PlanFigures:
    """The plan's figures that a reading was judged by, as they were when it was taken."""

    set_volts: float
    tone_hz: float
    tone_dbfs: float
    overlap_db: float
    tolerance_db: float
    limit_thd_percent: float
    expected_polarity: str


@dataclass(frozen=True)
class Event:
    """One line of the record.

    number : its place, from 1. when : ISO date and time. kind : what was read or done. outputs : full names of
    the outputs it concerns, none for the car as a whole. who : technician. origin : from a capture, live, or
    typed from a meter. plan : figures it was judged by; None for lines that judge nothing and for earlier
    versions' lines. result : plain values.
    """

    number: int
    when: str
    kind: str
    outputs: tuple[str, ...] = ()
    who: str | None = None
    origin: Origin = "capture"
    captures: tuple[CaptureFile, ...] = ()
    plan: PlanFigures | None = None
    result: Mapping[str, Any] | None = None


def check_job(folder: Path) -> None:
    """Raise GainkitError when a folder is no job."""
    if not JobFolder(folder).is_job:
        raise GainkitError("no_job", "job", str(folder))


def append_event(
    job: Path,
    kind: str,
    outputs: Sequence[str],
    result: Any,
    *,
    captures: Sequence[Path] = (),
    origin: Origin = "capture",
    who: str | None = None,
    plan: PlanFigures | None = None,
) -> Event:
    """Append one line and return it with its number. Raises GainkitError when the folder is no job.

    Where the device is full the line is taken back whole and the error of the device raised; a line that would
    not be read again is refused (`reading_too_long`).
    """
    check_job(job)
    facts = {
        "when": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        "kind": kind,
        "outputs": list(outputs),
        "who": who,
        "origin": origin,
        "captures": [to_plain(CaptureFile(str(path), file_sha256(path))) for path in captures],
        "plan": to_plain(plan),
        "result": to_plain(result),
    }
    line = json.dumps(facts, ensure_ascii=False, allow_nan=False).encode("utf-8", "backslashreplace")
    if len(line) > LONGEST_LINE_BYTES:
        raise GainkitError("reading_too_long", None, len(line), most=LONGEST_LINE_BYTES)
    with open(JobFolder(job).record, "ab+", buffering=0) as record, _locked(record):
        number = _append_line(record, line)
    return _event(facts, number)


def _append_line(record: Any, line: bytes) -> int:
    """Write one line at the end, closing a torn one first; returns its number."""
    size = record.seek(0, os.SEEK_END)
    record.seek(0)
    before = 0
    last = b"\n"
    while block := record.read(1 << 20):
        before += block.count(b"\n")
        last = block[-1:]
    torn = last != b"\n"
    left = memoryview((b"\n" if torn else b"") + line + b"\n")
    try:
        while left:
            left = left[record.write(left) :]
        os.fsync(record.fileno())
    except OSError:
        record.truncate(size)  # a full device must not leave half a line
        raise
    return before + torn + 1


@contextlib.contextmanager
def _locked(file: Any) -> Iterator[None]:
    """Hold the file against other processes that append, for the moment of one line."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        locking: Any = msvcrt
        place = (
            1 << 31
        ) - 16  # beyond any content: readers are not held up; a place that every runtime can lock
        file.seek(place)
        locking.locking(file.fileno(), locking.LK_LOCK, 1)
        try:
            yield
        finally:
            file.seek(place)
            locking.locking(file.fileno(), locking.LK_UNLCK, 1)
        return
    fcntl.flock(file, fcntl.LOCK_EX)
    try:
        yield
    finally:
        fcntl.flock(file, fcntl.LOCK_UN)


def file_sha256(path: Path) -> str | None:
    """SHA-256 of a file's content; None for one that cannot be read."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def read_events(job: Path) -> tuple[list[Event], list[Remark]]:
    """All events of a job in order, and what could not be read of its record.

    Raises GainkitError for a file that is no record: too large, too many lines, or too many that are none.
    """
    path = JobFolder(job).record
    if not path.is_file():
        return [], []
    events: list[Event] = []
    problems: list[Remark] = []
    if path.stat().st_size > LARGEST_RECORD_BYTES:
        raise GainkitError("record_too_large", file=RECORD_FILE, most_mb=LARGEST_RECORD_BYTES / 1e6).within(
            "file", job
        )
    for number, line in enumerate(_lines(path), start=1):
        if not line.strip():
            continue
        try:
            if len(line) > LONGEST_LINE_BYTES:
                raise ValueError("too long")
            events.append(_event(json_from(line), number))
        except (ValueError, KeyError, TypeError, AttributeError):
            problems.append(fault("line_not_whole", file=RECORD_FILE, line=number))
        if len(events) > MOST_EVENTS or len(problems) > MOST_PROBLEMS:
            raise GainkitError(
                "record_not_ours", file=RECORD_FILE, lines=len(events), wrong=len(problems)
            ).within("file", job)
    return events, problems


def _lines(path: Path) -> Iterator[bytes]:
    """The record's lines; of one that is longer than any of ours no more than shows that it is."""
    with open(path, "rb") as file:
        while line := file.readline(LONGEST_LINE_BYTES + 2):
            rest = line
            while rest and not rest.endswith(b"\n"):
                rest = file.readline(LONGEST_LINE_BYTES)
            yield line.rstrip(b"\n")


def _event(facts: dict[str, Any], number: int) -> Event:
    """An event from its line; lines of the version before outputs had a channel and plain file names."""
    facts = dict(facts)
    if "outputs" not in facts:
        channel = facts.pop("channel", None)
        facts["outputs"] = [] if channel is None else [channel]
    facts["captures"] = [
        {"file": each, "sha256": None} if isinstance(each, str) else each for each in facts.get("captures", [])
    ]
    facts.setdefault("origin", "capture")
    facts["number"] = number
    try:
        return from_plain(Event, facts)
    except NotThatResult as wrong:
        raise ValueError(str(wrong)) from wrong
