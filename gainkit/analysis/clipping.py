"""The verdict on a fitted tone: rails, or another kind of distortion with its name."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.coupling import without_coupling
from gainkit.analysis.explanation import LEAVES, Explanation, Measured
from gainkit.analysis.flats import MUCH_LEFT, Flats, flat_rails
from gainkit.analysis.heldhum import held_hum_db, hum_rounds_alike
from gainkit.analysis.jointfit import explanations, tone_units
from gainkit.analysis.model import Clipping, Side
from gainkit.analysis.named import coupling_remark, interval_remark, knee_remark, other_kind, unnamed
from gainkit.analysis.rails import RailFit
from gainkit.analysis.railsearch import fit_rails
from gainkit.analysis.rivals import (
    ALIKE,
    LEAST_FOR_RAILS,
    PLAIN_CURVE,
    could_be_any,
    few_orders_db,
    filters_may_hide,
    is_plain_curve,
    leaves_too_much,
    near_misses,
    no_truer,
    not_so_deep,
    plainer,
    ranked,
    tells_little,
    together,
    turned_by_a_filter,
    untrue,
    with_interval,
)
from gainkit.analysis.tone import HIGHEST_SHARE, ToneFit
from gainkit.remarks import Remark, fault, remark

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

CLEAN = Clipping(state="clean", side=None, positive_rail_volts=None, negative_rail_volts=None, overdrive_db=0.0)
UNJUDGED = Clipping(
    state=None, side=None, positive_rail_volts=None, negative_rail_volts=None, overdrive_db=None
)
LEAST_ORDERS = 3
"""Orders without which clipping cannot be seen: both rails alike make no second harmonic [-]."""

USUAL_RATES_HZ = (48_000.0, 96_000.0, 192_000.0)
"""Sample rates of recorders [Hz]."""

LEAST_FOR_CURVES = 6
"""Orders with which a curve can be told from a rail: it is free in the first three [-]."""

LEAST_SURE_DB = 0.05
"""The least overdrive that tells by itself that there is a rail [dB]: it makes 0.13 % of THD in 20 orders."""

FARTHEST_COUPLING = 0.2
"""A recorder's coupling lies no nearer to the tone than this share of it [-]: 10 Hz under a tone of 50 Hz."""

EXPLAINS_ALL = 0.9995
"""Rails that explain this share need no other explanation beside them [-]."""


@dataclass(frozen=True)
class Verdict:
    """The clipping result, the fit behind it (None where none was possible), and remarks on the wave.

    hidden : whether rails behind a filter come near to distortion that no rail alone explains.
    """

    clipping: Clipping
    rails: RailFit | None
    remarks: tuple[Remark, ...]
    hidden: bool = False

    @property
    def too_high(self) -> bool:
        """Whether the tone is too high for this recording to show any clipping."""
        return any(each.code == "tone_too_high" for each in self.remarks)


def least_rate_hz(frequency_hz: float) -> float:
    """The lowest usual sample rate at which a tone's third harmonic is in the recording [Hz]."""
    needed = LEAST_ORDERS * frequency_hz / HIGHEST_SHARE
    return next((rate for rate in USUAL_RATES_HZ if rate >= needed), USUAL_RATES_HZ[-1])


