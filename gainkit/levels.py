"""Decibels, volts and watts: the ground everything else stands on.

Every function takes floats or arrays (numpy broadcasting) and is exact to rounding. 0 dBFS is a sine
whose peaks touch digital full scale (AES17); its rms is therefore 1/sqrt(2) of full scale.
No function here imports numpy by itself: floats stay floats, so that the command line's help stays quick.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatOrArray = TypeVar("FloatOrArray", float, NDArray[np.float64])
else:
    FloatOrArray = TypeVar("FloatOrArray")

SINE_CREST = math.sqrt(2.0)
"""Peak over rms of a sine [-]."""


def db_from_ratio(ratio: FloatOrArray) -> FloatOrArray:
    """20 log10 of an amplitude ratio [-] -> [dB]; ratio 0 gives -inf."""
    if isinstance(ratio, (int, float)):
        return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf
    import numpy as np

    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(ratio)


def ratio_from_db(db: FloatOrArray) -> FloatOrArray:
    """Amplitude ratio [-] of a level difference [dB]: 10^(dB/20)."""
    ratio: FloatOrArray = 10.0 ** (db / 20.0)
    return ratio


def power_db_from_ratio(ratio: FloatOrArray) -> FloatOrArray:
    """10 log10 of a power ratio [-] -> [dB]; ratio 0 gives -inf."""
    return db_from_ratio(ratio) / 2.0


def volts_from_watts(watts: FloatOrArray, ohms: FloatOrArray) -> FloatOrArray:
    """Rms volts across a resistance: sqrt(P R). Joule's and Ohm's laws."""
    volts: FloatOrArray = (watts * ohms) ** 0.5
    return volts


def watts_from_volts(volts: FloatOrArray, ohms: FloatOrArray) -> FloatOrArray:
    """Watts in a resistance from rms volts: U^2 / R."""
    return volts**2 / ohms
