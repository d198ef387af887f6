"""Hum that comes to a rail together with the tone: it moves the crests, and the fit of the rails with them.

Hum that is added behind the rails stands on the crests as it does between them. Hum before them is cut with the
tone: it is missing on the crests. Then rails move against the sine by as much as the hum is high, and the mean
wave, which is all that harmonics tell, is that of no rail.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.lines import fit_lines, without
from gainkit.analysis.rails import RailFit, held_half
from gainkit.analysis.ripple import crests_move
from gainkit.analysis.tone import ToneFit
from gainkit.levels import db_from_ratio, ratio_from_db

Floats = NDArray[np.float64]

LEAST_SHARE = 0.05
"""Hum below this share of the tone moves an overdrive by less than half a decibel and counts in its
uncertainty (`ripple`) [-]."""

ON_CREST, OFF_CREST = 0.95, 0.6
"""Where a sine counts as on its crest and where as between them, over its peak [-]."""

LEAST_ON_CREST = 0.1
"""Hum whose power on the crests is less than this share of its power moves none of them [-]: it is locked to
the tone."""

HELD_SHARE = 0.9
"""Hum is held where so much or less of what is between the crests is left on them [-]."""


MISSING_SHARE = 0.3
"""... or so much of hum that was taken out is missing on them [-]."""

ROUNDED_BY_HUM = 2.0
"""A knee that is rounder than what hum makes of a corner, by up to so many times, may be the hum's (our choice)
[-]."""

APART_DB = 0.15
"""Corners that hum rounds let rails alone and rails behind a filter agree within so much [dB]."""


def hum_rounds(tone: ToneFit, rails: RailFit) -> bool:
    """Whether hum that is cut with the tone makes the knee of its mean wave.

    A corner whose sine moves up and down by a is a / pi lower there on average: the mean of a sine's one half.
    Of the hum before the rail so much is left as the rail lets the sine run, 2/pi arcsin(rail / peak).
    """
    if not tone.lines or rails.hard:
        return False
    ratio = ratio_from_db(-max(*rails.overdrive_db, 0.0))
    before = np.sqrt(2) * tone.lines[0].rms_volts / (2 / np.pi * np.arcsin(ratio))
    corner = held_half(np.ones(1), 0.0, rails.knee)
    return bool(1 - corner[0] < ROUNDED_BY_HUM * before / np.pi / (ratio * rails.sine_peak))


def hum_rounds_alike(tone: ToneFit, rails: RailFit, filtered: RailFit) -> bool:
    """Whether such hum, or a ripple on the rails, may have made what a filter behind the rails tells hardly
    better than rails alone."""
    apart_db = abs(max(filtered.overdrive_db) - max(rails.overdrive_db))
    return apart_db < APART_DB and (hum_rounds(tone, rails) or crests_move(tone, filtered))


def held_hum_db(tone: ToneFit) -> float:
    """By how much hum that a rail cuts with the tone may move the overdrive, to either side [dB]; 0 where there
    is none, or none is cut.

    It is the height of hum and tone together over that of the tone, the hum as it is between the crests. What
    is cut leaves sidebands, which are no hum of their own: the strongest line alone counts.
    """
    peak = float(np.abs(tone.phasors[0]))
    if not tone.lines or np.sqrt(2) * tone.lines[0].rms_volts < LEAST_SHARE * peak:
        return 0.0
    left, rate = tone.fit.residual, tone.sample_rate_hz
    turn = tone.fit.angular * (np.arange(len(left)) - (len(left) - 1) / 2) + np.angle(tone.phasors[0])
    height = np.abs(np.cos(turn))
    on, off = height > ON_CREST, height < OFF_CREST
    if any(each.frequency_hz == tone.lines[0].frequency_hz for each in tone.beside):
        return _held_beside_db(tone.lines[0].rms_volts, left[on], left[off], peak)
    fitted = fit_lines(left, rate, [tone.lines[0].frequency_hz])[0]
    if fitted is None:
        return 0.0
    hum = left - without(left, rate, [fitted])
    power = float(np.mean(hum**2))
    if not (on.any() and off.any()) or float(np.mean(hum[on] ** 2)) < LEAST_ON_CREST * power:
        return 0.0
    share = float(hum[on] @ left[on]) / float(hum[on] @ hum[on])
    between = float(hum[off] @ left[off]) / max(float(hum[off] @ hum[off]), 1e-300)
    if share > HELD_SHARE * between:
        return 0.0
    return db_from_ratio(1 + max(between, 1.0) * fitted.peak_volts / peak)


def _held_beside_db(hum_volts: float, on_crest: Floats, off_crest: Floats, peak: float) -> float:
    """The same for hum so near to the tone that it was fitted with it and taken out: where it is missing on the
    crests, what is left there is as large. hum_volts : rms; on_crest, off_crest : what is left [V]; peak : the
    tone's."""
    if not len(on_crest) or not len(off_crest):
        return 0.0
    missing, more = (float(np.sqrt(np.mean(each**2))) for each in (on_crest, off_crest))
    if missing < MISSING_SHARE * hum_volts:
        return 0.0
    return db_from_ratio(1 + float(np.sqrt(2)) * (hum_volts + more) / peak)
