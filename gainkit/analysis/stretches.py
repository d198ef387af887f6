"""What a capture did before the part that is reported: its stretches, a supply that sags, a limiter that
settles."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import movement
from gainkit.analysis.clipping import judge
from gainkit.analysis.harmonic import from_crest, refine
from gainkit.analysis.middle import median, medians
from gainkit.analysis.model import MeasureOptions, RailSag, Stretch
from gainkit.analysis.moments import Trace
from gainkit.analysis.railsearch import fit_rails
from gainkit.analysis.steady import Blocks
from gainkit.analysis.tone import ToneFit, fit_tone
from gainkit.levels import db_from_ratio
from gainkit.remarks import Remark, fault, remark

Floats = NDArray[np.float64]
Part = Callable[[float, float], tuple[Floats, float]]
"""start, stop [s] -> samples in the band (frames,) [V], their rate [Hz]."""

MOST_STRETCHES = 8
"""Stretches that are judged, the longest first [-]."""

STRETCH_SECONDS = 1.0
"""... each by this much from its middle: enough for rails at any noise that a tone stands out of [s]."""

LEAST_CHANGE_DB = 0.1
"""A change of level is told from here on [dB]."""

LIMITED_DB = 0.5
"""A level that is taken back by less is not told as a limiter: things warm up, too [dB]."""

QUICK_PART = 4
"""A limiter that settles quickly is looked for in the first of so many parts of what is heard [-]."""

SHAPE_DB = 0.09
"""The shape stays while no track of the harmonics moves by more: one percent of the tone [dB]."""

MOST_SLOPE_DB = 0.5
"""Where a level falls by more from block to block, the slope itself stands on the harmonics of a short block
[dB]."""

RAIL_WINDOWS = 24
"""Places at which the rails are looked for [-]."""

LEAST_WINDOWS = 6
"""... and must be seen, for a sag [-]."""

LEAST_SAG_SHARE = 0.005
"""Rails that fall by less are not told [-]."""

SAG_SIGMAS = 5.0
"""... nor by less than so many standard deviations of what their trend leaves: one in a million by noise
[-]."""

SINE_SHARE = 0.4
"""The sine behind moves by less than this share of the rails, by least squares over all places [-]: else it
was a gain that changed, before the rails or, as a recorder's own does, behind them."""

SINE_DB = 0.15
"""Places where the sine behind stands farther off its usual peak are left out [dB]."""


def judged_stretches(
    part: Part,
    spans: tuple[tuple[float, float], ...],
    own: tuple[tuple[float, float], Stretch],
    frequency_hz: float,
    options: MeasureOptions,
) -> tuple[Stretch, ...]:
    """Each stretch with its level and state; spans : (start, stop) [s]. own : the one that is reported, as it
    is."""
    longest = sorted(spans, key=lambda span: span[0] - span[1])[:MOST_STRETCHES]
    stretches = []
    for span in sorted(longest):
        if span == own[0]:
            stretches.append(own[1])
            continue
        middle, half = sum(span) / 2, min(span[1] - span[0], STRETCH_SECONDS) / 2
        samples, rate_hz = part(middle - half, middle + half)
        tone = fit_tone(samples, rate_hz, frequency_hz=frequency_hz, band_hz=options.band_hz)
        if tone is not None:
            clip = judge(tone, options.limit_thd_percent).clipping
            stretches.append(Stretch(*span, tone.rms_volts, clip.overdrive_db, clip.state))
    return tuple(stretches)


def changes(stretches: tuple[Stretch, ...], trace: Trace | None) -> list[Remark]:
    """From each stretch to the next: by how much the level rose or fell, and when. trace : of the whole
    recording, which tells it best."""
    told = []
    for before, after in itertools.pairwise(stretches):
        change_db = db_from_ratio(after.rms_volts / before.rms_volts)
        if abs(change_db) >= LEAST_CHANGE_DB:
            at = (before.stop_seconds + after.start_seconds) / 2
            if trace is not None:
                middles = [(each.start_seconds + each.stop_seconds) / 2 for each in (before, after)]
                at = trace.step_between(middles[0], middles[1])
            values = {"change_db": abs(change_db), "at_seconds": at}
            told.append(remark("level_rose", **values) if change_db > 0 else remark("level_fell", **values))
    return told


@dataclass(frozen=True)
class _Rails:
    """Seen at one place: seconds of its middle, the lower rail [V], the peak of the sine behind [V]."""

    seconds: float
    rail_volts: float
    sine_peak: float


