"""Loudspeakers on a radio's built-in amplifier, and amplifiers fed from its loudspeaker outputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from gainkit.calculator.amplifier import built_in_limit_volts
from gainkit.calculator.ranges import (
    DB_IN_HAND,
    DIFFERENCE_DB,
    DROP_VOLTS,
    LEVEL_DBFS,
    OHMS,
    SUPPLY_VOLTS,
    VOLTS,
    WATTS,
    refuse_outside,
)
from gainkit.errors import GainkitError
from gainkit.levels import FloatOrArray, db_from_ratio, ratio_from_db, volts_from_watts, watts_from_volts
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

    below_limit_db : what the built-in channels keep below their own onset, by their margin and their
    loudspeakers' limit [dB]. clip_dbfs_before, clip_dbfs_after : recording level at their onset of clipping
    [dBFS]. most_volts,
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
    below_limit_db: float
    notes: tuple[Remark, ...]


def find_trim(
    source_clip_dbfs: float,
    main_clip_dbfs: float,
    *,
    supply_volts: float | None = None,
    load_ohms: float | None = None,
    clip_volts: float | None = None,
    drop_volts: float = 0.0,
    own_margin_db: float = 0.0,
    speaker_watts: float | None = None,
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
    drop_volts : float
        What the stage keeps of its supply [V].
    own_margin_db : float
        Kept in hand below the lower of the built-in stage's own limit and its loudspeakers' [dB].
    speaker_watts : float, optional
        Continuous limit of the loudspeakers on it [W]; needs `load_ohms`, and `clip_volts` or `supply_volts`.

    Returns
    -------
    Trim
        `trim_db` is the change of the built-in channels' own level, 0 or less [dB].

    Raises
    ------
    GainkitError
        `outside_range` or `missing` for a figure that cannot be; `needs_other` for a loudspeaker limit without
        the load or the volts that it is compared with; `wrong_order` for a drop as large as the supply.

    References
    ----------
    Definitions of dBFS (AES17); a bridge-tied stage swings between zero and its supply.

    Examples
    --------
    >>> find_trim(-12, -5).trim_db
    -7.0
    >>> find_trim(-9, -5, own_margin_db=3).trim_db
    -7.0
    """
    refuse_outside("source_clip_dbfs", source_clip_dbfs, LEVEL_DBFS, needed=True)
    refuse_outside("main_clip_dbfs", main_clip_dbfs, DIFFERENCE_DB, needed=True)
    refuse_outside("supply_volts", supply_volts, SUPPLY_VOLTS)
    refuse_outside("load_ohms", load_ohms, OHMS)
    refuse_outside("clip_volts", clip_volts, VOLTS)
    refuse_outside("drop_volts", drop_volts, DROP_VOLTS, needed=True)
    refuse_outside("own_margin_db", own_margin_db, DB_IN_HAND, needed=True)
    refuse_outside("speaker_watts", speaker_watts, WATTS)
    if supply_volts is not None and drop_volts >= supply_volts:
        raise GainkitError(
            "wrong_order", "drop_volts", drop_volts, unit="V", other="supply_volts", most=supply_volts
        )
    most = None if supply_volts is None else built_in_limit_volts(supply_volts, drop_volts)
    below = own_margin_db
    if speaker_watts is not None:
        onset = most if clip_volts is None else clip_volts
        if load_ohms is None or onset is None:
            other = "load_ohms" if load_ohms is None else "supply_volts"
            raise GainkitError("needs_other", "speaker_watts", speaker_watts, other=other)
        below += max(0.0, db_from_ratio(onset / volts_from_watts(speaker_watts, load_ohms)))
    change = trim_db(source_clip_dbfs, main_clip_dbfs + below) + 0.0
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
        below_limit_db=below,
        notes=tuple(notes),
    )