def judge(tone: ToneFit, limit_thd_percent: float) -> Verdict:
    """Rails and underlying sine of a steady tone; the state after the thresholds' page.

    limit_thd_percent : THD at which a rail that is seen counts as clipped [%].
    """
    crest = tone.relative()
    if len(crest) < LEAST_ORDERS:
        return Verdict(
            UNJUDGED, None, (fault("tone_too_high", least_rate_hz=least_rate_hz(tone.frequency_hz)),)
        )
    if not _stands_out(tone, crest):
        return Verdict(CLEAN, None, unnamed(tone, limit_thd_percent))
    relative, corner_ratio = without_coupling(crest)
    real, noise = relative.real.copy(), tone.noise_peak / np.sqrt(2)
    rails = fit_rails(real, noise)
    explained = _explained(rails, relative, tone)
    interval, alone, bent, hidden = None, True, False, False
    if explained < EXPLAINS_ALL or rails.knee.free is not None or could_be_any(crest, corner_ratio):
        of = explanations(Measured(crest, tone.noise_peak), rails, relative, corner_ratio)
        of = plainer(of, len(crest))
        if (flats := _sticking(tone, of, len(crest))) is not None:
            return _slow_recovery(flats, tone, limit_thd_percent)
        other = _other_explanation(tone, of, crest, corner_ratio, limit_thd_percent)
        if other.verdict is not None:
            return other.verdict
        interval, alone, bent = other.interval, other.alone, other.bent
        distortion = tone.thd_percent / max(limit_thd_percent, 1e-9)
        hidden = filters_may_hide(of, crest, tone.staircase_volts, distortion)
    elif len(crest) < LEAST_FOR_RAILS:
        interval = with_interval([], len(crest), *few_orders_db(crest))
    sides = _sides_at_rail(rails, tone, limit_thd_percent)
    if explained < thresholds.RAIL_EXPLAINS_WELL and (flats := flat_rails(tone)) is not None:
        return _slow_recovery(flats, tone, limit_thd_percent)
    if explained < _least_explained(rails, bent) or not any(sides) or _smooth(real, noise, rails):
        if hidden:
            return _hidden(tone, rails)
        if tone.thd_percent >= limit_thd_percent and _mere_curve(rails, explained):
            may_clip = interval is not None and interval[1] > 0  # behind a filter
            return _hidden(tone, rails) if may_clip else Verdict(CLEAN, rails, knee_remark(rails, tone))
        told = other_kind(tone, relative, limit_thd_percent)
        straight = relative if corner_ratio < FARTHEST_COUPLING else crest
        if not told and turned_by_a_filter(straight, tone.noise_peak):
            told = (remark("filter_may_hide", thd_percent=tone.thd_percent),)
        return Verdict(CLEAN, rails, told)
    if max(rails.overdrive_db) > thresholds.RECTIFIED_OVERDRIVE_DB and not all(sides):
        missing = fault("missing_half", side="positive" if sides[0] else "negative")
        return Verdict(CLEAN, rails, (missing,))
    clipping = _clipping(rails, sides, tone, limit_thd_percent, interval)
    if explained < thresholds.EXPLAINS_WITHOUT_OVERDRIVE and not _surely_beyond(clipping):
        return _hidden(tone, rails)
    below = interval is not None and max(interval[1], *rails.overdrive_db) <= 0  # whatever explains it
    remarks = (
        *(knee_remark(rails, tone) if alone or below else ()),
        *(coupling_remark(corner_ratio, tone.frequency_hz) if alone else ()),
        *interval_remark(clipping.overdrive_interval_db),
    )
    return Verdict(clipping, rails, remarks)


def _surely_beyond(clipping: Clipping) -> bool:
    """Whether the sine goes beyond its rails by all explanations that fit alike."""
    overdrive_db = clipping.overdrive_db or 0.0
    return min(clipping.overdrive_interval_db or (overdrive_db,)) > LEAST_SURE_DB


def _mere_curve(rails: RailFit, explained: float) -> bool:
    """Whether soft rails tell the wave that are so far off that they only are its curve."""
    compressed = min(rails.compression_db) > thresholds.LEAST_COMPRESSION_DB / 2
    return not rails.hard and compressed and explained >= thresholds.RAIL_EXPLAINS_WELL


def _least_explained(rails: RailFit, bent: bool) -> float:
    """The share of the harmonics' power that rails must explain to be told [-]."""
    if rails.knee.slope > thresholds.NAMED_SLOPE:
        return thresholds.GIVING_WAY_EXPLAINS
    return thresholds.RAIL_EXPLAINS_WELL if bent else thresholds.RAIL_EXPLAINS


def _no_less_plain(
    tone: ToneFit, alone: Explanation, best: Explanation, orders: int, limit_thd_percent: float
) -> bool:
    """Whether rails alone that the sine does not reach tell the wave about as well as the best, or a dead zone
    so small that hardly an amplifier is without."""
    if alone.rails is None or any(_sides_at_rail(alone.rails, tone, limit_thd_percent)):
        return False
    zone = alone.rails.knee.zone > 0 and alone.left_share < LEAVES
    return (zone and tone.thd_percent < thresholds.NAMED_THD_PERCENT) or no_truer(best, alone, orders)


@dataclass(frozen=True)
class _Other:
    """What else explains the harmonics.

    verdict : where something does so better than rails alone; None elsewhere. interval : of overdrive that all
    explanations span which fit alike [dB]; None where they agree. alone : whether rails alone have no rival.
    bent : whether a mere curve tells the wave as well: rails must then tell it nearly all.
    """

    verdict: Verdict | None = None
    interval: tuple[float, float] | None = None
    alone: bool = True
    bent: bool = False


def _sticking(tone: ToneFit, of: list[Explanation], orders: int) -> Flats | None:
    """Rails seen in the wave itself where nothing explains the harmonics, and those tell another overdrive."""
    best, _ = ranked(of, orders)
    doubted = untrue(best, orders) and (best.left_share > MUCH_LEFT or not_so_deep(best, orders))
    if not doubted or best.cause in ("slew", "saturation") or held_hum_db(tone):
        return None
    flats = flat_rails(tone)
    return flats if flats is not None and flats.tell_against(best.rails, best.left_share) else None


