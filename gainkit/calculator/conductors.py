"""What cables are made of: resistance, and the heat that a conductor stores before its insulation gives way."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gainkit.levels import FloatOrArray

COPPER_CELSIUS = 20.0
"""Temperature that resistances are tabulated at [degrees Celsius]."""

COPPER_OHM_M = 1.0 / 58e6
"""Resistivity of annealed copper at 20 degrees C [ohm m]: 100 % IACS, IEC 60028."""

COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper's resistance at 20 degrees C [1/K], IEC 60028."""


@dataclass(frozen=True)
class Material:
    """A conductor's metal.

    name, words : as typed, and as told. ohm_m : resistivity at 20 degrees C [ohm m]. per_kelvin : its
    temperature coefficient there [1/K]. heat : volumetric heat capacity [J/(K mm3)]. zero_celsius : how far
    below 0 degrees C its resistance would be none [K], the beta of IEC 60949.
    """

    name: str
    words: str
    ohm_m: float
    per_kelvin: float
    heat: float
    zero_celsius: float


COPPER = Material("copper", "copper", COPPER_OHM_M, COPPER_PER_KELVIN, 3.45e-3, 234.5)
"""Heat capacity and beta: IEC 60949, as in IEC 60364-5-54 annex A (from memory)."""

ALUMINIUM = Material("aluminium", "aluminium", 28.264e-9, 0.00403, 2.5e-3, 228.0)
"""IEC 60949 and IEC 60889 (from memory)."""

COPPER_CLAD_ALUMINIUM = Material("cca", "copper-clad aluminium", 27.43e-9, 0.00403, 2.6e-3, 228.0)
"""Ten hundredths of copper by volume, ASTM B566 class 10A (resistivity from memory): 63 % IACS, the worst that
is sold under that name. Heat capacity: nine parts of aluminium and one of copper."""

MATERIALS = {each.name: each for each in (COPPER, COPPER_CLAD_ALUMINIUM)}
"""What a feed may be made of. Aluminium stands only as a part of the latter."""


def ohms_per_m(
    square_mm: FloatOrArray, celsius: float = COPPER_CELSIUS, material: Material = COPPER
) -> FloatOrArray:
    """Resistance of a metre of conductor [ohm/m]: rho / A x (1 + alpha (T - 20))."""
    warm = 1.0 + material.per_kelvin * (celsius - COPPER_CELSIUS)
    ohms: FloatOrArray = material.ohm_m * warm / (square_mm * 1e-6)
    return ohms


def wire_ohms(
    length_m: FloatOrArray,
    square_mm: FloatOrArray,
    temperature_c: float = COPPER_CELSIUS,
    material: Material = COPPER,
) -> FloatOrArray:
    """Resistance of a conductor of that length [ohm], see `ohms_per_m`."""
    each: FloatOrArray = ohms_per_m(square_mm, temperature_c, material)
    ohms: FloatOrArray = length_m * each
    return ohms


def adiabatic_k(material: Material, from_celsius: float, to_celsius: float) -> float:
    """How much current squared times time a square millimetre takes between two temperatures [A sqrt(s)/mm2].

    k^2 = Q (beta + 20) / rho x ln((beta + to) / (beta + from)), the heat staying in the conductor: IEC 60949
    and IEC 60364-5-54 annex A; I^2 t = k^2 S^2, IEC 60364-4-43. Copper in PVC, 70 to 160 degrees C: 115.
    """
    resistivity = material.ohm_m * 1e3  # ohm m to ohm mm
    beta = material.zero_celsius
    gain = math.log((beta + to_celsius) / (beta + from_celsius))
    return math.sqrt(material.heat * (beta + 20.0) / resistivity * gain)
