"""Loudspeakers as loud as each other: levels of noise, captures side by side."""

from __future__ import annotations

from gainkit.matching.match import MatchOptions, cuts_only, match_levels
from gainkit.matching.model import BandLevel, MatchedCapture, MatchResult
from gainkit.matching.power import PowerDensity, power_density

__all__ = [
    "BandLevel",
    "MatchOptions",
    "MatchResult",
    "MatchedCapture",
    "PowerDensity",
    "cuts_only",
    "match_levels",
    "power_density",
]
