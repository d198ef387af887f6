"""Rails in the wave itself: for stages that remember, whose harmonics no memoryless rail explains.

An amplifier with feedback may stick to its rail and come off it late, with a jump. Its wave is then no function
of the sine alone; but while the sine would be beyond the rail the output stands still, and elsewhere, but for
the moment after, it is the sine. Both are looked for in one period, folded from all samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.harmonic import synthesize
from gainkit.analysis.middle import median
from gainkit.analysis.rails import HARD, RailFit
from gainkit.analysis.tone import ToneFit
from gainkit.levels import db_from_ratio, ratio_from_db

Floats = NDArray[np.float64]

MOST_BINS = 512
"""Points of the folded period: a late recovery of a hundredth of it spans five [-]."""

LEAST_POINTS = 32
"""With fewer, rails cannot be told from crests [-]."""

LEAST_AGREEING = 8
"""Points that a sine is laid through, at least: three would always fit [-]."""

NEAR = 0.04
"""Points this near to the extremes, as a share of the whole swing, do not tell the sine at first [-]."""

RINGS = 0.05
"""So many points at either end may lie beyond the rails [-]."""

AGREES = 0.015
"""A point this near to the sine, as a share of its peak, belongs to it [-]."""

LEAST_SHARE = 0.1
"""Of the period that must belong to the sine [-]."""

ACCOUNTED_SHARE = 0.75
"""Points that must belong to the sine or stand at a rail, of all [-]: late recoveries are few, other waves are
not."""

ACCOUNTED_WELL = 0.97
"""... and so many where nothing else in the wave moves the sine [-] (this and the next chosen on waves whose
rails stick for 2 to 15 % of a period)."""

ACCOUNTED_AGAINST = 0.92
"""... where rails are told against another explanation that leaves much [-]."""

ACCOUNTED_DEEP = 0.9
"""... where it takes the wave for a square one behind a filter [-]."""

MUCH_LEFT = 2e-3
"""An explanation that leaves less of the harmonics' power is not doubted for what stands in the wave [-]."""

LEANS_DB = 10.0
"""What comes back slowly leans on the sine after it: times the share of points that is not accounted for, by so
much its overdrive may be off (chosen on tails of 0.2 to 2 % of a period) [dB]."""

LATE_SHARE = 0.01
"""From this share of late points on rails recover slowly: 0.027 and more where they stick for 2 % of a period,
none where an amplifier distorts by 0.4 % besides [-]."""

APART_DB = 0.1
"""Sides that differ by less are alike [dB]."""

FLAT_SHARE = 0.3
"""A rail's swing over that of the sine beyond it, at most [-]."""


@dataclass(frozen=True)
class Flats:
    """Rails seen in the wave. accounted : share of its points that belong to the sine or stand at one [-]; late
    : share that does not belong to the sine although that is not beyond a rail [-]."""

    rails: RailFit
    accounted: float
    late: float

    @property
    def interval_db(self) -> tuple[float, float] | None:
        """Between which overdrives the truth lies where much of the wave comes back slowly [dB].

        It draws the sine with it: its size, and its centre, where one side gains what the other loses.
        """
        if self.accounted > ACCOUNTED_WELL:
            return None
        told, leans_db = [db for db in self.rails.overdrive_db if db > 0], LEANS_DB * (1 - self.accounted)
        return max(min(told) - leans_db, 0.0), max(told) + leans_db

    @property
    def recover_slowly(self) -> bool:
        """Whether the output is seen to come off its rails late."""
        return self.late > LATE_SHARE

    def tell_against(self, other: RailFit | None, left_share: float) -> bool:
        """Whether they hold against another explanation, None for one without rails, which leaves this share of
        the harmonics' power [-]."""
        own_db = max(self.rails.overdrive_db)
        if other is not None and abs(max(other.overdrive_db) - own_db) < APART_DB:
            return False
        if other is not None and max(other.overdrive_db) > thresholds.DEEP_OVERDRIVE_DB > own_db:
            return self.accounted > ACCOUNTED_DEEP  # a wave that stands at its rails for long is like a square
        return self.accounted > ACCOUNTED_AGAINST and left_share > MUCH_LEFT


