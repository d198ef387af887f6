"""The record as a list: every reading with its key figures, whether it counts or not."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.analysis.clean import waveform_state
from gainkit.analysis.model import Measurement
from gainkit.figures import level_unit, plain
from gainkit.job.readings import Reading, read_readings
from gainkit.job.record import check_job
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
from gainkit.noise import NoiseResult
from gainkit.onset import OnsetResult
from gainkit.polarity import PolarityPair, PolarityResult
from gainkit.remarks import Remark
from gainkit.response import Response
from gainkit.routing import RoutingResult
from gainkit.volume import VolumeResult


@dataclass(frozen=True)
class ListedReading:
    """One line of the list. figures : what it told, in a few words. void_reason : None where it counts."""

    number: int
    when: str
    outputs: tuple[str, ...]
    kind: str
    figures: str
    who: str | None
    origin: str
    visit: str
    counts: bool
    void_reason: str | None
    captures: tuple[str, ...]


@dataclass(frozen=True)
class ReadingList:
    """readings : in the order of the record. problems : lines that could not be read."""

    folder: str
    readings: tuple[ListedReading, ...]
    problems: tuple[Remark, ...]


def list_readings(folder: str | Path) -> ReadingList:
    """Every reading of a job, whether it counts or not.

    Parameters
    ----------
    folder : str or Path
        Of the job.

    Returns
    -------
    ReadingList
        The readings in the order of the record, and lines of it that could not be read.

    Raises
    ------
    GainkitError
        For a folder that is no job.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     job = gainkit.start_job(pathlib.Path(place) / "estate").folder
    ...     noted = gainkit.note_typed(job, "Front/left", gainkit.TypedLevel(volts=16.5))
    ...     gainkit.list_readings(job).readings[0].figures
    '16.5 V by meter'
    """
    job = Path(folder)
    check_job(job)
    readings, problems = read_readings(job)
    return ReadingList(str(job), tuple(_listed(each) for each in readings), tuple(problems))


def _listed(reading: Reading) -> ListedReading:
    return ListedReading(
        number=reading.number,
        when=reading.when,
        outputs=reading.outputs,
        kind=reading.kind,
        figures=key_figures(reading.result),
        who=reading.who,
        origin=reading.origin,
        visit=reading.visit,
        counts=reading.counts,
        void_reason=reading.void_reason,
        captures=tuple(each.file for each in reading.captures),
    )


def key_figures(result: Any) -> str:
    """What a reading told, in a few words with units."""
    match result:
        case Measurement():
            unit = level_unit(result.calibrated)
            return f"{plain(result.rms_volts, 4)} {unit}, {waveform_state(result) or 'not judged'}"
        case TypedLevel():
            parts = [] if result.volts is None else [f"{plain(result.volts, 4)} V by meter"]
            parts += [] if result.dc_volts is None else [f"DC {plain(result.dc_volts, 3)} V"]
            return ", ".join(parts)
        case OnsetResult():
            distorted = ", distorted" if result.by_bend or result.distorted_dbfs else ""
            onset = "no onset" if result.onset_dbfs is None else f"onset {result.onset_dbfs:z.2f} dBFS"
            if result.onset_dbfs is None and result.held_dbfs is not None:
                onset = f"onset not known, held from {result.held_dbfs:z.2f} dBFS"
            return onset + distorted
        case VolumeResult():
            return f"highest clean position {result.highest_clean_position}"
        case PolarityResult() | TypedPolarity():
            return str(result.polarity)
        case PolarityPair():
            return str(result.relation)
        case MatchResult():
            return f"{len(result.captures)} captures"
        case NoiseResult():
            under = result.below_target_db
            return result.verdict + ("" if under is None else f", {under:z.0f} dB under the target")
        case Response():
            return result.verdict or "no sweep found"
        case RoutingResult():
            return "correct" if result.ok else "wrong" if result.judged else "not judged"
        case Knob():
            return result.position
        case SupplyReading():
            return f"{plain(result.volts, 4)} V at the {result.at}, {result.state}"
        case FreeText():
            return result.text
        case Acceptance():
            return f"{result.accepted}: {result.reason}"
        case Confirmed():
            return result.confirmed.replace("_", " ")
        case Void():
            return f"voids {result.voided}: {result.reason}"
        case Visit():
            return result.name
    return ""
