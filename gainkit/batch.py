"""Many captures, one question: each file for itself, over as many processes as wanted.

`measure_file` takes and gives plain frozen data and keeps no state, so any engine that maps a function over a
list can run it: the standard library's pools here, others elsewhere (DEVELOPERS.md).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.capture import Capture, read_capture
from gainkit.errors import GainkitError

SUFFIXES = frozenset({".wav", ".flac", ".aif", ".aiff", ".caf", ".csv", ".tsv", ".txt"})
"""What is taken for a capture when a folder is given."""

AHEAD = 4
"""Files handed out per process before their answers are fetched: memory does not grow with their number [-]."""


@dataclass(frozen=True)
class Question:
    """One file and how it is to be read and measured; see `capture.read_capture` and `MeasureOptions`."""

    path: Path
    options: MeasureOptions = field(default_factory=MeasureOptions)
    full_scale_volts: float | None = None
    calibration: Path | None = None
    interval_seconds: float | None = None


@dataclass(frozen=True)
class FileAnswer:
    """What a file gave: a measurement, or the fault that was met; the other is None."""

    file: str
    measurement: Measurement | None
    fault: GainkitError | None = None


def opened(question: Question) -> Capture:
    """The capture, read as asked. Raises GainkitError for a file that is none."""
    return read_capture(
        question.path,
        full_scale_volts=question.full_scale_volts,
        calibration=question.calibration,
        interval_seconds=question.interval_seconds,
    )


def measure_file(question: Question) -> FileAnswer:
    """Measure one file, and never raise for what is wrong with it: it must not cost the others their answer.

    Parameters
    ----------
    question : Question
        The file, how to read it and what to measure.

    Returns
    -------
    FileAnswer
        The measurement, or the fault of a file that cannot be read or measured.

    Examples
    --------
    >>> answer = measure_file(Question(Path("not there.wav")))
    >>> answer.measurement is None, isinstance(answer.fault, GainkitError)
    (True, True)
    """
    try:
        return FileAnswer(str(question.path), measure(opened(question), question.options))
    except GainkitError as fault:
        return FileAnswer(str(question.path), None, fault)


def measure_files(questions: Sequence[Question], jobs: int = 1) -> Iterator[FileAnswer]:
    """Answers in the order of the questions, from so many processes.

    Numerical libraries should be held to one thread each (OPENBLAS_NUM_THREADS=1, as the command line does):
    else the processes' threads wait for each other.
    """
    if jobs <= 1 or len(questions) < 2:
        yield from map(measure_file, questions)
        return
    import multiprocessing
    from collections import deque
    from concurrent.futures import Future, ProcessPoolExecutor

    todo = iter(questions)
    # spawned, not forked: threads of numerical libraries do not survive a fork
    with ProcessPoolExecutor(min(jobs, len(questions)), multiprocessing.get_context("spawn")) as pool:
        waiting: deque[Future[FileAnswer]] = deque(
            pool.submit(measure_file, question) for question in islice(todo, AHEAD * jobs)
        )
        while waiting:
            answer = waiting.popleft().result()
            waiting.extend(pool.submit(measure_file, question) for question in islice(todo, 1))
            yield answer


def captures_in(paths: Sequence[Path]) -> list[Path]:
    """Files as given; a folder stands for the captures in it by name. Raises GainkitError for an empty one."""
    files: list[Path] = []
    for path in paths:
        if not path.is_dir():
            files.append(path)
            continue
        captures = sorted(entry for entry in path.iterdir() if entry.suffix.lower() in SUFFIXES)
        if not captures:
            raise GainkitError("no_captures_in_folder", allowed=sorted(SUFFIXES), folder=str(path))
        files += captures
    return files
