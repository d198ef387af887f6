"""What explains harmonics that were measured, and how well it does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.rails import RailFit

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

Cause = Literal["rails", "coupling", "filter", "slew", "saturation", "curve"]

FLOOR_SHARE = 0.0007
"""A model is not asked to be truer than this share of all distortion: amplifiers have some of their own [-]."""

LEAVES = 0.02
"""What is no rail alone must leave less than this share of the harmonics' power [-]: with so many free figures
filters, slew limits and cores come near to any wave."""

CORE_LEAVES = 0.005
"""... and a core or a resonance less than this: curves of many kinds come near to them [-]."""

UNTRUE = 4.0
"""Where the best explanation leaves so many times the power that noise and an amplifier's own distortion make,
none of them is true [-]."""

DEPTHS_DB = (-20.0, 40.0)
"""Between which overdrives rails are searched [dB]."""


@dataclass(frozen=True)
class Explanation:
    """One way to make the harmonics that were measured.

    chi2 : misfit over what noise and other distortion make [-]; figures : how many it was fitted with.
    left_share : of the harmonics' power that it leaves [-]. rails : None where there is none. values : what is
    told of it, in units of the tone.
    """

    cause: Cause
    name: str
    chi2: float
    figures: int
    left_share: float
    rails: RailFit | None = None
    values: dict[str, float] | None = None

    def criterion(self, orders: int, scale: float) -> float:
        """Schwarz's, with chi^2 over what the best explanation leaves."""
        return self.chi2 / scale + self.figures * float(np.log(2 * orders))


class Measured:
    """Harmonics (K,) from the crest, with the standard deviation of each part, (K,) [V peak]."""

    def __init__(self, relative: Phasors, noise_peak: Floats) -> None:
        self.relative = relative
        self.orders = np.arange(1.0, len(relative) + 1)
        self.power = float(np.sum(np.abs(relative[1:]) ** 2))
        floor = FLOOR_SHARE * np.sqrt(self.power)
        self.sigma = np.sqrt(noise_peak**2 / 2 + floor**2)

    def scaled(self, model: Phasors) -> tuple[float, Floats]:
        """The size with which a model (K,) fits best [V], and what it leaves over sigma, real and imaginary."""
        size = float(np.real(np.vdot(model / self.sigma, self.relative / self.sigma)))
        size /= max(float(np.sum(np.abs(model / self.sigma) ** 2)), 1e-300)
        left = (self.relative - size * model) / self.sigma
        return size, np.concatenate([left.real, left.imag])

    def left_share(self, left: Floats) -> float:
        """Of the harmonics' power [-]; the fundamental's own misfit, which the size takes up, included."""
        count = len(self.relative)
        own = (left[:count] ** 2 + left[count:] ** 2) * self.sigma**2
        return float(own.sum()) / max(self.power, 1e-300)
