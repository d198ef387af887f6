"""Copper between battery, amplifier and loudspeaker: resistance, volts and headroom lost."""

from __future__ import annotations

import math
from dataclasses import replace

from gainkit.calculator import ranges
from gainkit.calculator.conductors import COPPER, COPPER_CELSIUS, MATERIALS, wire_ohms
from gainkit.calculator.feed_cautions import CONNECTIONS_BURN, feed_cautions
from gainkit.calculator.feed_model import NOTHING_MORE, Feed, FeedFacts
from gainkit.calculator.ranges import refuse_outside
from gainkit.calculator.wire_safety import judge_wire
from gainkit.errors import GainkitError
from gainkit.levels import FloatOrArray, db_from_ratio
from gainkit.remarks import Remark, codes, remark

USUAL_EFFICIENCY = 0.8
"""Output over input of a switching amplifier at full power [-] (common practice, no source)."""

USUAL_SUPPLY_VOLTS = 14.4
"""A 12 V system while it is charged [V] (common practice, no source)."""


STRANDED_OHM_PER_KM = {
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30, 10.0: 1.91, 16.0: 1.21,
    25.0: 0.780, 35.0: 0.554, 50.0: 0.386, 70.0: 0.272, 95.0: 0.206, 120.0: 0.161,
}  # fmt: skip
"""Highest resistance that IEC 60228 allows a flexible (class 5) plain copper conductor, by mm2 [ohm/km]."""


def awg_square_mm(awg: FloatOrArray) -> FloatOrArray:
    """Copper area of an American wire gauge number [mm2]; 1/0 is 0, 2/0 is -1, 3/0 is -2, 4/0 is -3.

    d = 0.127 mm x 92^((36 - n)/39), ASTM B258; area pi d^2 / 4 (solid; strand is judged by the same area).
    """
    millimetres = 0.127 * 92.0 ** ((36.0 - awg) / 39.0)
    area: FloatOrArray = math.pi / 4.0 * millimetres**2
    return area


def awg_number(name: str) -> int:
    """Gauge number from its name: '8' is 8, '1/0' (also '0') is 0, '4/0' (also '0000') is -3."""
    text = name.strip()
    zeros, slash, rest = text.partition("/")
    if slash and rest == "0" and zeros in {"1", "2", "3", "4"}:
        return 1 - int(zeros)
    if text and set(text) == {"0"} and len(text) <= 4:
        return 1 - len(text)
    if text in map(str, range(1, 41)):
        return int(text)
    raise GainkitError("wire_gauge", "awg", name)


def constant_power_volts(
    supply_volts: FloatOrArray, loop_ohms: FloatOrArray, input_watts: FloatOrArray
) -> FloatOrArray:
    """Volts at a load that draws constant power through a resistance [V]; NaN where there is none.

    U = U0 - I R with I = P / U gives U = (U0 + sqrt(U0^2 - 4 P R)) / 2, the stable one of two solutions; none
    exists once P is above U0^2 / (4 R).
    """
    square = supply_volts**2 - 4.0 * input_watts * loop_ohms
    if isinstance(square, (int, float)):
        return (supply_volts + math.sqrt(square)) / 2.0 if square >= 0 else math.nan
    import numpy as np

    with np.errstate(invalid="ignore"):
        return (supply_volts + np.sqrt(square)) / 2.0


def level_lost_db(speaker_ohms: FloatOrArray, loop_ohms: FloatOrArray) -> FloatOrArray:
    """Level at the loudspeaker against no wire at all [dB], negative: 20 log10(R / (R + wire))."""
    return db_from_ratio(speaker_ohms / (speaker_ohms + loop_ohms))


def find_feed(
    length_m: float,
    *,
    watts: float | None = None,
    speaker_ohms: float | None = None,
    awg: str | None = None,
    mm2: float | None = None,
    efficiency: float = USUAL_EFFICIENCY,
    supply_volts: float = USUAL_SUPPLY_VOLTS,
    temperature_c: float = COPPER_CELSIUS,
    facts: FeedFacts = NOTHING_MORE,
) -> Feed:
    """What a power feed or a loudspeaker wire costs in volts and in decibels, and if the feed is safe.

    Parameters
    ----------
    length_m : float
        One way [m]; the return is counted as equal.
    watts : float
        Output power of the amplifiers [W]: a power feed.
    speaker_ohms : float
        Nominal impedance [ohm]: a loudspeaker wire instead.
    awg, mm2 : str or float
        The cable's size, one of them: American wire gauge ('4', '1/0') or copper area [mm2].
    efficiency : float
        Output over input of the amplifiers at full power, above 0 and at most 1 [-].
    supply_volts : float
        At the battery [V].
    temperature_c : float
        Of the conductor [degrees Celsius].
    facts : FeedFacts
        Metal, fuse, contacts, return and a drop measured, of a power feed.

    Returns
    -------
    Feed
        Volts, amperes and watts for a power feed, decibels for a loudspeaker wire; the other's fields are None.

    Raises
    ------
    GainkitError
        `outside_range`, `needs_one_of` and `not_both` for the figures; `wire_gauge` for an unknown gauge;
        `cable_too_thin` when the cable cannot carry that power at all.

    References
    ----------
    IEC 60028 for copper; ASTM B258 for the gauge; the constant-power load as a quadratic (derivation); for the
    verdict IEC 60287, IEC 60364-4-43 and IEC 60949, see `wire_safety`.

    Examples
    --------
    >>> round(find_feed(5, watts=500, awg="4").amplifier_volts, 2)
    14.04
    >>> round(find_feed(5, speaker_ohms=4, mm2=2.5).level_lost_db, 2)
    -0.15
    """
    for first, second, given in (("awg", "mm2", (awg, mm2)), ("watts", "speaker_ohms", (watts, speaker_ohms))):
        if given == (None, None):
            raise GainkitError("needs_one_of", first, other=second)
        if None not in given:
            raise GainkitError("not_both", first, given[0], other=second)
    square_mm = awg_square_mm(float(awg_number(str(awg)))) if mm2 is None else mm2
    if watts is not None:
        return power_feed(watts, efficiency, supply_volts, length_m, square_mm, temperature_c, facts)
    assert speaker_ohms is not None
    return speaker_wire(speaker_ohms, length_m, square_mm, temperature_c, facts.material)


