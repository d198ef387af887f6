"""How far a gain must be turned where the output does not follow it."""

from __future__ import annotations

from gainkit.analysis.rails import RailFit
from gainkit.levels import db_from_ratio

HIGHEST_CHANGE_DB, LOWEST_CHANGE_DB = 60.0, -120.0
"""Between which changes of gain a target is looked for [dB]: a wave 60 dB beyond its rails grows no more."""


def change_to(set_volts: float, rms_volts: float, rails: RailFit | None) -> float | None:
    """How far the gain must be turned for the output to show set_volts rms [dB], positive up.

    With a rail in play the output does not follow the gain: the wave of the fitted rails is followed instead.
    None when no gain reaches it. rails : None for a clean tone.
    """
    if rails is None:
        return db_from_ratio(set_volts / rms_volts)
    low, highest = LOWEST_CHANGE_DB, HIGHEST_CHANGE_DB
    scale = rms_volts / rails.rms_at(0.0)
    if rails.rms_at(highest) * scale <= set_volts:
        return None
    while highest - low > 1e-6:
        middle = (low + highest) / 2
        low, highest = (middle, highest) if rails.rms_at(middle) * scale < set_volts else (low, middle)
    return (low + highest) / 2
