"""Is a cable fit for its current? Temperature in free air, the fuse that protects it, and how soon it burns.

Two bounds, because two things are usually not known, the insulation and the route. Up to `continuous_amperes`
the weakest insulation sold stays within its rating, with other cables beside it; above `most_amperes` the best
usual one does not, even alone in free air. Between them only the cable maker's table knows. All of it defers to
that table and to local code.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from gainkit.calculator.conductors import COPPER, Material, adiabatic_k, ohms_per_m

Verdict = Literal["safe", "not safe", "not known"]

WEAK_INSULATION_CELSIUS = 70.0
"""Conductor temperature that general-purpose PVC allows all the time [degrees Celsius], IEC 60364-5-52."""

BEST_INSULATION_CELSIUS = 105.0
"""The highest rating that is usual on PVC cable for vehicles [degrees Celsius] (common practice, no source)."""

PVC_LIMIT_CELSIUS = 160.0
"""Conductor temperature at which PVC fails within seconds [degrees Celsius], IEC 60364-4-43 (from memory)."""

CABIN_CELSIUS = 40.0
"""Air around a cable in a car that stands in the sun a while [degrees Celsius] (our choice; more in an engine
bay, under a carpet heat also stays)."""

STRAND_FILL = 0.75
"""Copper area over the area of the circle around stranded copper [-] (common practice, no source)."""

PVC_KELVIN_M_PER_WATT = 5.0
"""Thermal resistivity of PVC [K m/W], IEC 60287-2-1 (from memory; 6 above 35 mm2 is also met)."""

SINGLE_CABLE = (0.21, 3.94, 0.60)
"""Z, E and g of one cable alone in still air, IEC 60287-2-1 (from memory)."""

BESIDE_OTHERS = 0.77
"""Share of the current of a lone cable that is left where others lie beside it [-]: the lowest ratio of
IEC 60364-5-52's method E (two-core PVC, 1.5 to 120 mm2, from memory) to `free_air_amperes` at its 30 degrees
C."""

SURFACE_STEPS = 60
"""Steps of the surface temperature's iteration: each brings it nearer by a factor of four or more."""

FUSES_AMPERES = (
    1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200, 225, 250, 300, 350,
    400, 500,
)  # fmt: skip
"""Ratings that vehicle fuses are sold in [A] (common practice, no source)."""

STANDARD_SQUARE_MM = (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0, 35.0, 50.0, 70.0, 95.0, 120.0)
"""Nominal areas of IEC 60228 up to 120 mm2."""


@dataclass(frozen=True)
class WireFacts:
    """What a cable stands, and what is asked of it.

    amperes_per_mm2 : current density. heat_watts_per_m : in each metre of one conductor. continuous_amperes,
    most_amperes : the two bounds, see the module. highest_fuse_amperes : the largest fuse that surely protects
    it, None where none is sold so small; most_fuse_amperes : the largest that can, with insulation for 105
    degrees C. overheats_in_seconds : until its insulation fails with that current, if no heat left it; None
    where it need not. least_mm2 : smallest standard area that surely carries the current, None above 120 mm2.
    """

    verdict: Verdict
    amperes_per_mm2: float
    heat_watts_per_m: float
    continuous_amperes: float
    most_amperes: float
    highest_fuse_amperes: float | None
    most_fuse_amperes: float | None
    overheats_in_seconds: float | None
    least_mm2: float | None


def cable_diameters_mm(square_mm: float) -> tuple[float, float]:
    """Diameters of a stranded conductor and of its PVC-insulated single-core cable [mm].

    Insulation of 0.6 mm + 0.1 mm x sqrt(area / mm2): our fit to the walls of IEC 60227-3 (0.8 mm at 4 mm2, 1.2
    at 25, 1.6 at 120; from memory).
    """
    conductor = math.sqrt(4.0 * square_mm / math.pi / STRAND_FILL)
    return conductor, conductor + 2.0 * (0.6 + 0.1 * math.sqrt(square_mm))


def free_air_amperes(
    square_mm: float, conductor_celsius: float, air_celsius: float = CABIN_CELSIUS, material: Material = COPPER
) -> float:
    """Direct current that holds the conductor of one cable alone in still air at that temperature [A].

    IEC 60287-1-1: I^2 R (T1 + T4) = rise; IEC 60287-2-1: T1 = rho_T / (2 pi) ln(D / d), and
    T4 = 1 / (pi D h rise_of_surface^(1/4)) with h = Z / D^g + E.
    """
    rise = conductor_celsius - air_celsius
    if rise <= 0:
        return 0.0
    inner, outer = (each / 1000.0 for each in cable_diameters_mm(square_mm))
    insulation = PVC_KELVIN_M_PER_WATT / (2.0 * math.pi) * math.log(outer / inner)
    z, e, g = SINGLE_CABLE
    coefficient = z / outer**g + e
    surface = rise
    air = 0.0
    for _ in range(SURFACE_STEPS):
        air = 1.0 / (math.pi * outer * coefficient * surface**0.25)
        surface = rise * air / (air + insulation)
    ohms = ohms_per_m(square_mm, conductor_celsius, material)
    return math.sqrt(rise / (ohms * (insulation + air)))


def sure_amperes(square_mm: float, air_celsius: float = CABIN_CELSIUS, material: Material = COPPER) -> float:
    """Current that the weakest insulation stands all the time, with other cables beside it [A]."""
    return BESIDE_OTHERS * free_air_amperes(square_mm, WEAK_INSULATION_CELSIUS, air_celsius, material)


def fuse_of_at_most(amperes: float) -> float | None:
    """The largest fuse sold of at most that rating [A]; None below the smallest."""
    return max((float(each) for each in FUSES_AMPERES if each <= amperes), default=None)


def judge_wire(
    amperes: float,
    square_mm: float,
    fuse_amperes: float | None = None,
    material: Material = COPPER,
    air_celsius: float = CABIN_CELSIUS,
) -> WireFacts:
    """What a conductor of that area makes of that current, and which fuse protects it.

    Not safe: the current or the fuse is above what the best usual insulation stands. Safe: both are within
    what the weakest stands. A fuse that is not known is never safe. In <= Iz, IEC 60364-4-43.
    """
    sure = sure_amperes(square_mm, air_celsius, material)
    most = free_air_amperes(square_mm, BEST_INSULATION_CELSIUS, air_celsius, material)
    highest, at_best = fuse_of_at_most(sure), fuse_of_at_most(most)
    asked = max(amperes, fuse_amperes or 0.0)
    verdict: Verdict = "not known"
    if asked > most:
        verdict = "not safe"
    elif fuse_amperes is not None and asked <= sure:
        verdict = "safe"
    seconds = None
    if amperes > most:
        seconds = (adiabatic_k(material, air_celsius, PVC_LIMIT_CELSIUS) * square_mm / amperes) ** 2
    fitting = (area for area in STANDARD_SQUARE_MM if sure_amperes(area, air_celsius, material) >= amperes)
    return WireFacts(
        verdict=verdict,
        amperes_per_mm2=amperes / square_mm,
        heat_watts_per_m=amperes**2 * ohms_per_m(square_mm, WEAK_INSULATION_CELSIUS, material),
        continuous_amperes=sure,
        most_amperes=most,
        highest_fuse_amperes=highest,
        most_fuse_amperes=at_best,
        overheats_in_seconds=seconds,
        least_mm2=next(fitting, None),
    )
