"""Loudspeakers on a radio's built-in amplifier, and amplifiers fed from its loudspeaker outputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from gainkit.calculator.amplifier import built_in_limit_volts
from gainkit.levels import FloatOrArray, ratio_from_db, watts_from_volts


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


@dataclass(frozen=True)
class Trim:
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
    notes: tuple[str, ...]


def find_trim(
    source_clip_dbfs: float,
    main_clip_dbfs: float,
    *,
    supply_volts: float | None = None,
    load_ohms: float | None = None,
    clip_volts: float | None = None,
) -> Trim:
    """The trim, with what supply and a measured onset say besides. clip_volts : rms at the onset [V]."""
    change = trim_db(source_clip_dbfs, main_clip_dbfs) + 0.0
    most = None if supply_volts is None else built_in_limit_volts(supply_volts)
    notes = ["Neither lead of a built-in output may touch ground: it is bridge-tied."]
    if change == 0.0:
        notes.insert(0, "No trim is needed: the built-in amplifier clips no earlier than the main one.")
    else:
        notes.insert(0, "Turn down the channels' own level (fader or channel gain), not the master volume.")
    if most is not None and clip_volts is not None and clip_volts > most * 1.005:
        notes.append(
            f"{clip_volts:.2f} V is more than a clean bridge-tied stage reaches on {supply_volts:g} V "
            f"({most:.2f} V): the capture was clipped, or the supply was higher."
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