def _other_explanation(
    tone: ToneFit, of: list[Explanation], crest: Phasors, corner_ratio: float, limit_thd_percent: float
) -> _Other:
    """A filter behind the rail, slew limiting or saturation, where one tells the harmonics better than rails
    alone.

    of : explanations, rails alone the first. crest : harmonics, straightened by corner_ratio for these.
    """
    alone, rails = of[0], of[0].rails
    assert rails is not None
    best, worse = ranked(of, len(crest))
    # a hard rail alone is a case of all of them: by chance they fit a little better
    simple = rails.hard and rails.knee.free is None and not could_be_any(crest, corner_ratio)
    slack = 0.0 if simple else ALIKE
    little = not simple and tells_little(of, crest)
    few = few_orders_db(crest, little)
    missed = [] if simple else near_misses(of, len(crest), little)
    if worse[0] < ALIKE:
        near = [one for one, more in zip(of, worse, strict=True) if one is alone or more <= worse[0] + slack]
        near = together(near, missed)
        return _Other(None, with_interval(near, len(crest), *few), (len(near) == 1 and not few) or simple)
    as_good = [
        one for one, more in zip(of, worse, strict=True) if more < ALIKE or is_plain_curve(one, len(crest))
    ]
    # a curve that is free in many orders comes near to anything: it only speaks against rails
    named, _ = ranked([one for one in of if one.cause != "curve" or one.figures <= PLAIN_CURVE], len(crest))
    if named.cause in ("slew", "saturation"):
        best = named
    elif (
        any(one.cause == "curve" for one in (best, *as_good))
        or (little and untrue(best, len(crest)))
        or _no_less_plain(tone, alone, best, len(crest), limit_thd_percent)
    ):
        near = together([alone, *(one for one in as_good if one.rails is not None)], missed)
        # the plainest of those that fit alike: no rail
        return _Other(None, with_interval(near, len(crest), *few), len(near) < 2 and not few, bent=True)
    if not_so_deep(best, len(crest)):
        few = [*few, 0.0]
    interval = with_interval(together(as_good, missed), len(crest), *few)
    best = tone_units(best, tone.frequency_hz)
    values = best.values or {}
    if best.cause == "slew":
        slope = values["slope"] * 2 * np.pi * tone.frequency_hz
        return _Other(Verdict(CLEAN, None, (fault("slew_limited", volts_per_microsecond=slope * 1e-6),)))
    if best.cause == "saturation":
        return _Other(Verdict(CLEAN, None, (fault("saturation", thd_percent=tone.thd_percent),)))
    assert best.rails is not None
    if leaves_too_much(best, alone, len(crest)):
        return _Other(_hidden(tone, rails))
    sides = _sides_at_rail(best.rails, tone, limit_thd_percent)
    if not any(sides) or (max(best.rails.overdrive_db) > thresholds.RECTIFIED_OVERDRIVE_DB and not all(sides)):
        return _Other()
    clipping = _clipping(best.rails, sides, tone, limit_thd_percent, interval)
    told = _of_cause(best, tone)
    causes = () if hum_rounds_alike(tone, rails, best.rails) else told
    return _Other(
        Verdict(clipping, best.rails, (*causes, *interval_remark(clipping.overdrive_interval_db))),
        interval,
        False,
    )


def _of_cause(best: Explanation, tone: ToneFit) -> tuple[Remark, ...]:
    """What is told of a knee behind a law, a coupling or another filter, its corners in hertz."""
    values = best.values or {}
    if best.rails is not None and best.cause == "rails":
        return knee_remark(best.rails, tone)
    if best.cause == "coupling":
        return (remark("ac_coupling", corner_hz=values["corner"], order=int(best.name.split()[1][0])),)
    return (remark("filtered", kind=best.name.split()[0], **values),)


def _stands_out(tone: ToneFit, relative: Phasors) -> bool:
    """Whether there is any distortion to explain, above noise and above what every recorder has."""
    if tone.full_thd_percent < max(thresholds.LEAST_THD_PERCENT, tone.thd_floor_percent):
        return False
    power, noise_power = _beyond_fundamental(relative), _beyond_fundamental(tone.noise_peak)
    spread = noise_power * float(np.sqrt(2 / len(relative)))
    return power >= noise_power + thresholds.RAIL_SIGNIFICANCE * spread


def _beyond_fundamental(peaks: Phasors | Floats) -> float:
    """Sum of squares of orders 2.. [V^2]."""
    return float(np.sum(np.abs(peaks[1:]) ** 2))


def _explained(rails: RailFit, relative: Phasors, tone: ToneFit) -> float:
    """The share that rails explain of the harmonics' power beyond the noise [-]."""
    imaginary = float(np.sum(relative.imag[1:] ** 2))  # no memoryless stage makes it
    noise_power = _beyond_fundamental(tone.noise_peak)
    left = max(rails.misfit + imaginary - noise_power, 0.0)
    return 1 - left / max(rails.misfit_without_rails + imaginary - noise_power, 1e-300)


