"""What a comparison of levels tells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gainkit.remarks import Remark
from gainkit.results import Result

Weighting = Literal["Z", "A"]


@dataclass(frozen=True)
class BandLevel:
    """level_db : re 1 V rms when calibrated, else re a full-scale sine [dB]. uncertainty_db : 95 %, from the
    finite average of noise [dB]."""

    center_hz: float
    level_db: float
    uncertainty_db: float


@dataclass(frozen=True)
class MatchedCapture:
    """level_db : total in the band and weighting asked for [dB]. trim_db : brings it to the reference [dB].

    uncertainty_db : 95 % half-width of the level; trim_uncertainty_db : of the trim, as if the two recordings
    held unrelated noise; None for the reference itself. Of the same minute of the same track it is less.
    """

    file: str
    level_db: float
    trim_db: float
    uncertainty_db: float
    trim_uncertainty_db: float | None
    z_weighted_db: float
    a_weighted_db: float
    seconds: float
    bands: tuple[BandLevel, ...]


@dataclass(frozen=True, repr=False)
class MatchResult(Result):
    """reference : file that the trims lead to. captures : in the order given."""

    reference: str
    captures: tuple[MatchedCapture, ...]
    calibrated: bool
    weighting: Weighting
    notes: tuple[Remark, ...]
