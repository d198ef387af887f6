"""Lines to families: which of them are multiples of one frequency, and what such a frequency comes from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gainkit.analysis.bands import a_weighting_db
from gainkit.noise.model import Family, Kind

SIGMAS = 4.0
"""A line belongs to a family when it stands within so many standard deviations of its multiple [-]."""

SLACK = 1e-5
"""... and this part of its frequency: both wander while the capture runs [-]."""

MAINS_HZ = (50.0, 60.0)
MAINS_SHARE = 0.005
"""Grids keep within 0.4 % of their frequency by far most of the time (EN 50160: 1 % for 99.5 % of a year, from
memory); the rest is for the recorder's clock [-]."""

MAINS_LEADS = 6
"""The mains' own frequency is taken from a line of at most this order [-]."""

LONE_ORDERS = (1, 2)
"""A lone line is called mains only at the mains' frequency or twice that, behind a rectifier [-]."""

EVIDENT_ORDER = 3
"""A family of the mains has a line on one of its first three orders: its own, a rectifier's, a transformer's;
an alternator at 200, 250 or 300 Hz has none [-]."""

MOST_ORDER = 128
MOST_COMB_ORDER = 512
"""Orders of the mains, and of other families: sparks and pulses reach far up [-]."""

MOST_DIVISOR = 12
"""The strongest line may be up to this order of its family, of a comb any: ripple of a three-phase rectifier is
the sixth [-]."""

LEAST_FUNDAMENTAL_HZ = 15.0

CHANCE = 0.02
WORSE_CHANCE = 0.2
"""A lower fundamental is believed for one more line when unrelated lines would meet it with less than the first
chance, for two or more with less than the second [-]."""

COMB_OVER_CHANCE = 1.5
"""A comb of high orders is believed when it holds this many times what chance would put on it [-]."""

SAME_COURSE_CHANCE = 0.3
"""... for lines that follow one course already, as the orders of one shaft do [-]."""

CLOCK_HZ = 1000.0
"""Universal serial bus: a frame every millisecond, so audio and phone supplies whine at whole kHz [Hz]."""

CLOCK_SHARE = 2e-4
"""Two crystals of 100 parts in a million each: the source's and the recorder's [-]."""

SLOTS_HZ, SLOT_FRAMES = 26e6 / 120e3, 26
"""A phone that sends in time slots does so once a frame of 120/26 ms, but for one in so many: lines at 216.7 Hz
and its orders, and weaker ones every 8.33 Hz between, of which each sixth falls on the mains' 50 Hz (3GPP TS
45.002, from memory) [Hz], [-]."""

SLOT_ORDERS, LEAST_SLOT_ORDERS = 6, 4
"""Of so many first orders that many are seen [-]."""

DIGITAL_LEAST_HZ = 1000.0
"""What stands still at another engine speed and lies above this is a clock's [Hz] (common practice, no
source)."""


@dataclass(frozen=True)
class FoundLine:
    """frequency_hz, its standard deviation [Hz], mean square [V^2]. steady : it keeps one frequency."""

    frequency_hz: float
    deviation_hz: float
    power: float
    steady: bool = True

    @property
    def rms_volts(self) -> float:
        """[V]."""
        return float(np.sqrt(self.power))


@dataclass(frozen=True)
class Group:
    """Lines with their orders of one fundamental [Hz]."""

    fundamental_hz: float
    deviation_hz: float
    members: tuple[tuple[int, FoundLine], ...]

    @property
    def power(self) -> float:
        """Mean square of all [V^2]."""
        return sum(line.power for _, line in self.members)


def group_lines(lines: Sequence[FoundLine]) -> tuple[list[Group], list[Group]]:
    """Families of the mains and others, each strongest first; every line is in exactly one."""
    slots = _slots(lines)
    rest = _without(lines, slots)
    mains = []
    for group in sorted(
        (family for base in MAINS_HZ if (family := _mains(rest, base)) is not None), key=lambda g: -g.power
    ):
        own = [(order, line) for order, line in group.members if any(line is one for one in rest)]
        if _is_evident([order for order, _ in own]):
            mains.append(_halved(_fitted(own)))
            rest = _without(rest, mains[-1:])
    return mains, sorted([*slots, *others(rest)], key=lambda group: -group.power)