def _slow_recovery(flats: Flats, tone: ToneFit, limit_thd_percent: float) -> Verdict:
    """Rails that were seen in the wave, not in its harmonics: it may stay at them longer than the sine does."""
    flat, interval = flats.rails, flats.interval_db
    sides = (flat.overdrive_db[0] > 0, flat.overdrive_db[1] > 0)
    clipping = _clipping(flat, sides, tone, limit_thd_percent, interval)
    told = (remark("slow_recovery"),) if flats.recover_slowly else ()
    return Verdict(clipping, flat, (*told, *interval_remark(clipping.overdrive_interval_db)))


def _sides_at_rail(rails: RailFit, tone: ToneFit, limit_thd_percent: float) -> tuple[bool, bool]:
    """Which sides show a rail: hard by overdrive beyond its uncertainty, soft by compression of the crest."""
    seen = []
    both = min(rails.compression_db) > thresholds.LEAST_COMPRESSION_DB / 2
    beyond_limit = both and tone.full_thd_percent >= limit_thd_percent
    for side in (0, 1):
        overdrive, compression = rails.overdrive_db[side], rails.compression_db[side]
        if rails.hard:
            doubt = thresholds.RAIL_SIGNIFICANCE * _deviation_db(rails, side, tone)
            least = max(thresholds.LEAST_OVERDRIVE_DB, min(doubt, thresholds.DEEP_OVERDRIVE_DB))
            seen.append(overdrive > least)
        else:
            least = thresholds.LEAST_AT_LIMIT_DB if beyond_limit else thresholds.LEAST_SOFT_OVERDRIVE_DB
            seen.append(compression > thresholds.LEAST_COMPRESSION_DB and overdrive > least)
    return seen[0], seen[1]


def _deviation_db(rails: RailFit, side: int, tone: ToneFit) -> float:
    """Standard deviation of one side's overdrive: of the fit, and of where in its step a crest stood [dB]."""
    blur = 20 / np.log(10) * tone.blur_volts / max(rails.rail_volts(side), 1e-300)
    return float(np.hypot(rails.deviation_db[side], blur))


def _smooth(real: Floats, noise: Floats, rails: RailFit) -> bool:
    """True where a curve without any rail tells the harmonics far better than rails do.

    The curve: a square and a cube law (orders 2 and 3 free) and halves of unequal gain, which make
    (-1)^(n+1)/(4 n^2 - 1) of order 2 n.
    """
    if len(real) < LEAST_FOR_CURVES or rails.misfit < 4 * float(noise @ noise):
        return False
    halves = np.arange(2, len(real) // 2 + 1)
    pattern = np.zeros(len(real) - 3)
    pattern[2 * halves - 4] = (-1.0) ** (halves + 1) / (4 * halves**2 - 1)
    beyond = real[3:]
    left = beyond - pattern * (pattern @ beyond) / (pattern @ pattern)
    return float(left @ left) < thresholds.SMOOTH_RATIO * rails.misfit


def _clipping(
    rails: RailFit,
    sides: tuple[bool, bool],
    tone: ToneFit,
    limit_thd_percent: float,
    interval: tuple[float, float] | None,
) -> Clipping:
    """The verdict on rails that are seen. interval : of overdrives that fit alike, or None [dB]."""
    name: Side = "both" if all(sides) else "positive" if sides[0] else "negative"
    centre = tone.dc_volts - rails.mean
    overdrive, deviation = max(
        (rails.overdrive_db[side], _deviation_db(rails, side, tone)) for side in (0, 1) if sides[side]
    )
    # a filter behind the rails may take away most of what they make, or add to it
    thd_percent = max(tone.full_thd_percent, rails.thd_percent if rails.behind else 0.0)
    period = tone.period()
    # a soft knee nears its rail and never reaches it: the output is held where its own crest stands
    high = min(float(centre + rails.rail_volts(0)), float(period.max()))
    low = max(float(centre - rails.rail_volts(1)), float(period.min()))
    return Clipping(
        state="clipped" if thd_percent >= limit_thd_percent and overdrive > 0 else "at-onset",
        side=name,
        positive_rail_volts=high if sides[0] else None,
        negative_rail_volts=low if sides[1] else None,
        overdrive_db=overdrive,
        overdrive_uncertainty_db=deviation,
        overdrive_interval_db=interval and (min(interval[0], overdrive), max(interval[1], overdrive)),
    )


def _hidden(tone: ToneFit, rails: RailFit) -> Verdict:
    """Distortion that rails behind a filter may make: whether the output clips is not known."""
    return Verdict(CLEAN, rails, (fault("not_by_a_rail", thd_percent=tone.thd_percent),), hidden=True)
