"""Voice coils and loudspeakers wired together: every equal wiring and the load it makes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gainkit.calculator.amplifier import half_load_ohms
from gainkit.calculator.ranges import COUNT, OHMS, refuse_outside
from gainkit.remarks import Remark, danger, fault, remark
from gainkit.results import Result

ROUNDING = 1e-9
"""Loads closer than this share of themselves are the same [-]: what floating point leaves."""


@dataclass(frozen=True)
class CoilWiring:
    """One way to wire the coils: its load [ohm]. allowed : None when no minimum is known."""

    description: str
    ohms: float
    allowed: bool | None
    half_ohms: float | None


@dataclass(frozen=True, repr=False)
class Wirings(Result):
    """All equal wirings, lowest load first. cautions : those that apply."""

    wirings: tuple[CoilWiring, ...]
    cautions: tuple[Remark, ...]


def series_ohms(ohms: Sequence[float]) -> float:
    """Resistances in series add [ohm] (Kirchhoff's voltage law)."""
    return math.fsum(ohms)


def parallel_ohms(ohms: Sequence[float]) -> float:
    """Conductances in parallel add: 1 / sum(1/R) [ohm] (Kirchhoff's current law)."""
    return 1.0 / math.fsum(1.0 / each for each in ohms)


def equal_wirings(count: int) -> list[tuple[int, int]]:
    """Every (in series, strings in parallel) that uses `count` equal parts with equal power in each."""
    return [(series, count // series) for series in range(1, count + 1) if count % series == 0]


def find_loads(
    coil_ohms: float, coils: int = 1, drivers: int = 1, min_ohms: float | None = None, bridged: bool = False
) -> Wirings:
    """Every series, parallel and series-parallel wiring that shares the power equally.

    Wirings with unequal shares (three loudspeakers as two in series beside one) are left out: one part would
    take more than the others.

    Parameters
    ----------
    coil_ohms : float
        Nominal impedance of one voice coil [ohm].
    coils, drivers : int
        Voice coils on each driver, and drivers on this output, 1 to 64 each.
    min_ohms : float, optional
        Lowest load that one channel of the amplifier allows, per half when bridged [ohm].
    bridged : bool
        Each half of the amplifier sees half the load.

    Returns
    -------
    Wirings
        One `CoilWiring` each, lowest load first [ohm], with the cautions that apply.

    Raises
    ------
    GainkitError
        `outside_range` or `missing` for a figure that cannot be.

    References
    ----------
    Kirchhoff's laws; handbook values in the tests.

    Examples
    --------
    >>> found = find_loads(4, coils=2, min_ohms=4)
    >>> [(wiring.description, wiring.ohms, wiring.allowed) for wiring in found.wirings]
    [('coils in parallel', 2.0, False), ('coils in series', 8.0, True)]
    """
    refuse_outside("coil_ohms", coil_ohms, OHMS, needed=True)
    refuse_outside("coils", coils, COUNT, needed=True)
    refuse_outside("drivers", drivers, COUNT, needed=True)
    refuse_outside("min_ohms", min_ohms, OHMS)
    wirings = []
    for coil_series, coil_strings in equal_wirings(int(coils)):
        for driver_series, driver_strings in equal_wirings(int(drivers)):
            driver = coil_ohms * coil_series / coil_strings
            ohms = driver * driver_series / driver_strings
            half = half_load_ohms(ohms) if bridged else None
            seen = ohms if half is None else half
            allowed = None if min_ohms is None else seen >= min_ohms * (1 - ROUNDING)
            words = [*_words(coils, coil_series, "coils"), *_words(drivers, driver_series, "drivers")]
            wirings.append(CoilWiring(", ".join(words) or "the coil alone", ohms, allowed, half))
    wirings.sort(key=lambda wiring: wiring.ohms)
    return Wirings(tuple(wirings), tuple(_cautions(wirings, min_ohms, bridged)))


def _words(count: int, in_series: int, what: str) -> list[str]:
    """How `count` parts are wired, as a phrase; nothing for a single part."""
    if count == 1:
        return []
    if in_series == 1:
        return [f"{what} in parallel"]
    if in_series == count:
        return [f"{what} in series"]
    return [f"{what} {in_series} series x {count // in_series} parallel"]


def _cautions(wirings: Sequence[CoilWiring], min_ohms: float | None, bridged: bool) -> Iterator[Remark]:
    if min_ohms is not None and not any(wiring.allowed for wiring in wirings):
        yield fault("no_wiring_reaches_minimum", min_ohms=min_ohms)
    elif any(wiring.allowed is False for wiring in wirings):
        yield danger("wiring_below_minimum", min_ohms=min_ohms)
    if bridged:
        yield danger("bridged_load")
    if len(wirings) > 1:
        yield remark("check_with_ohmmeter")