def flat_rails(tone: ToneFit) -> Flats | None:
    """Rails and the sine behind them from the folded wave; None where nothing stands still at the extremes."""
    angle, wave = folded(tone)
    if len(wave) < LEAST_POINTS:
        return None
    columns = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    low, high = np.quantile(wave, [RINGS, 1 - RINGS])  # what jumps overshoots, as all that is band-limited
    inner = (wave > low + NEAR * (high - low)) & (wave < high - NEAR * (high - low))
    sine_fit = _robust_fit(columns, wave, inner)
    if sine_fit is None:
        return None
    terms, own = sine_fit
    centre, peak = float(terms[0]), float(np.hypot(terms[1], terms[2]))
    sine = columns @ terms
    overdrive_db = _overdrive_db(sine - centre, wave - centre), _overdrive_db(centre - sine, centre - wave)
    accounted = _accounted(own, wave - centre, peak, overdrive_db) if max(overdrive_db) > 0 else 0.0
    if accounted < ACCOUNTED_SHARE:
        return None
    noise = float(np.sqrt(np.mean((wave - sine)[own] ** 2)))
    doubt = db_from_ratio(1 + noise / peak)
    harmonic_power = float(np.sum(np.abs(tone.phasors[1:]) ** 2))
    rails = RailFit(
        sine_peak=peak,
        overdrive_db=overdrive_db,
        knee=HARD,
        compression_db=overdrive_db,
        mean=tone.dc_volts - centre,
        misfit=harmonic_power,
        misfit_without_rails=harmonic_power,
        deviation_db=(doubt, doubt),
    )
    return Flats(rails, accounted, _late(own, sine - centre, peak, overdrive_db))


def _accounted(own: NDArray[np.bool_], wave: Floats, peak: float, overdrive_db: tuple[float, float]) -> float:
    """Share of the points that belong to the sine or stand at a rail; none where a rail lies beyond the
    wave."""
    known = own.copy()
    for sign, over in zip((1, -1), overdrive_db, strict=True):
        if over > 0:
            rail = peak * ratio_from_db(-over)
            if rail > float((sign * wave).max()) * (1 + AGREES):
                return 0.0
            known |= np.abs(sign * wave - rail) < 2 * AGREES * peak
    return float(np.mean(known))


def _late(own: NDArray[np.bool_], sine: Floats, peak: float, overdrive_db: tuple[float, float]) -> float:
    """Share of the points that do not belong to the sine although it is not beyond a rail."""
    up, down = (peak * ratio_from_db(-over) if over > 0 else np.inf for over in overdrive_db)
    return float(np.mean(~own & (sine < up) & (-sine < down)))


def folded(tone: ToneFit) -> tuple[Floats, Floats]:
    """One period: angles (bins,) [rad] and the mean of all samples there (bins,) [V], empty bins left out."""
    fit = tone.fit
    frames = len(fit.residual)
    samples = fit.residual + synthesize(frames, fit.angular, fit.dc, fit.phasors)
    bins = min(MOST_BINS, frames // 4)
    turns = np.remainder((np.arange(frames) - (frames - 1) / 2) * (fit.angular / (2 * np.pi)), 1.0)
    index = np.minimum((turns * bins).astype(np.int64), bins - 1)
    number = np.bincount(index, minlength=bins)
    filled = number > 0
    # the mean angle of what lies in a bin, not its middle: bins are wide where the wave is steep
    angles = np.bincount(index, turns, minlength=bins)[filled] / number[filled]
    means = np.bincount(index, samples, minlength=bins)[filled] / number[filled]
    return 2 * np.pi * angles, means


def _robust_fit(
    columns: Floats, wave: Floats, start: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]] | None:
    """Offset, cosine and sine (3,) through the points that agree with each other, and which they are."""
    if np.count_nonzero(start) < LEAST_AGREEING:
        return None
    weight = start.astype(np.float64)
    terms: Floats = np.zeros(3)
    for _ in range(30):  # least absolute deviations by reweighting: late recoveries are few among the rest
        terms = np.asarray(np.linalg.lstsq(columns * weight[:, None], wave * weight, rcond=None)[0])
        scale = float(np.hypot(terms[1], terms[2]))
        weight = start / np.sqrt(np.maximum(np.abs(wave - columns @ terms), 1e-4 * scale + 1e-30))
    for _ in range(10):
        own = np.abs(wave - columns @ terms) < AGREES * np.hypot(terms[1], terms[2])
        if np.count_nonzero(own) < max(LEAST_SHARE * len(wave), LEAST_AGREEING):
            return None
        terms = np.asarray(np.linalg.lstsq(columns[own], wave[own], rcond=None)[0])
    return terms, own


def _overdrive_db(sine: Floats, wave: Floats) -> float:
    """Overdrive of one side, both counted from the sine's centre [dB]; 0 when it does not stand still there."""
    peak = float(sine.max())
    short = (sine - wave > AGREES * peak) & (wave > 0)
    if np.count_nonzero(short) < 3:
        return 0.0
    rail = median(wave[short])
    beyond = sine > rail
    if rail <= 0 or peak <= rail or np.count_nonzero(beyond) < 3:
        return 0.0
    spread = float(np.quantile(wave[beyond], 0.9) - np.quantile(wave[beyond], 0.1))
    overdrive_db = db_from_ratio(peak / rail)
    stands_still = spread < FLAT_SHARE * (peak - rail)
    return overdrive_db if stands_still and overdrive_db > thresholds.LEAST_COMPRESSION_DB else 0.0
