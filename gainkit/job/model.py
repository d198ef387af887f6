"""How a job stands, as data: each output, the source, and the whole."""

from __future__ import annotations

from dataclasses import dataclass

from gainkit.job.faults import (
    same_position,
)
from gainkit.job.judgements import Level
from gainkit.remarks import Remark, Sentence
from gainkit.results import Result


@dataclass(frozen=True)
class LevelHistory:
    """The levels of one visit: as found and as left, each the first and last that counts; drift_db : as left
    against the visit before [dB], None where there is none."""

    visit: str
    found: Level | None
    left: Level | None
    drift_db: float | None


@dataclass(frozen=True)
class NoiseFigures:
    """What the last noise reading told. a_weighted_volts : None without calibration [V]. below_target_db : None
    without a target [dB]."""

    verdict: str
    a_weighted_volts: float | None
    below_target_db: float | None


@dataclass(frozen=True)
class ResponseFigures:
    """What the last response told. verdict : None where no sweep was found. low_corner_hz, high_corner_hz :
    3 dB under the passband [Hz], None where it reaches beyond what was recorded."""

    verdict: str | None
    low_corner_hz: float | None
    high_corner_hz: float | None


@dataclass(frozen=True)
class OutputStatus:
    """One output and what is known of it.

    verdict : one line for a person. met : left on target; False too where a miss was accepted, None when that
    is not measured. level : the last level reading. found : the first of the latest visit when it has at least
    two. onset_by_bend : the onset is one of distortion, at no rail. polarity : as last told. lacks : kinds of
    reading not there yet, or without an answer. remarks : faults that stand, and what else is to be known.
    """

    channel: str
    output: str | None
    name: str
    verdict: Sentence
    met: bool | None
    set_volts: float
    tone_hz: float
    tone_dbfs: float
    level: Level | None
    found: Level | None
    history: tuple[LevelHistory, ...]
    onset_dbfs: float | None
    onset_volts: float | None
    onset_by_bend: bool
    polarity: str | None
    expected_polarity: str
    trim_db: float | None
    knob: str | None
    noise: NoiseFigures | None
    response: ResponseFigures | None
    lacks: tuple[str, ...]
    remarks: tuple[Remark, ...]

    @property
    def faults(self) -> tuple[Remark, ...]:
        """The dangers and faults that stand."""
        return tuple(each for each in self.remarks if each.severity != "remark")

    @property
    def left_as_wished(self) -> bool:
        """On target, or off it as was accepted, and no fault stands."""
        return self.met is not None and not self.faults


@dataclass(frozen=True)
class SourceStatus:
    """The source's volume as measured (None: not measured) and as the system file has it."""

    highest_clean_position: str | None
    source_volts: float | None
    planned_position: str | None
    planned_volts: float | None

    @property
    def confirmed(self) -> bool:
        """Whether the position of the plan is the one that was measured."""
        measured, planned = self.highest_clean_position, self.planned_position
        return measured is not None and planned is not None and same_position(measured, planned)


@dataclass(frozen=True, repr=False)
class JobStatus(Result):
    """How a job stands.

    ok : every output was left on target and no fault or danger of any kind stands, but for those that were
    accepted with a reason. headline : the sentence on
    top of every page of it. problems : what concerns the car or the record as a whole. visits : by name, in
    order.
    """

    folder: str
    ok: bool
    headline: Sentence
    tolerance_db: float
    source: SourceStatus
    outputs: tuple[OutputStatus, ...]
    problems: tuple[Remark, ...]
    visits: tuple[str, ...]
