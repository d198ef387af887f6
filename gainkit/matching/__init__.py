"""Loudspeakers as loud as each other: levels of noise, captures side by side."""

from __future__ import annotations

from gainkit.matching.match import BandLevel, MatchedCapture, MatchOptions, MatchResult, match_levels
from gainkit.matching.power import PowerDensity, power_density

__all__ = [
    "BandLevel",
    "MatchOptions",
    "MatchResult",
    "MatchedCapture",
    "PowerDensity",
    "match_levels",
    "power_density",
]
