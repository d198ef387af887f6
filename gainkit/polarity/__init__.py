"""Which way round a loudspeaker is wired, from a microphone's recording of one-sided pulses."""

from __future__ import annotations

from gainkit.polarity.find import (
    PROBABLE,
    PolarityPair,
    PolarityResult,
    compare_polarity,
    find_polarity,
)
from gainkit.polarity.swing import Sign

__all__ = ["PROBABLE", "PolarityPair", "PolarityResult", "Sign", "compare_polarity", "find_polarity"]
