"""What the lines beside a tone come from, as far as one record tells.

A family is named only by its evidence: mains by lines that stand on one of its frequencies and on no multiple
of the other's alone; what the tone itself makes (harmonics that a recorder folds back, sidebands, rounding)
is told as that; orders of another fundamental are only said to have one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from gainkit.analysis.spectrum import Line

LineKind = Literal["mains", "either", "multiple", "folded", "sideband", "rounding", "orders", "unknown"]

MAINS_HZ = (50, 60)
MAINS_SHARE = 0.004
"""Grids keep within 0.4 % of their frequency by far most of the time (EN 50160, from memory) [-]."""

MAINS_LEADS = 3
"""A family of the mains has a line on one of its first three orders: its own, a rectifier's or a
transformer's [-]."""

LONE_ORDERS = (1, 2)
"""A lone line is called mains only at the mains' frequency or twice that, behind a rectifier [-]."""

MAINS_ORDERS = 40
PLACE_BINS = 0.6
"""A line's place is known to this part of a bin [-]."""

FOLDED_ORDERS = 120
"""Harmonics up to this order are looked for where the sample rate folds them to [-]: a square wave's falls to
0.8 % of the first there."""

SIDEBAND_ORDERS = 4
SIDEBAND_HZ = 1500.0
"""Lines on both sides of the tone, or of one of so many harmonics, alike in distance (up to this) and within
LIKE_DB in level, are its modulation [-, Hz]."""

LIKE_DB = 6.0

ROUNDING_LIKE = 1.5
"""Where all that is left over is no more than so many times the rounding of the recorder's steps, its lines
are that rounding's (q / sqrt(12): Bennett 1948) [-]."""

LEAST_ORDER_HZ = 15.0
"""Lowest fundamental of a machine's orders [Hz]."""

MOST_ORDER = 12


@dataclass(frozen=True)
class Origin:
    """kind : of what a line comes. fundamental_hz : mains, orders: of the family; folded: of the harmonic
    before it was folded; sideband: its distance from the tone's own line [Hz]. order : of it. family : how
    many lines have the same origin."""

    kind: LineKind
    fundamental_hz: float | None = None
    order: int | None = None
    family: int = 1


@dataclass(frozen=True)
class Scene:
    """Where the lines were found. tone_hz [Hz], its rms [V]. bin_hz : of the spectrum. rate_hz : of the
    recorder. left_volts : rms of all that the tone leaves over [V]. step_volts : of the recorder, 0 where
    unknown."""

    tone_hz: float
    bin_hz: float
    rate_hz: float
    left_volts: float
    step_volts: float

    @property
    def place_hz(self) -> float:
        """How well a line's place is known [Hz]."""
        return PLACE_BINS * self.bin_hz


def origins_of(lines: Sequence[Line], scene: Scene) -> list[Origin]:
    """Of each line, in the order given: the surest explanation first."""
    found: dict[int, Origin] = {}
    rest = list(range(len(lines)))
    if scene.step_volts > 0 and scene.left_volts <= ROUNDING_LIKE * scene.step_volts / math.sqrt(12.0):
        return [Origin("rounding", family=len(lines)) for _ in lines]

    def take(some: dict[int, Origin]) -> None:
        found.update(some)
        rest[:] = [place for place in rest if place not in some]

    take(_multiples(lines, rest, scene))
    take(_mains(lines, rest, scene))
    take(_folded(lines, rest, scene))
    take(_sidebands(lines, rest, scene))
    take(_either(lines, rest, scene))
    take(_orders(lines, rest, scene))
    return [found.get(place, Origin("unknown")) for place in range(len(lines))]


# ---- mains ---------------------------------------------------------------------------------------------------


def _mains(lines: Sequence[Line], rest: list[int], scene: Scene) -> dict[int, Origin]:
    """Lines of the one mains, of the other, or of both; the one with more of its own goes first."""
    groups = {base: _family(lines, rest, base, scene) for base in MAINS_HZ}
    told: dict[int, Origin] = {}
    for base in sorted(MAINS_HZ, key=lambda base: -_own_power(lines, groups[base], base)):
        group = {place: order for place, order in groups[base].items() if place not in told}
        if _is_evident(group, base):
            told |= {place: Origin("mains", float(base), order, len(group)) for place, order in group.items()}
    return told


