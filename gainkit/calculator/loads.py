"""Voice coils and loudspeakers wired together: every equal wiring and the load it makes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gainkit.calculator.amplifier import half_load_ohms


@dataclass(frozen=True)
class Wiring:
    """One way to wire the coils. allowed : None when no minimum is known."""

    description: str
    ohms: float
    allowed: bool | None
    half_ohms: float | None


@dataclass(frozen=True)
class Wirings:
    """All equal wirings, lowest load first. cautions : those that apply."""

    wirings: tuple[Wiring, ...]
    cautions: tuple[str, ...]


def series_ohms(ohms: Sequence[float]) -> float:
    """Resistances in series add [ohm] (Kirchhoff's voltage law)."""
    return math.fsum(ohms)


def parallel_ohms(ohms: Sequence[float]) -> float:
    """Conductances in parallel add: 1 / sum(1/R) [ohm] (Kirchhoff's current law)."""
    return 1.0 / math.fsum(1.0 / each for each in ohms)


def equal_wirings(count: int) -> list[tuple[int, int]]:
    """Every (in series, strings in parallel) that uses `count` equal parts with equal power in each."""
    return [(series, count // series) for series in range(1, count + 1) if count % series == 0]


def find_wirings(
    coil_ohms: float, coils: int, drivers: int, min_ohms: float | None = None, bridged: bool = False
) -> Wirings:
    """Every series, parallel and series-parallel wiring that shares the power equally.

    coil_ohms : nominal impedance of one coil [ohm]; coils : on each driver; drivers : how many. min_ohms :
    lowest load the amplifier allows, per half when bridged (each half sees half the load) [ohm]. Wirings
    with unequal shares (three loudspeakers as two in series beside one) are left out: one part would take
    more than the others. Source: Kirchhoff's laws; handbook values in the tests.
    """
    found = []
    for coil_series, coil_strings in equal_wirings(coils):
        for driver_series, driver_strings in equal_wirings(drivers):
            driver = coil_ohms * coil_series / coil_strings
            ohms = driver * driver_series / driver_strings
            half = half_load_ohms(ohms) if bridged else None
            seen = ohms if half is None else half
            allowed = None if min_ohms is None else seen >= min_ohms * (1 - 1e-9)
            words = _words(coils, coil_series, "coils")
            words += _words(drivers, driver_series, "drivers")
            found.append(Wiring(", ".join(words) or "the coil alone", ohms, allowed, half))
    found.sort(key=lambda wiring: wiring.ohms)
    return Wirings(tuple(found), tuple(_cautions(found, min_ohms, bridged)))


def _words(count: int, in_series: int, what: str) -> list[str]:
    """How `count` parts are wired, as a phrase; nothing for a single part."""
    if count == 1:
        return []
    if in_series == 1:
        return [f"{what} in parallel"]
    if in_series == count:
        return [f"{what} in series"]
    return [f"{what} {in_series} series x {count // in_series} parallel"]


def _cautions(found: Sequence[Wiring], min_ohms: float | None, bridged: bool) -> list[str]:
    cautions = []
    if min_ohms is not None and not any(wiring.allowed for wiring in found):
        cautions.append("No equal wiring of these coils reaches the amplifier's minimum: use other drivers.")
    elif any(wiring.allowed is False for wiring in found):
        cautions.append("A wiring marked 'no' overheats or trips the amplifier: do not connect it.")
    if bridged:
        cautions.append("Bridged: each half sees half the load; neither lead may touch ground.")
    if len(found) > 1:
        cautions.append("Check with an ohmmeter before connecting: it shows the coils' DC ohms, a little less.")
    return cautions
