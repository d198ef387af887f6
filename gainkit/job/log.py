"""Writing to the record: readings with the figures they are judged by, typed ones, voids, visits."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from gainkit.analysis.model import Measurement
from gainkit.errors import GainkitError
from gainkit.job.opening import plan_figures
from gainkit.job.outputs import Output, find_output
from gainkit.job.places import JobFolder
from gainkit.job.plan import plan_system
from gainkit.job.readings import KINDS, OF_ONE_OUTPUT, Reading, read_readings
from gainkit.job.record import Event, Origin, append_event, check_job
from gainkit.job.system import load_system
from gainkit.job.typed import (
    Acceptance,
    Confirmed,
    FreeText,
    Knob,
    SupplyReading,
    TypedLevel,
    TypedPolarity,
    Visit,
    Void,
)
from gainkit.matching import MatchResult

TYPED_KINDS = {
    TypedLevel: "level",
    TypedPolarity: "polarity-typed",
    Knob: "knob",
    SupplyReading: "supply",
    FreeText: "text",
    Acceptance: "accept",
    Confirmed: "confirm",
}
"""The kind of line for each thing that can be typed."""

WITHOUT_OUTPUT = (SupplyReading, FreeText, Acceptance, Confirmed)
"""What may be noted for the car as a whole."""


def log_reading(
    job: str | Path,
    kind: str,
    for_output: str | Sequence[str] | None,
    result: Any,
    captures: Sequence[Path] = (),
    *,
    origin: Origin = "capture",
    who: str | None = None,
) -> Event:
    """Append a reading to a job's record.

    Parameters
    ----------
    job : str or Path
        Folder of the job.
    kind : str
        What it is a reading of: "measure", "onset", "volume", "polarity", ...
    for_output : str or sequence of str, optional
        The output that it belongs to ('Front/left'), several for a reading of several, None for the car.
    result : result of a job
        What was found.
    captures : sequence of Path
        Files that it was found in; their hashes are kept.
    origin : str
        Where it came from: "capture" when nothing else is said.
    who : str, optional
        Who read it; the technician of the system file when left out.

    Returns
    -------
    Event
        Its line in the record, which has its number.

    Raises
    ------
    GainkitError
        For a folder that is no job, an output that it does not have, a channel of several outputs, and for
        what the record could not judge (see `refuse_unloggable`).

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate")
    ...     reading = gainkit.measure(gainkit.simulate(seconds=0.2), system=job.system, for_output="Front/left")
    ...     gainkit.log_reading(job.folder, "measure", "Front/left", reading).number
    1
    """
    folder = Path(job)
    check_job(folder)
    system = load_system(JobFolder(folder).system)
    names = [for_output] if isinstance(for_output, str) else list(for_output or ())
    outputs = [find_output(system.outputs, name) for name in names]
    refuse_unloggable(kind, result, [each.name for each in outputs])
    figures = plan_figures(system, plan_system(system), outputs[0]) if outputs else None
    return append_event(
        folder,
        kind,
        [each.name for each in outputs],
        result,
        captures=captures,
        origin=origin,
        who=who or system.job.technician,
        plan=figures,
    )


def refuse_unloggable(kind: str, result: Any, outputs: Sequence[str]) -> None:
    """Raise GainkitError for a reading that the record could not judge.

    `not_that_kind`: the result is none of that kind. `output_missing`, `one_output_only`, `pair_of_two`,
    `one_output_a_capture`, `output_twice`: too few or too many outputs. `uncalibrated_reading`: a level that is
    not in volts.
    """
    if kind not in KINDS or not isinstance(result, KINDS[kind]):
        raise GainkitError("not_that_kind", "kind", kind, tuple(KINDS))
    refuse_outputs(kind, outputs, len(result.captures) if isinstance(result, MatchResult) else None)
    if isinstance(result, Measurement) and not result.calibrated:
        raise GainkitError("uncalibrated_reading")


def refuse_outputs(kind: str, outputs: Sequence[str], captures: int | None = None) -> None:
    """Raise GainkitError for too few or too many outputs of a reading; captures : of a match, where known."""
    if twice := next((each for each in outputs if outputs.count(each) > 1), None):
        raise GainkitError("output_twice", "for_output", twice)
    if kind in OF_ONE_OUTPUT and not outputs:
        raise GainkitError("output_missing", "for_output")
    if kind in OF_ONE_OUTPUT and len(outputs) > 1:
        raise GainkitError("one_output_only", "for_output", len(outputs))
    if kind == "polarity-pair" and len(outputs) != 2:
        raise GainkitError("pair_of_two", "for_output", len(outputs))
    if kind == "match" and captures is not None and len(outputs) not in (1, captures):
        raise GainkitError("one_output_a_capture", "for_output", len(outputs), captures=captures)


def note_typed(job: str | Path, for_output: str | None, typed: Any, *, who: str | None = None) -> Event:
    """Append a reading without a capture to a job's record.

    Parameters
    ----------
    job : str or Path
        Folder of the job.
    for_output : str, optional
        The output that it belongs to ('Front/left'); None for the supply, a text or an acceptance of the car.
    typed : TypedLevel, TypedPolarity, Knob, SupplyReading, FreeText or Acceptance
        What a meter, an ear or an eye told.
    who : str, optional
        Who read it; the technician of the system file when left out.

    Returns
    -------
    Event
        Its line in the record, which has its number.

    Raises
    ------
    GainkitError
        `missing` for a level, a polarity or a knob without an output, `not_that_kind` for what is none of the
        above, and what `log_reading` refuses.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate").folder
    ...     gainkit.note_typed(job, "Front/left", gainkit.TypedLevel(volts=16.5)).kind
    'level'
    """
    if type(typed) not in TYPED_KINDS:
        kinds = tuple(each.__name__ for each in TYPED_KINDS)
        raise GainkitError("not_that_kind", "typed", type(typed).__name__, kinds)
    if for_output is None and not isinstance(typed, WITHOUT_OUTPUT):
        raise GainkitError("missing", "for_output")
    return log_reading(job, TYPED_KINDS[type(typed)], for_output, typed, origin="typed", who=who)


def output_of(job: str | Path, name: str) -> Output:
    """The output of that name in a job, before anything is measured for it. Raises as `log_reading`."""
    check_job(Path(job))
    return find_output(load_system(JobFolder(Path(job)).system).outputs, name)


def void_reading(job: str | Path, number: int, reason: str, *, who: str | None = None) -> Event:
    """Append a line that voids another; the voided line stays.

    Parameters
    ----------
    job : str or Path
        Folder of the job.
    number : int
        The reading, by its number.
    reason : str
        Why it does not count.
    who : str, optional
        Who says so.

    Returns
    -------
    Event
        The new line.

    Raises
    ------
    GainkitError
        `no_such_reading` and `void_already`.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate").folder
    ...     noted = gainkit.note_typed(job, "Front/left", gainkit.TypedLevel(volts=1.65))
    ...     gainkit.void_reading(job, noted.number, "a point misread").number
    2
    """
    readings, _ = read_readings(Path(job))
    whole = isinstance(number, int) and not isinstance(number, bool)  # True == 1, and is no number of a line
    chosen = next((each for each in readings if whole and each.number == number), None)
    if chosen is None:
        raise GainkitError("no_such_reading", "number", number, last=readings[-1].number if readings else 0)
    if not chosen.counts:
        raise GainkitError("void_already", "number", number, reason=chosen.void_reason)
    return append_event(Path(job), "void", (), Void(number, reason), origin="typed", who=who)


def undo_last(job: str | Path, *, who: str | None = None) -> tuple[Event, Reading]:
    """Void the last line that counts and is no void itself.

    Parameters
    ----------
    job : str or Path
        Folder of the job.
    who : str, optional
        Who says so.

    Returns
    -------
    (Event, Reading)
        The new line, and the reading that it voids.

    Raises
    ------
    GainkitError
        `nothing_to_undo`.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate").folder
    ...     noted = gainkit.note_typed(job, None, gainkit.FreeText("keeps the spare wheel"))
    ...     gainkit.undo_last(job)[1].number
    1
    """
    readings, _ = read_readings(Path(job))
    last = next((each for each in reversed(readings) if each.counts and each.kind != "void"), None)
    if last is None:
        raise GainkitError("nothing_to_undo")
    return void_reading(job, last.number, "undone", who=who), last


def start_visit(job: str | Path, name: str, *, who: str | None = None) -> Event:
    """Begin a new visit: readings from here on belong to it.

    Parameters
    ----------
    job : str or Path
        Folder of the job.
    name : str
        Of the visit, such as 're-check'.
    who : str, optional
        Who says so.

    Returns
    -------
    Event
        The new line.

    Raises
    ------
    GainkitError
        `visit_there_already` for a name used already.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate").folder
    ...     gainkit.start_visit(job, "re-check").number
    1
    """
    readings, _ = read_readings(Path(job))
    if any(each.visit == name for each in readings):
        raise GainkitError("visit_there_already", "name", name)
    return append_event(Path(job), "visit", (), Visit(name), origin="typed", who=who)
