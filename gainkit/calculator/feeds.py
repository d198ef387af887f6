"""Copper between battery, amplifier and loudspeaker: resistance, volts and headroom lost."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gainkit.errors import GainkitError
from gainkit.levels import FloatOrArray, db_from_ratio

COPPER_OHM_M = 1.0 / 58e6
"""Resistivity of annealed copper at 20 degrees C [ohm m]: 100 % IACS, IEC 60028."""

COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper's resistance at 20 degrees C [1/K], IEC 60028."""

STRANDED_OHM_PER_KM = {
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30, 10.0: 1.91, 16.0: 1.21,
    25.0: 0.780, 35.0: 0.554, 50.0: 0.386,
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
    raise GainkitError(f"The wire gauge is {name!r}.", "Give an AWG number of 0 to 40, or 1/0, 2/0, 3/0, 4/0.")


def wire_ohms(
    length_m: FloatOrArray, square_mm: FloatOrArray, temperature_celsius: float = 20.0
) -> FloatOrArray:
    """Resistance of a copper conductor of that length [ohm]: rho l / A x (1 + alpha (T - 20))."""
    warm = 1.0 + COPPER_PER_KELVIN * (temperature_celsius - 20.0)
    ohms: FloatOrArray = COPPER_OHM_M * warm * length_m / (square_mm * 1e-6)
    return ohms


def constant_power_volts(
    supply_volts: FloatOrArray, loop_ohms: FloatOrArray, input_watts: FloatOrArray
) -> FloatOrArray:
    """Volts at a load that draws constant power through a resistance [V]; NaN where it cannot be had.

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


@dataclass(frozen=True)
class Feed:
    """What a cable costs; keys of the other use (power feed or loudspeaker wire) are None.

    wire_ohms : feed and return together [ohm]. power_lost_db : power in the loudspeaker against no wire [dB].
    wire_share_percent : share of the power delivered that heats the wire [%]. wire_watts : that heat [W].
    """

    supply_amperes: float | None
    lost_volts: float | None
    amplifier_volts: float | None
    headroom_lost_db: float | None
    level_lost_db: float | None
    power_lost_db: float | None
    wire_ohms: float
    square_mm: float
    wire_watts: float | None
    wire_share_percent: float
    notes: tuple[str, ...]


def power_feed(
    watts: float,
    efficiency: float,
    supply_volts: float,
    length_m: float,
    square_mm: float,
    celsius: float = 20.0,
) -> Feed:
    """An amplifier as a constant-power load behind feed and return of `length_m` each.

    watts : output power [W]; efficiency : output over input, 0 to 1 [-]. Raises GainkitError when the
    cable cannot carry that power at all.
    """
    loop = wire_ohms(2.0 * length_m, square_mm, celsius)
    at_amplifier = constant_power_volts(supply_volts, loop, watts / efficiency)
    if math.isnan(at_amplifier):
        most = efficiency * supply_volts**2 / (4.0 * loop)
        raise GainkitError(
            f"{watts:g} W cannot be had through this cable: on {supply_volts:g} V it passes {most:.0f} W.",
            "Use a thicker or shorter cable, or give less power.",
        )
    amperes = watts / efficiency / at_amplifier
    notes = [
        f"At an efficiency of {efficiency:g} the input is {watts / efficiency:.0f} W. This is the moment of "
        "full power; music draws a fraction of it on average.",
        "Fuse the feed close to the battery, by the cable maker's table and local code, not by this figure.",
        *_stranded_note(length_m, square_mm, amperes),
    ]
    return Feed(
        amperes, amperes * loop, at_amplifier, db_from_ratio(at_amplifier / supply_volts), None, None,
        loop, square_mm, amperes**2 * loop, 100.0 * amperes * loop / supply_volts, tuple(notes),
    )  # fmt: skip


def speaker_wire(speaker_ohms: float, length_m: float, square_mm: float, celsius: float = 20.0) -> Feed:
    """A loudspeaker of that nominal impedance [ohm] behind `length_m` of two-core wire."""
    loop = wire_ohms(2.0 * length_m, square_mm, celsius)
    lost = level_lost_db(speaker_ohms, loop)
    share = 100.0 * loop / (speaker_ohms + loop)
    notes = (
        "The loss in dB compares the loudspeaker with no wire at all; the share is of the power that the "
        "amplifier then delivers: two different losses.",
    )
    return Feed(None, None, None, None, lost, lost, loop, square_mm, None, share, notes)


def _stranded_note(length_m: float, square_mm: float, amperes: float) -> list[str]:
    """What the standard's upper limit for a stranded cable of that nominal size would make of the drop."""
    for nominal, ohm_per_km in STRANDED_OHM_PER_KM.items():
        if math.isclose(nominal, square_mm, rel_tol=1e-6):
            lost = amperes * 2.0 * length_m * ohm_per_km / 1000.0
            return [
                f"A flexible cable of {nominal:g} mm2 may lose up to {lost:.2f} V and still meet IEC 60228."
            ]
    return []
