"""The answer for one channel: what to set, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gainkit.remarks import Remark
from gainkit.results import Result


@dataclass(frozen=True, repr=False)
class Target(Result):
    """What follows from a `Channel`; None where something it needs is not known. Volts are rms.

    limited_by : "amplifier" or "speaker". tone_watts : what the setting tone would put into the load [W].
    half_load_ohms : what each half of a bridged pair sees [ohm]. set_plus_minus_volts : see
    `targets.plus_minus_volts`. cautions : in the order of harm. All other fields: see the functions of
    `targets` that bear their names.
    """

    clip_volts: float
    clip_watts: float
    speaker_limit_volts: float | None
    limited_by: Literal["amplifier", "speaker"]
    target_volts: float
    target_watts: float
    tone_dbfs: float
    overlap_db: float
    margin_db: float
    set_volts: float
    headroom_db: float
    source_volts: float | None
    gain_db: float | None
    sensitivity_volts: float | None
    cautions: tuple[Remark, ...]
    load_ohms: float
    half_load_ohms: float | None
    tone_watts: float
    set_plus_minus_volts: float | None
