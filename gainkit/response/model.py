"""What the sweep shows of a chain: frozen results whose field names carry their units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gainkit.remarks import Remark
from gainkit.results import Result

Family = Literal["butterworth", "linkwitz-riley", "bessel", "other"]
BoostKind = Literal["peak", "low-shelf", "high-shelf"]
Verdict = Literal[
    "flat",
    "filtered",
    "equalised",
    "filtered and equalised",
    "distorted",
    "filtered, distorted",
    "equalised, distorted",
    "filtered and equalised, distorted",
    "level changed",
]
"""distorted : over the limit in a good part of the band, where the fundamental has no longer its level:
it is not called flat, and filters and bands are those of a chain that clips. level changed : while the sweep
played, so that its points are no response; nothing else is told of them then."""


@dataclass(frozen=True)
class Point:
    """The response at one frequency.

    level_db : output over the sweep's own level, 20 log10 of (recorded peak / sweep's peak of full scale); the
    recorded side counts in volts where calibrated, in full scale elsewhere. phase_degrees : re the strongest
    arrival, -180 to 180. thd_percent : harmonics over the fundamental; None where their band is not recorded.
    floor_db : what noise alone would show as level_db. volts : rms of the sweep's tone at the output, None
    without calibration. thd_floor_percent : what noise alone would show as THD.
    """

    frequency_hz: float
    level_db: float
    phase_degrees: float
    thd_percent: float | None
    floor_db: float
    volts: float | None = None
    thd_floor_percent: float | None = None


@dataclass(frozen=True)
class Flatness:
    """The widest stretch whose level stays within `flat.FLAT_SPAN_DB`: its ends, and how far the level goes
    above and below its own mean [dB], minus_db negative."""

    low_hz: float
    high_hz: float
    plus_db: float
    minus_db: float


@dataclass(frozen=True)
class Filter:
    """One side of a crossover. corner_hz : where Butterworth and Bessel are 3 dB down, Linkwitz-Riley 6 dB; of
    "other" the -3 dB point. order : 6 dB per octave each. misfit_db : rms of what the fit of the whole response
    leaves."""

    family: Family
    order: int
    corner_hz: float
    misfit_db: float


@dataclass(frozen=True)
class Boost:
    """One equaliser band, of gain below 0 too.

    centre_hz : of a peak its top, of a shelf where half its dB are reached. width_octaves : of a peak between
    the two places with half its dB, of a shelf from a tenth to nine tenths of its dB.
    """

    centre_hz: float
    gain_db: float
    width_octaves: float
    kind: BoostKind


@dataclass(frozen=True)
class Bend:
    """A peak or dip of the curve itself: its place, and its level re the passband [dB]."""

    frequency_hz: float
    level_db: float


@dataclass(frozen=True, repr=False)
class Response(Result):
    """The answer; None for what the recording does not tell.

    drift_ppm : recorder's clock against the player's, positive: the recorder counts more seconds.
    band_hz : where the sweep stands 10 dB over the noise. low_corner_hz, high_corner_hz : 3 dB under the
    passband. delay_seconds : of the strongest arrival, re the strongest arrival of the (left) start mark.
    side : "left" or "right" of a track that plays one after the other. passband_db : level_db of the passband.
    clipped : flat tops at digital full scale. right : of a left-then-right track the right side; the other
    fields are then the left one's. right_later_seconds, right_farther_cm : right arrival less left.
    bends : where the curve is equalised and no filters and bands can be named, for several sets of them fit
    alike or none does: its peaks and dips; `lowpass`, `highpass` and `boosts` are empty then.
    reference_file : of a difference, the capture that was taken off; None for a response itself.
    """

    found: bool
    drift_ppm: float | None
    band_hz: tuple[float, float] | None
    points: tuple[Point, ...]
    flat: Flatness | None
    low_corner_hz: float | None
    high_corner_hz: float | None
    lowpass: Filter | None
    highpass: Filter | None
    boosts: tuple[Boost, ...]
    delay_seconds: float | None
    verdict: Verdict | None
    notes: tuple[Remark, ...]
    file: str = ""
    channel: int = 1
    calibrated: bool = False
    side: Literal["left", "right"] | None = None
    passband_db: float | None = None
    clipped: bool = False
    right: Response | None = None
    right_later_seconds: float | None = None
    right_farther_cm: float | None = None
    reference_file: str | None = None
    bends: tuple[Bend, ...] = ()
