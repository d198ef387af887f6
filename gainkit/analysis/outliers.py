"""Single samples that do not belong to the repeating wave: clicks of a plug, bits lost on a wire."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.harmonic import Floats, HarmonicFit, refine, synthesize
from gainkit.analysis.middle import median

BINS = 256
"""Places of a period at which the wave is averaged: a clipped wave's corner spans a few of them [-]."""

ROUNDS = 3
"""Outliers pull the average that is to unmask them: it is taken so often, without those seen so far [-]."""

SIGMA_PER_MEDIAN = 1.4826
"""Standard deviation of Gaussian noise over the median of its absolute value [-]."""

CROWD_SHARE = 0.1
"""Where this share of a place's samples is off, or more than two, the wave itself is: a corner sweeps through
[-]."""


EDGE_SHARE = 0.005
"""Within this share of either end, or a period, the tone may start or stop: what lies there is left out untold
[-]."""


def without_outliers(samples: Floats, fit: HarmonicFit) -> tuple[HarmonicFit, int, int]:
    """Refit with outliers replaced by what the wave shows at their phase elsewhere; their number; and that of
    those that are too many to be replaced.

    samples : (frames,) [V]; fit : theirs. A clipped wave's corners leave a residual that repeats every cycle;
    only what does not repeat is an outlier.
    """
    spread = float(np.sqrt(np.mean(fit.residual**2)))
    if spread == 0 or np.abs(fit.residual).max() < thresholds.OUTLIER_SIGMAS * spread:
        return fit, 0, 0
    place = np.remainder(np.arange(len(samples)) * (fit.angular / (2 * np.pi)), 1.0) * BINS
    bins = np.minimum(place.astype(np.int64), BINS - 1)
    repeating, outliers = _repeating_and_outliers(fit, bins, spread)
    if len(outliers) == 0 or len(outliers) > thresholds.OUTLIER_SHARE * len(samples):
        return fit, 0, len(outliers) if len(outliers) < thresholds.CRACKLE_SHARE * len(samples) else 0
    edge = max(2 * np.pi / fit.angular, EDGE_SHARE * len(samples))
    inside = int(np.count_nonzero((outliers >= edge) & (outliers < len(samples) - edge)))
    mended = samples.copy()
    model = synthesize(len(samples), fit.angular, fit.dc, fit.phasors)
    mended[outliers] = model[outliers] + repeating[outliers]
    return refine(mended, fit.angular, fit.orders), inside, 0


def _repeating_and_outliers(
    fit: HarmonicFit, bins: NDArray[np.int64], spread: float
) -> tuple[Floats, NDArray[np.intp]]:
    """The part of the residual that repeats every cycle (frames,) [V], and the frames that stand off it.

    bins : (frames,) place in the period. spread : rms of the residual [V].
    """
    residual, peak = fit.residual, float(np.abs(fit.phasors[0]))
    own = residual
    for _ in range(ROUNDS):
        calm = np.abs(own) < thresholds.OUTLIER_SIGMAS * spread
        number = np.bincount(bins[calm], minlength=BINS)
        repeating = (np.bincount(bins[calm], residual[calm], minlength=BINS) / np.maximum(number, 1))[bins]
        own = residual - repeating
        spread = max(SIGMA_PER_MEDIAN * median(np.abs(own)), 1e-12 * peak)
    least = max(thresholds.OUTLIER_SIGMAS * spread, thresholds.OUTLIER_RATIO * peak)
    outliers = np.flatnonzero(np.abs(own) > least)
    crowded = np.bincount(bins[outliers], minlength=BINS) > np.maximum(CROWD_SHARE * number, 2)
    return repeating, outliers[~crowded[bins[outliers]]]