def power_feed(
    watts: float,
    efficiency: float,
    supply_volts: float,
    length_m: float,
    mm2: float,
    temperature_c: float = COPPER_CELSIUS,
    facts: FeedFacts = NOTHING_MORE,
) -> Feed:
    """An amplifier as a constant-power load behind feed and return of `length_m` each.

    watts : output power [W]; efficiency : output over input, 0 to 1 [-]. Raises GainkitError for a figure that
    cannot be, and when the cable cannot carry that power at all.
    """
    refuse_outside("watts", watts, ranges.POWER_WATTS, needed=True)
    refuse_outside("efficiency", efficiency, ranges.FRACTION, needed=True)
    refuse_outside("supply_volts", supply_volts, ranges.SUPPLY_VOLTS, needed=True)
    _refuse_cable(length_m, mm2, temperature_c)
    loop = facts.loop_ohms(length_m, mm2, temperature_c)
    at_amplifier = constant_power_volts(supply_volts, loop, watts / efficiency)
    if math.isnan(at_amplifier):
        most = efficiency * supply_volts**2 / (4.0 * loop)
        raise GainkitError("cable_too_thin", "watts", watts, supply_volts=supply_volts, most_watts=most)
    amperes = watts / efficiency / at_amplifier
    judged = judge_wire(amperes, mm2, facts.fuse_amperes, MATERIALS[facts.material], facts.air_celsius)
    measured = excess = None
    if facts.measured_drop_volts is not None:
        measured = facts.measured_drop_volts / (facts.measured_amperes or amperes)
        excess = max(measured - loop, 0.0) * amperes**2
    feed = Feed(
        supply_amperes=amperes,
        lost_volts=amperes * loop,
        amplifier_volts=at_amplifier,
        headroom_lost_db=db_from_ratio(at_amplifier / supply_volts),
        level_lost_db=None,
        power_lost_db=None,
        wire_ohms=loop,
        square_mm=mm2,
        wire_watts=amperes**2 * loop,
        wire_share_percent=100.0 * amperes * loop / supply_volts,
        notes=(),
        contact_watts=amperes**2 * facts.contact_ohms,
        fuse_amperes=facts.fuse_amperes,
        material=facts.material,
        measured_drop_volts=facts.measured_drop_volts,
        measured_ohms=measured,
        excess_watts=excess,
        **vars(judged),
    )
    about_power = remark("input_power_is_of_the_moment", efficiency=efficiency, input_watts=watts / efficiency)
    stranded = _stranded_notes(length_m, mm2, amperes) if facts.material == COPPER.name else []
    cautions = tuple(feed_cautions(feed, facts))
    if CONNECTIONS_BURN & codes(cautions):  # a cable is no safer than what holds it
        feed = replace(feed, verdict="not safe")
    return replace(feed, notes=(*cautions, about_power, *stranded))


def speaker_wire(
    speaker_ohms: float,
    length_m: float,
    mm2: float,
    temperature_c: float = COPPER_CELSIUS,
    material: str = COPPER.name,
) -> Feed:
    """A loudspeaker of that nominal impedance [ohm] behind `length_m` of two-core wire.

    Raises GainkitError for a figure that cannot be.
    """
    refuse_outside("speaker_ohms", speaker_ohms, ranges.OHMS, needed=True)
    _refuse_cable(length_m, mm2, temperature_c)
    loop = wire_ohms(2.0 * length_m, mm2, temperature_c, MATERIALS[material])
    lost = level_lost_db(speaker_ohms, loop)
    share = 100.0 * loop / (speaker_ohms + loop)
    notes = (remark("two_different_losses"),)
    return Feed(None, None, None, None, lost, lost, loop, mm2, None, share, notes, material=material)


def _refuse_cable(length_m: float, mm2: float, temperature_c: float) -> None:
    """Raise GainkitError for a cable that cannot be."""
    refuse_outside("length_m", length_m, ranges.METRES, needed=True)
    refuse_outside("mm2", mm2, ranges.SQUARE_MM, needed=True)
    refuse_outside("temperature_c", temperature_c, ranges.CELSIUS, needed=True)


def _stranded_notes(length_m: float, mm2: float, amperes: float) -> list[Remark]:
    """What the standard's upper limit for a stranded cable of that nominal size would make of the drop."""
    for nominal, ohm_per_km in STRANDED_OHM_PER_KM.items():
        if math.isclose(nominal, mm2, rel_tol=1e-6):
            lost = amperes * 2.0 * length_m * ohm_per_km / 1000.0
            return [remark("stranded_cable_may_lose", nominal_mm2=nominal, lost_volts=lost)]
    return []