def _without(lines: Sequence[FoundLine], groups: Sequence[Group]) -> list[FoundLine]:
    taken = {id(line) for group in groups for _, line in group.members}
    return [line for line in lines if id(line) not in taken]


def _slots(lines: Sequence[FoundLine]) -> list[Group]:
    """A phone's frames, and the side lines between them that are weaker than the frames' nearest order."""
    members = _matched(lines, SLOTS_HZ, SLOTS_HZ * CLOCK_SHARE / SIGMAS, SLOT_ORDERS)
    if len(members) < LEAST_SLOT_ORDERS:
        return []
    frames = _fitted(members)
    members = _matched(lines, frames.fundamental_hz, frames.deviation_hz)
    frames = _fitted(members)
    if not is_slots(frames.fundamental_hz, len(members)):
        return []
    powers = {order: line.power for order, line in members}
    step = frames.fundamental_hz / SLOT_FRAMES
    rest = _without(lines, [Group(step, 0.0, tuple(members))])
    between = [
        (order, line)
        for order, line in _matched(rest, step, frames.deviation_hz / SLOT_FRAMES, MOST_COMB_ORDER)
        if line.power < powers.get(max(round(order / SLOT_FRAMES), 1), 0.0)
    ]
    return [_fitted(members), *([_fitted(between)] if between else [])]


def is_slots(fundamental_hz: float, order_count: int) -> bool:
    """Whether a family is a phone's frames, or what lies between them."""
    steps = (SLOTS_HZ, SLOTS_HZ / SLOT_FRAMES)
    near = any(abs(fundamental_hz / step - 1) <= CLOCK_SHARE for step in steps)
    return near and order_count >= LEAST_SLOT_ORDERS


def _is_evident(orders: Sequence[int]) -> bool:
    """Whether lines that are nobody else's show the mains: an engine's orders meet its high multiples alone."""
    if len(orders) < 2:
        return bool(orders) and orders[0] in LONE_ORDERS
    return min(orders) <= EVIDENT_ORDER


def others(lines: Sequence[FoundLine], chances: tuple[float, float] = (CHANCE, WORSE_CHANCE)) -> list[Group]:
    """Families of lines of unknown origin: the strongest line leads, as whichever order explains most
    others."""
    rest = sorted(lines, key=lambda line: -line.power)
    groups = []
    while rest:
        group = _led_by(rest[0], rest, chances)
        groups.append(group)
        rest = [line for line in rest if all(line is not taken for _, taken in group.members)]
    return sorted(groups, key=lambda group: -group.power)


def family_of_group(group: Group, kind: Kind, moves: bool | None, course: tuple[float, float]) -> Family:
    """The family that stands in the result; course : lowest and highest speed over the middle one [-]."""
    members = sorted(group.members, key=lambda member: member[0])
    frequencies = np.array([line.frequency_hz for _, line in members])
    powers = np.array([line.power for _, line in members])
    return Family(
        fundamental_hz=group.fundamental_hz,
        rms_volts=float(np.sqrt(powers.sum())),
        orders=tuple(order for order, _ in members),
        kind=kind,
        moves=moves,
        a_weighted_volts=float(np.sqrt(np.sum(powers * 10 ** (a_weighting_db(frequencies) / 10)))),
        frequency_deviation_hz=group.deviation_hz,
        lowest_hz=group.fundamental_hz * course[0],
        highest_hz=group.fundamental_hz * course[1],
        line_volts=tuple(float(volts) for volts in np.sqrt(powers)),
    )


def kind_of(group: Group) -> Kind:
    """What a family that stands still comes from, told by its frequency alone."""
    if is_slots(group.fundamental_hz, len(group.members)):
        return "digital"
    clocks = round(group.fundamental_hz / CLOCK_HZ)
    if clocks >= 1 and abs(group.fundamental_hz / (clocks * CLOCK_HZ) - 1) <= CLOCK_SHARE:
        return "digital"
    return "unknown"


def _within(line: FoundLine, order: int, fundamental_hz: float, deviation_hz: float) -> bool:
    return abs(line.frequency_hz - order * fundamental_hz) <= _tolerance(line, order, deviation_hz)


def _tolerance(line: FoundLine, order: int, deviation_hz: float) -> float:
    return SIGMAS * float(np.hypot(line.deviation_hz, order * deviation_hz)) + SLACK * line.frequency_hz


