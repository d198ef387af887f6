"""Where a noise track ends: power that is gone at the edge of a third-octave, and stays gone.

Tracks of a band are made line by line, so that their power ends within a hertz, at the edge of a third-octave.
Filters of loudspeakers fall by 48 dB an octave at most, and what a cabin takes at one frequency comes back some
20 Hz on (2.2 / T60, T60 under 0.1 s): only a track's end does both at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gainkit.analysis.bands import bands
from gainkit.matching.power import PowerDensity

LOWEST_HZ = 100.0
"""Below, filters and single resonances are as steep as a track's end [Hz]."""

CLIFF_DB = 15.0
"""A track ends where the power beyond lies so far below that just inside, an octave wide [dB]: the steepest
filter makes 6 dB of it in the worst case, and medians of few averages scatter."""

GAP_BINS = 3
"""The window and the recorder's clock smear an end over so many bins on either side [-]."""

LEAST_BINS, LEAST_AVERAGES = 8, 20.0
"""Powers are medians of so many bins at least, and so many bins times averages [-]."""

INSIDE_OCTAVES = 1 / 12
"""... on the inside of so many octaves [-]."""


@dataclass(frozen=True)
class TrackEnd:
    """hertz : where the track ends [Hz]. above : whether nothing lies above it; else nothing lies below."""

    hertz: float
    above: bool


def track_edges(power: PowerDensity, highest_hz: float) -> list[TrackEnd]:
    """The edges of third-octaves between `LOWEST_HZ` and a frequency [Hz] at which a track ends."""
    hertz = [each.low_hz for each in bands(True) if LOWEST_HZ < each.low_hz < highest_hz]
    ends = [TrackEnd(each, above) for each in hertz for above in (True, False)]
    return [each for each in ends if ends_at(power, each)]


def ends_at(power: PowerDensity, edge: TrackEnd) -> bool:
    """Whether the power just inside an edge stands `CLIFF_DB` above all within an octave outside."""
    averages = max(power.effective_seconds * power.step_hz, 1.0)
    least = max(LEAST_BINS, round(LEAST_AVERAGES / averages))
    middle = round(edge.hertz / power.step_hz)
    wide = round(middle * (2**INSIDE_OCTAVES - 1))
    if wide < least:
        return False  # too short a recording to tell a filter from an end so low
    if edge.above:
        inside = power.density[max(middle - GAP_BINS - wide, 0) : middle - GAP_BINS]
        outside = power.density[middle + GAP_BINS + 1 : 2 * middle]
    else:
        inside = power.density[middle + GAP_BINS + 1 : middle + GAP_BINS + 1 + wide]
        outside = power.density[middle // 2 : middle - GAP_BINS][::-1]
    count = len(outside) // least
    if len(inside) < wide or not count:
        return False
    beyond = float(np.median(outside[: count * least].reshape(count, least), axis=1).max())
    return float(np.median(inside)) > 10 ** (CLIFF_DB / 10) * beyond
