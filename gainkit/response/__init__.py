"""What a chain does to the sweep: level, phase and distortion over frequency, filters, boosts and delay."""

from __future__ import annotations

from gainkit.response.drive import Sweep, from_figures, from_index, from_track
from gainkit.response.find import find_response
from gainkit.response.model import Bend, Boost, Filter, Flatness, Point, Response

__all__ = [
    "Bend",
    "Boost",
    "Filter",
    "Flatness",
    "Point",
    "Response",
    "Sweep",
    "find_response",
    "from_figures",
    "from_index",
    "from_track",
]
