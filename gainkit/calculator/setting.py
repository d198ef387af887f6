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
    half_load_ohms : what each half of a bridged pair sees [ohm]. set_uncertainty_volts : see
    `targets.uncertainty_volts`; guard_band_volts : what was taken off set_volts for it. cautions : in the order
    of harm. tone_hz : of the setting tone [Hz]. full_scale_volts, full_scale_watts : what a 0 dBFS sine puts
    into the load at the gain set, cut where the amplifier clips. speaker_over_db : that over the loudspeaker's
    continuous limit [dB], negative below it. average_watts : what programme with crest_factor_db, whose peaks
    are full scale, puts in on average through the channel's filters [W]. most_clip_volts : between two ratings
    the upper bound on the onset of clipping, clip_volts being the lower. All other fields: see the functions of
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
    set_uncertainty_volts: float | None
    guard_band_volts: float | None
    tone_hz: float
    full_scale_volts: float
    full_scale_watts: float
    speaker_over_db: float | None
    average_watts: float
    crest_factor_db: float
    most_clip_volts: float | None