def _family(lines: Sequence[Line], rest: list[int], base: int, scene: Scene) -> dict[int, int]:
    """The orders of lines on multiples of a mains frequency, led by the strongest on one of its first
    orders."""
    best: dict[int, int] = {}
    for lead in rest:
        hertz = lines[lead].frequency_hz
        order = round(hertz / base)
        if not 1 <= order <= MAINS_LEADS or abs(hertz - order * base) > MAINS_SHARE * hertz + scene.place_hz:
            continue
        own_hz, doubt_hz = hertz / order, scene.place_hz / order
        if abs(own_hz - base) < doubt_hz:
            own_hz = float(base)
        group = {}
        for place in rest:
            there = round(lines[place].frequency_hz / own_hz)
            off = abs(lines[place].frequency_hz - there * own_hz)
            if 1 <= there <= MAINS_ORDERS and off <= min(scene.place_hz + there * doubt_hz, 0.1 * base):
                group[place] = there
        if len(group) > len(best):
            best = group
    return best


def _own_power(lines: Sequence[Line], group: dict[int, int], base: int) -> float:
    """Power of those that are no multiples of the other mains as well."""
    shared = 300 // base
    return sum(lines[place].rms_volts ** 2 for place, order in group.items() if order % shared)


def _is_evident(group: dict[int, int], base: int) -> bool:
    orders = set(group.values())
    own = [order for order in orders if order % (300 // base)]
    return bool(orders & set(LONE_ORDERS)) or (len(own) >= 2 and min(own) <= MAINS_LEADS)


def _either(lines: Sequence[Line], rest: list[int], scene: Scene) -> dict[int, Origin]:
    """Lines on 300 Hz and its multiples, which both mains have, where neither has shown itself: nobody's."""
    told = {}
    for place in rest:
        hertz = lines[place].frequency_hz
        order = round(hertz / 300.0)
        if 1 <= order <= 4 and abs(hertz - 300.0 * order) <= MAINS_SHARE * hertz + scene.place_hz:
            told[place] = Origin("either", 300.0, order)
    return told


# ---- what the tone itself makes ------------------------------------------------------------------------------


def _multiples(lines: Sequence[Line], rest: list[int], scene: Scene) -> dict[int, Origin]:
    """Lines on multiples of the tone that are too high to be fitted with it."""
    told = {}
    for place in rest:
        order = round(lines[place].frequency_hz / scene.tone_hz)
        if order > 1 and abs(lines[place].frequency_hz - order * scene.tone_hz) <= scene.place_hz:
            told[place] = Origin("multiple", scene.tone_hz, order)
    return told


def _sidebands(lines: Sequence[Line], rest: list[int], scene: Scene) -> dict[int, Origin]:
    """Pairs of lines alike on both sides of the tone or of one of its harmonics."""
    told: dict[int, Origin] = {}
    for order in range(1, SIDEBAND_ORDERS + 1):
        middle = order * scene.tone_hz
        for one in rest:
            off = lines[one].frequency_hz - middle
            if one in told or not 0.0 < off < min(SIDEBAND_HZ, scene.tone_hz / 2 - scene.place_hz):
                continue
            for other in rest:
                apart = abs(lines[other].frequency_hz - (middle - off))
                unlike_db = abs(20.0 * math.log10(lines[one].rms_volts / max(lines[other].rms_volts, 1e-300)))
                if other not in told and apart <= 2.0 * scene.place_hz and unlike_db <= LIKE_DB:
                    told[one] = told[other] = Origin("sideband", off, order, 2)
                    break
    return told


def _folded(lines: Sequence[Line], rest: list[int], scene: Scene) -> dict[int, Origin]:
    """Lines where harmonics above half the recorder's rate come down again."""
    orders = np.arange(2, FOLDED_ORDERS + 1)
    above = orders * scene.tone_hz
    orders, above = orders[above > 0.5 * scene.rate_hz], above[above > 0.5 * scene.rate_hz]
    places = np.abs(above - np.round(above / scene.rate_hz) * scene.rate_hz)
    told = {}
    for place in rest:
        near = np.flatnonzero(np.abs(places - lines[place].frequency_hz) <= scene.place_hz)
        if len(near):
            order = int(orders[near[0]])
            told[place] = Origin("folded", order * scene.tone_hz, order)
    return told


# ---- another fundamental -------------------------------------------------------------------------------------


def _orders(lines: Sequence[Line], rest: list[int], scene: Scene) -> dict[int, Origin]:
    """Lines that are whole multiples of the lowest of them, two or more."""
    told: dict[int, Origin] = {}
    for lead in sorted(rest, key=lambda place: lines[place].frequency_hz):
        base = lines[lead].frequency_hz
        if lead in told or base < LEAST_ORDER_HZ:
            continue
        group = {lead: 1}
        for place in rest:
            order = round(lines[place].frequency_hz / base)
            off = abs(lines[place].frequency_hz - order * base)
            if (
                place not in told
                and 2 <= order <= MOST_ORDER
                and off <= min((order + 1) * scene.place_hz, 0.03 * base)
            ):
                group[place] = order
        if len(group) > 1:
            told |= {place: Origin("orders", base, order, len(group)) for place, order in group.items()}
    return told