def _matched(
    lines: Sequence[FoundLine], fundamental_hz: float, deviation_hz: float, most: int = MOST_COMB_ORDER
) -> list[tuple[int, FoundLine]]:
    """Lines at multiples, one line an order (the stronger)."""
    best: dict[int, FoundLine] = {}
    for line in lines:
        order = round(line.frequency_hz / fundamental_hz)
        if 1 <= order <= most and _within(line, order, fundamental_hz, deviation_hz):
            other = best.get(order)
            best[order] = line if other is None or line.power > other.power else other
    return sorted(best.items(), key=lambda member: member[0])


def _fitted(members: Sequence[tuple[int, FoundLine]]) -> Group:
    """The fundamental that fits all members best: weighted least squares of frequency = order x fundamental."""
    weights = [1 / max(line.deviation_hz, 1e-9) ** 2 for _, line in members]
    square = sum(weight * order**2 for weight, (order, _) in zip(weights, members, strict=True))
    moment = sum(
        weight * order * line.frequency_hz for weight, (order, line) in zip(weights, members, strict=True)
    )
    return Group(moment / square, float(square**-0.5), tuple(members))


def _mains(lines: Sequence[FoundLine], base_hz: float) -> Group | None:
    """The lines at multiples of a mains frequency, which may itself be a little off and missing."""
    best: Group | None = None
    for lead in lines:
        order = round(lead.frequency_hz / base_hz)
        if not 1 <= order <= MAINS_LEADS or abs(lead.frequency_hz / (order * base_hz) - 1) > MAINS_SHARE:
            continue
        members = _matched(lines, lead.frequency_hz / order, lead.deviation_hz / order, MOST_ORDER)
        if len(members) > 1:
            fitted = _fitted(members)
            members = _matched(lines, fitted.fundamental_hz, fitted.deviation_hz, MOST_ORDER) or members
        lone = len(members) == 1
        if (lone and members[0][0] not in LONE_ORDERS) or not members:
            continue
        group = _fitted(members)
        if best is None or (len(group.members), group.power) > (len(best.members), best.power):
            best = group
    return best


def _halved(group: Group) -> Group:
    """A family with even orders alone is one of twice the frequency: 100 or 120 Hz behind a rectifier."""
    if all(order % 2 == 0 for order, _ in group.members):
        members = tuple((order // 2, line) for order, line in group.members)
        return replace(
            group,
            fundamental_hz=2 * group.fundamental_hz,
            deviation_hz=2 * group.deviation_hz,
            members=members,
        )
    return group


def _led_by(lead: FoundLine, lines: Sequence[FoundLine], chances: tuple[float, float]) -> Group:
    """The family of the strongest line: the order that explains most lines beyond chance; the lowest of
    equals."""
    best = _matched(lines, lead.frequency_hz, lead.deviation_hz)
    for divisor in range(2, MOST_DIVISOR + 1):
        if lead.frequency_hz / divisor < LEAST_FUNDAMENTAL_HZ:
            break
        members, chance = _divided(lead, lines, divisor)
        gained = len(members) - len(best)
        if (gained == 1 and chance < chances[0]) or (gained >= 2 and chance < chances[1]):
            best = members
    # a comb's spacing is its fundamental, however high the order that leads
    spacing = float(np.median(np.diff(sorted(line.frequency_hz for line in lines)))) if len(lines) > 3 else 0.0
    if spacing >= LEAST_FUNDAMENTAL_HZ:
        middle = round(lead.frequency_hz / spacing)
        for divisor in range(max(middle - 2, MOST_DIVISOR + 1), middle + 3):
            members, chance = _divided(lead, lines, divisor)
            if len(members) > max(len(best), COMB_OVER_CHANCE * chance + 3):
                best = members
    return _fitted(best)


def _divided(
    lead: FoundLine, lines: Sequence[FoundLine], divisor: int
) -> tuple[list[tuple[int, FoundLine]], float]:
    """The lines that fit if the lead is this order, and how many unrelated ones would by chance."""
    fundamental, deviation = lead.frequency_hz / divisor, lead.deviation_hz / divisor
    widths = [
        2 * _tolerance(line, round(line.frequency_hz / fundamental), deviation)
        for line in lines
        if line is not lead
    ]
    return _matched(lines, fundamental, deviation), sum(widths) / fundamental
