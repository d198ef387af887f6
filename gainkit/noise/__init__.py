"""What a chain's output holds while silence plays: hum, whine and hiss, and where they come from."""

from __future__ import annotations

from gainkit.noise.elsewhere import OUTSIDE
from gainkit.noise.find import find_noise
from gainkit.noise.model import BandNoise, Family, NoiseResult

__all__ = ["OUTSIDE", "BandNoise", "Family", "NoiseResult", "find_noise"]
