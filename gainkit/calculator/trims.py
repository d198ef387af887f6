"""Loudspeakers on a radio's built-in amplifier, and amplifiers fed from its loudspeaker outputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from gainkit.calculator.amplifier import built_in_limit_volts
from gainkit.calculator.ranges import DIFFERENCE_DB, LEVEL_DBFS, OHMS, SUPPLY_VOLTS, VOLTS, refuse_outside
from gainkit.levels import FloatOrArray, ratio_from_db, watts_from_volts
from gainkit.remarks import Remark, danger, fault, remark
from gainkit.results import Result

READING_SLACK = 1.005
"""An onset above the stage's own limit is told only beyond this [-]: a meter may be off by as much (our
choice)."""


def trim_db(source_clip_dbfs: FloatOrArray, main_clip_dbfs: FloatOrArray) -> FloatOrArray:
    """Change of the built-in channels' level so that they clip no earlier than the main ones [dB], 0 or less.

    source_clip_dbfs : recording level at which the built-in amplifier clips now; main_clip_dbfs : that at which
    the main amplifier clips, -overlap_db when its target is its own limit. min(0, source - main).
    """
    change = source_clip_dbfs - main_clip_dbfs
    if isinstance(change, (int, float)):
        return min(0.0, change)
    import numpy as np

    return cast(FloatOrArray, np.minimum(change, 0.0))


def full_scale_volts_from(clip_volts: FloatOrArray, clip_dbfs: FloatOrArray) -> FloatOrArray:
    """Volts that an output would have at 0 dBFS if it did not clip [V rms]: measured volts / 10^(level/20).

    This is the source_volts of an amplifier fed from loudspeaker outputs, from its onset of clipping or any
    clean reading at a known level.
    """
    volts: FloatOrArray = clip_volts / ratio_from_db(clip_dbfs)
    return volts


@dataclass(frozen=True, repr=False)
class Trim(Result):
    """How far the built-in channels come down.

    clip_dbfs_before, clip_dbfs_after : recording level at their onset of clipping [dBFS]. most_volts,
    most_watts : the supply's own limit for a bridge-tied stage; source_volts : output for 0 dBFS as things
    stand, unclipped [V rms]; both None where their inputs are not given.
    """

    trim_db: float
    clip_dbfs_before: float
    clip_dbfs_after: float
    main_clip_dbfs: float
    most_volts: float | None
    most_watts: float | None
    source_volts: float | None
    notes: tuple[Remark, ...]


def find_trim(
    source_clip_dbfs: float,
    main_clip_dbfs: float,
    *,
    supply_volts: float | None = None,
    load_ohms: float | None = None,
    clip_volts: float | None = None,
) -> Trim:
    """How far a radio's own loudspeaker channels come down, to clip no earlier than the main ones.

    Parameters
    ----------
    source_clip_dbfs : float
        Recording level at which the built-in amplifier clips now [dBFS].
    main_clip_dbfs : float
        Recording level at which the main channels clip: their margin less their overlap [dBFS].
    supply_volts, load_ohms : float, optional
        Supply [V] and the loudspeakers on it [ohm]: they add the stage's own limit.
    clip_volts : float, optional
        Its rms volts at the onset of clipping [V].

    Returns
    -------
    Trim
        `trim_db` is the change of the built-in channels' own level, 0 or less [dB].

    Raises
    ------
    GainkitError
        `outside_range` or `missing` for a figure that cannot be.

    References
    ----------
    Definitions of dBFS (AES17); a bridge-tied stage swings between zero and its supply.

    Examples
    --------
    >>> find_trim(-12, -5).trim_db
    -7.0
    """
    refuse_outside("source_clip_dbfs", source_clip_dbfs, LEVEL_DBFS, needed=True)
    refuse_outside("main_clip_dbfs", main_clip_dbfs, DIFFERENCE_DB, needed=True)
    refuse_outside("supply_volts", supply_volts, SUPPLY_VOLTS)
    refuse_outside("load_ohms", load_ohms, OHMS)
    refuse_outside("clip_volts", clip_volts, VOLTS)
    change = trim_db(source_clip_dbfs, main_clip_dbfs) + 0.0
    most = None if supply_volts is None else built_in_limit_volts(supply_volts)
    notes = [
        remark("trim_by_own_level") if change else remark("no_trim_needed"),
        danger("ungrounded_output", output="built-in"),
    ]
    if most is not None and clip_volts is not None and clip_volts > most * READING_SLACK:
        notes.append(
            fault(
                "clip_above_built_in_limit", clip_volts=clip_volts, supply_volts=supply_volts, most_volts=most
            )
        )
    return Trim(
        trim_db=change,
        clip_dbfs_before=source_clip_dbfs,
        clip_dbfs_after=source_clip_dbfs - change,
        main_clip_dbfs=main_clip_dbfs,
        most_volts=most,
        most_watts=None if most is None or load_ohms is None else watts_from_volts(most, load_ohms),
        source_volts=None if clip_volts is None else full_scale_volts_from(clip_volts, source_clip_dbfs),
        notes=tuple(notes),
    )
