"""Explanations of a wave that fit about as well, and between which overdrives they leave the truth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.explanation import DEPTHS_DB, LEAVES, UNTRUE, Explanation
from gainkit.analysis.flats import MUCH_LEFT
from gainkit.analysis.rails import HARD, Knees, held_harmonics

Phasors = NDArray[np.complex128]

ALIKE = 10.0
"""Explanations whose criterion differs by less fit alike: odds of 150 to 1 (Kass and Raftery 1995, 'very
strong' from there on, from memory) [-]."""

LEAST_FOR_RAILS = 5
"""Orders without which a rail is one of many curves that make a third harmonic: the fifth tells it [-]."""

LEAST_JOINT_ORDERS = 7
"""Orders without which a filter could be anything: with fewer it only says how far off rails alone may be
[-]."""

TELLS = 0.1
"""A harmonic tells of a filter from this share of all distortion on [-] (chosen: of a square wave a first-order
low-pass leaves the fifth a third of the third, a fourth-order one below the tone a thirteenth)."""

TURNED = 0.05
"""Of the harmonics' power so much across the crest is no memoryless stage's [-]: turned by 13 degrees."""

TURNED_AT_ALL = 0.005
"""... and so much is not of a stage and noise alone [-]: turned by 4 degrees."""

OVER_NOISE = 40.0
"""Harmonics of so many times the noise's power tell how they are turned: half of what noise adds stands across
the crest, a quarter of TURNED then [-]."""

EXACT = 0.1
"""An explanation that leaves less than this share of what noise and the amplifier make is no chance [-]."""

HALVED = 2.0
"""So many times weaker the third harmonic may be behind a filter that is not known (our choice): it lies near
the corner then [-]."""

RAISED = 1.4
"""... or stronger (our choice): by 3 dB, the resonance of an output filter without its load [-]."""

FAR_OVER_LIMIT = 4.0
"""Of so many times the limit of THD only rails make more in an amplifier (our choice) [-]."""

LEANS = 2.5
"""By so many times the root of the share of the harmonics' power that it leaves, an explanation that is not
true and leaves much may tell overdrive wrong, as a share of it [-] (chosen on rails that bend before a shelf,
0.2 dB off where they left 0.7 %)."""

HARDLY_TRUE = 1.5
"""Rails that leave so many times what noise and an amplifier's own distortion make are tried behind a law, too:
noise alone leaves more in three of a hundred with twenty harmonics (chi^2 of 36 figures) [-]."""

PLAIN_CURVE = 5
"""Figures of the plainest curve: its size, and orders 2 and 3 [-]."""

UNTRUE_SHARE = 5.0
"""What untrue explanations leave is no noise, and their odds mean nothing: those are kept that leave no more
than so many times what the best of them leaves [-] (our choice)."""


def ranked(of: list[Explanation], orders: int) -> tuple[Explanation, list[float]]:
    """The best explanation, and by how much the criterion of each is worse."""
    scale = max(_left_over(of, orders), 1.0)
    worse = [one.criterion(orders, scale) for one in of]
    best = min(worse)
    return of[worse.index(best)], [each - best for each in worse]


def _left_over(of: list[Explanation], orders: int) -> float:
    """What the best leaves of each part of a harmonic, over what noise and the amplifier make of it [-]."""
    return min(one.chi2 / max(2 * orders - one.figures, 1) for one in of)


def near_misses(of: list[Explanation], orders: int, little: bool = False) -> list[Explanation]:
    """Rails with and without filters that come about as near as the nearest, where none comes near enough; all
    that come near where the wave tells little.

    A knee behind a law has so many figures that it comes near to what a filter rounds: where it is the nearest,
    the others are told beside it.
    """
    railed = [one for one in of if one.rails is not None]
    if little:
        return [one for one in railed if one.left_share < LEAVES]
    if _of_many_figures(min(railed, key=lambda one: one.chi2)):
        railed = [one for one in railed if not _of_many_figures(one)]
        if near := [one for one in railed if not untrue(one, orders)]:
            return near
    if _left_over(railed, orders) < UNTRUE:
        return []
    least = min(one.left_share for one in railed)
    return [one for one in railed if one.left_share <= UNTRUE_SHARE * least]


def plainer(of: list[Explanation], orders: int) -> list[Explanation]:
    """The same without knees behind a law where rails behind a filter are true, too, or nearly."""
    filters = [one for one in of if one.rails is not None and one.rails.behind]
    near = any(one.left_share < MUCH_LEFT / 2 or not untrue(one, orders) for one in filters)
    return [one for one in of if not _of_many_figures(one)] if near else of


def _of_many_figures(one: Explanation) -> bool:
    """Whether it is a knee behind a law."""
    return one.rails is not None and any(one.rails.law) and one.rails.knee.free is not None


def _turned(relative: Phasors, share: float = TURNED) -> bool:
    """Whether harmonics (K,) from the crest stand across it as no memoryless stage makes them."""
    beyond = relative[1:]
    return float(np.sum(beyond.imag**2)) > share * float(np.sum(np.abs(beyond) ** 2))


def turned_by_a_filter(relative: Phasors, noise_peak: NDArray[np.float64]) -> bool:
    """Whether harmonics (K,) from the crest that stand well above the noise are turned."""
    power, noise = (float(np.sum(np.abs(each[1:]) ** 2)) for each in (relative, noise_peak))
    return power > OVER_NOISE * noise and _turned(relative)


def tells_little(of: list[Explanation], relative: Phasors) -> bool:
    """Whether a filter has turned harmonics (K,) from the crest of which one alone is left.

    Any of many filters made it, unless hard rails behind one of those leave next to nothing.
    """
    power = np.abs(relative[1:]) ** 2
    alone = int(np.count_nonzero(power >= TELLS**2 * power.sum())) < 2
    hard = [one for one in of if one.rails is not None and one.rails.knee.free is None]
    exact = bool(hard) and _left_over(hard, len(relative)) <= EXACT
    return alone and _turned(relative) and not exact


def filters_may_hide(
    of: list[Explanation], relative: Phasors, rounding_volts: float, distortion: float
) -> bool:
    """Whether rails behind a filter leave little of harmonics (K,) from the crest that are turned, or turned at
    all and far more than amplifiers make that are not at their rails.

    Or whether that cannot be seen for what a coarse quantiser makes of them [V peak]. distortion : over the
    limit [-].
    """
    rounded = rounding_volts**2 > LEAVES * float(np.sum(np.abs(relative[1:]) ** 2))
    filtered = [one.rails for one in of if one.rails is not None and one.left_share < LEAVES]
    near = any(each.behind and max(each.overdrive_db) < thresholds.RECTIFIED_OVERDRIVE_DB for each in filtered)
    if distortion > FAR_OVER_LIMIT:
        return near and _turned(relative, TURNED_AT_ALL)
    return distortion >= thresholds.HIDES_FROM and _turned(relative) and (near or rounded)


def leaves_too_much(best: Explanation, alone: Explanation, orders: int) -> bool:
    """Whether the best is not true and leaves much where rails alone tell little of the wave: its filter could
    be anything."""
    much = best.left_share > LEAVES / 2 and untrue(best, orders)
    return much and alone.left_share > 1 - thresholds.RAIL_EXPLAINS


def no_truer(best: Explanation, alone: Explanation, orders: int) -> bool:
    """Whether the best is not true and leaves hardly less than rails alone."""
    return untrue(best, orders) and alone.left_share <= UNTRUE_SHARE * best.left_share


def is_plain_curve(one: Explanation, orders: int) -> bool:
    """Whether a square and a cube law explain all but what an amplifier makes besides: then no rail behind a
    filter is told by that."""
    return one.cause == "curve" and one.figures <= PLAIN_CURVE and not untrue(one, orders, HARDLY_TRUE)


def untrue(one: Explanation, orders: int, times: float = UNTRUE) -> bool:
    """Whether it leaves far more than noise and the amplifier make."""
    return _left_over([one], orders) >= times


def not_so_deep(one: Explanation, orders: int) -> bool:
    """Whether it takes for a square wave what it does not tell exactly: so looks what sticks to its rails."""
    deep = one.rails is not None and max(one.rails.overdrive_db) > thresholds.DEEP_OVERDRIVE_DB
    return deep and _left_over([one], orders) > EXACT


def could_be_any(crest: Phasors, corner_ratio: float) -> bool:
    """Whether harmonics (K,) that a coupling seems to have turned are too few to tell what turned them."""
    return corner_ratio > 0 and len(crest) < LEAST_JOINT_ORDERS


def together(some: list[Explanation], others: list[Explanation]) -> list[Explanation]:
    """Some explanations and those of the others that are not among them."""
    return [*some, *(one for one in others if not any(one is other for other in some))]


def few_orders_db(relative: Phasors, little: bool = False) -> list[float]:
    """Overdrives of hard rails that explain the third harmonic before a filter that raised it or took half of
    it [dB]: how far any may lead astray where orders are too few to know it; none, too, where a mere curve may
    make it. Empty where they are enough.

    relative : (K,) from the crest. little : whether they tell little of the filter although they are enough: it
    may then have taken any share of them.
    """
    few = len(relative) < LEAST_JOINT_ORDERS
    if not few and not little:
        return []
    grid = np.geomspace(1e-3, DEPTHS_DB[1], 200)
    shapes = held_harmonics(np.column_stack([grid, grid]), Knees.of([HARD] * len(grid)), 3)
    share = abs(relative[2]) / abs(relative[0])
    of_grid = np.abs(shapes[:, 3] / shapes[:, 1])
    bounds = (1 / RAISED, HALVED) if few else (1 / RAISED,)
    of_curves = [0.0] if len(relative) < LEAST_FOR_RAILS else []
    return [*of_curves, *(float(np.interp(times * share, of_grid, grid)) for times in bounds)]


def with_interval(of: list[Explanation], orders: int, *further_db: float) -> tuple[float, float] | None:
    """Lowest and highest overdrive of those with rails, and further ones [dB]; None where all say nearly the
    same. Those that are not true may be as far off as what they leave leads them."""
    depths = list(further_db)
    for one in of:
        if one.rails is not None:
            depth = max(one.rails.overdrive_db)
            doubted = untrue(one, orders) and one.left_share > MUCH_LEFT
            off = LEANS * abs(depth) * float(np.sqrt(one.left_share)) if doubted else 0.0
            depths += [depth - off, depth + off]
    if not depths or max(depths) - min(depths) < 0.1:
        return None
    return max(min(depths), min(max(depths), 0.0)), max(depths)  # beyond a rail is never less than not at all
