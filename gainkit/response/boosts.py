"""Equaliser bands by their magnitudes: peaks and shelves of second order.

With A = 10^(G/40), x = f/f0: a peak is (1 - x^2 + jxA/Q) / (1 - x^2 + jx/(AQ)); a low shelf A (A - x^2 +
jx sqrt(A)/Q) / (1 - A x^2 + jx sqrt(A)/Q); a high shelf the low one at 1/x. The analogue prototypes of
R. Bristow-Johnson's equaliser cookbook (W3C note, 2021). Q = sqrt(A) / (1 + A) makes a shelf of first order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.response.model import Boost, BoostKind

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BoostBand:
    """One band: where, how much [dB], how narrow."""

    kind: BoostKind
    centre_hz: float
    gain_db: float
    quality: float

    def level_db(self, frequency_hz: Floats) -> Floats:
        """Level [dB], any shape."""
        ratio = frequency_hz / self.centre_hz
        if self.kind == "peak":
            return peak_db(ratio, self.gain_db, self.quality)
        return low_shelf_db(ratio if self.kind == "low-shelf" else 1.0 / ratio, self.gain_db, self.quality)

    def told(self) -> Boost:
        """As people speak of it."""
        return Boost(self.centre_hz, self.gain_db, self._width_octaves(), self.kind)

    def _width_octaves(self) -> float:
        """Of a peak 2 asinh(1 / 2Q) / ln 2; of a shelf where its dB stand at a tenth and nine tenths."""
        if self.kind == "peak":
            return 2.0 * math.asinh(0.5 / self.quality) / math.log(2.0)
        octaves = np.linspace(-6.0, 6.0, 2401)
        share = low_shelf_db(2.0**octaves, self.gain_db, self.quality) / self.gain_db
        first, last = (float(octaves[int(np.argmax(share < part))]) for part in (0.9, 0.1))
        return last - first


def peak_db(ratio: Floats, gain_db: float, quality: float) -> Floats:
    """Level of a peak at frequency over centre [dB]."""
    amount = 10.0 ** (gain_db / 40.0)
    even = (1.0 - ratio**2) ** 2
    up, down = (ratio * amount / quality) ** 2, (ratio / (amount * quality)) ** 2
    return np.asarray(10.0 * np.log10((even + up) / (even + down)))


def low_shelf_db(ratio: Floats, gain_db: float, quality: float) -> Floats:
    """Level of a low shelf at frequency over centre [dB]."""
    amount = 10.0 ** (gain_db / 40.0)
    odd = amount * (ratio / quality) ** 2
    up, down = (amount - ratio**2) ** 2 + odd, (1.0 - amount * ratio**2) ** 2 + odd
    return np.asarray(20.0 * math.log10(amount) + 10.0 * np.log10(up / down))