def rail_sag(part: Part, start: float, stop: float, tone: ToneFit) -> RailSag | None:
    """Rails that fall from start to stop [s] while the sine behind stays; None where they do not."""
    length = max((stop - start) / RAIL_WINDOWS, 5 / tone.frequency_hz, 0.02)
    count = min(int((stop - start) / length), RAIL_WINDOWS)
    if count < LEAST_WINDOWS:
        return None
    seen = []
    for number in range(count):
        middle = start + (number + 0.5) * (stop - start) / count
        fitted = _rails_at(*part(middle - length / 2, middle + length / 2), tone)
        if fitted is not None:
            seen.append(_Rails(middle, *fitted))
    if len(seen) < LEAST_WINDOWS:
        return None
    peaks = np.array([s.sine_peak for s in seen])
    usual = np.pad(np.abs(db_from_ratio(peaks / median(peaks))) < SINE_DB, 1, mode="edge")
    # a fade's own are no sag's, nor those beside it: half of one may lie before a turn of the gain
    seen = list(itertools.compress(seen, usual[:-2] & usual[1:-1] & usual[2:]))
    if len(seen) < LEAST_WINDOWS:
        return None
    seconds, rails = np.array([s.seconds for s in seen]), np.array([s.rail_volts for s in seen])
    peaks = np.array([s.sine_peak for s in seen])
    trend = movement.exponential_trend(seconds, rails)
    span, half = float(seconds[-1] - seconds[0]), length / 2
    first, last = trend.at(-half), trend.at(span + half)
    spread = float(np.sqrt(trend.left / max(len(seen) - 3, 1)))
    # by what was seen: a quick exponential laid through noise rises without end before its first point
    if trend.at(0.0) - trend.at(span) < max(LEAST_SAG_SHARE * last, SAG_SIGMAS * spread):
        return None
    rails_off, peaks_off = np.log(rails) - np.log(rails).mean(), np.log(peaks)
    if abs(float(rails_off @ peaks_off)) > SINE_SHARE * float(rails_off @ rails_off):
        return None
    told = trend.time_constant_seconds if span / 50 < trend.time_constant_seconds < 1.5 * span else None
    return RailSag(first, last, told)


def _rails_at(samples: Floats, rate_hz: float, tone: ToneFit) -> tuple[float, float] | None:
    """Lower rail and the sine's peak in a short part [V]; None where no hard rail is met."""
    orders = min(len(tone.phasors), 12)
    if len(samples) < 4 * orders:
        return None
    fit = refine(samples, 2 * np.pi * tone.frequency_hz / rate_hz, orders, fixed=True)
    noise = np.full(orders, 2 * np.sqrt(np.mean(fit.residual**2) / len(samples)))
    rails = fit_rails(from_crest(fit.phasors).real.copy(), noise)
    power = float(np.sum(np.abs(fit.phasors[1:]) ** 2))
    if max(rails.overdrive_db) < 0.1 or rails.misfit > 0.25 * power:
        return None
    return min(rails.rail_volts(0), rails.rail_volts(1)), rails.sine_peak


def sag_remark(sag: RailSag, unit: str) -> Remark:
    """What is told of a supply that sags. unit : of its rails."""
    return fault(
        "supply_sag",
        volts_first=sag.volts_first, volts_last=sag.volts_last, unit=unit,
        time_constant_seconds=sag.time_constant_seconds,
    )  # fmt: skip


def settling(blocks: Blocks, tracks: Floats, seconds_per_block: float) -> Remark | None:
    """A level that is taken back exponentially while the shape stays: a limiter or compressor that settles.

    tracks : as `movement.tracks_of` gives them for the blocks. None where it does not do so. One that settles
    quickly is looked for in the beginning, if nothing moves behind it.
    """
    loud = np.flatnonzero(blocks.loud)
    first, last = int(loud[0]) + 1, int(loud[-1])
    told = _settling(tracks[first:last], seconds_per_block)
    if told is not None:
        return told
    quick = tracks[first : first + (last - first) // QUICK_PART]
    behind = tracks[first + len(quick) : last]
    told = _settling(quick, seconds_per_block)
    if told is None:
        return None
    moved = np.abs(
        medians(quick[-max(len(quick) // 8, 1) :], 0) - medians(behind[-max(len(behind) // 4, 1) :], 0)
    )
    return told if np.all(moved < LEAST_CHANGE_DB) else None


def _settling(tracks: Floats, seconds_per_block: float) -> Remark | None:
    """A level that is taken back over all of some blocks (blocks, tracks) [dB]."""
    per = max(1, len(tracks) // movement.MOST_GROUPS)
    count = len(tracks) // per
    if count < 16:
        return None
    groups = tracks[: count * per].reshape(count, per, -1).mean(axis=1)
    level: Floats = np.asarray(groups[:, 0], dtype=np.float64)
    seconds = np.arange(count, dtype=np.float64) * (per * seconds_per_block)
    trend = movement.exponential_trend(seconds, level)
    span = float(seconds[-1])
    taken_db = trend.at(0.0) - trend.at(span)
    if taken_db < LIMITED_DB or not span / 50 < trend.time_constant_seconds < span / 2:
        return None
    if trend.left > movement.STEPS_LESS**2 * movement.left_by_a_step(level) or trend.left > 0.05 * np.sum(
        (level - level.mean()) ** 2
    ):
        return None
    slow = int(
        np.argmax(np.abs(np.diff(level)) < MOST_SLOPE_DB)
    )  # a trend this short has blocks that stand still
    shape = np.abs(
        medians(groups[slow : slow + max(count // 16, 1), 1:], 0) - medians(groups[-count // 4 :, 1:], 0)
    )
    if np.any(shape > SHAPE_DB):
        return None
    return remark("limiter", taken_db=taken_db, time_constant_seconds=trend.time_constant_seconds)
