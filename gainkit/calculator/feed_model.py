"""A power feed or a loudspeaker wire as data: what is known of it, and what it costs and stands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from gainkit.calculator import ranges
from gainkit.calculator.conductors import COPPER, MATERIALS, wire_ohms
from gainkit.calculator.ranges import one_of, refuse_faults, within
from gainkit.calculator.wire_safety import CABIN_CELSIUS, Verdict
from gainkit.errors import GainkitError
from gainkit.remarks import Remark
from gainkit.results import Result

FUSE_DROP_VOLTS = 0.1
"""What a vehicle fuse drops at its rated current [V] (from memory: about the most ISO 8820 allows a blade)."""


@dataclass(frozen=True)
class FeedFacts:
    """What else may be known of a power feed.

    Parameters
    ----------
    material : str
        "copper", or "cca" (copper-clad aluminium).
    fuse_amperes : float, optional
        Rating of the fuse at the battery [A]; its own resistance is counted.
    contact_ohms : float
        Of all terminals, holders and switches together, beside the fuse [ohm].
    return_ohms : float, optional
        Return through the car's body: its resistance [ohm]. Left out: a cable like the feed.
    measured_drop_volts, measured_amperes : float, optional
        Volts lost from battery to amplifier, read under load, and the current then; at full power if left out.
    air_celsius : float
        Around the cable [degrees Celsius].

    Raises
    ------
    GainkitError
        `outside_range`, `not_a_choice` and `needs_other`.
    """

    material: str = one_of(tuple(MATERIALS), default=COPPER.name)
    fuse_amperes: float | None = within(ranges.FUSE_AMPERES, default=None)
    contact_ohms: float = within(ranges.CONTACT_OHMS, default=0.0)
    return_ohms: float | None = within(ranges.CONTACT_OHMS, default=None)
    measured_drop_volts: float | None = within(ranges.SUPPLY_VOLTS, default=None)
    measured_amperes: float | None = within(ranges.FUSE_AMPERES, default=None)
    air_celsius: float = within(ranges.AIR_CELSIUS, default=CABIN_CELSIUS)

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """Rules between the fields."""
        if self.measured_amperes is not None and self.measured_drop_volts is None:
            yield GainkitError(
                "needs_other", "measured_amperes", self.measured_amperes, other="measured_drop_volts"
            )

    def loop_ohms(self, length_m: float, square_mm: float, celsius: float) -> float:
        """Feed, return, fuse and contacts together [ohm]."""
        one_way = wire_ohms(length_m, square_mm, celsius, MATERIALS[self.material])
        back = one_way if self.return_ohms is None else self.return_ohms
        fuse = 0.0 if self.fuse_amperes is None else FUSE_DROP_VOLTS / self.fuse_amperes
        return one_way + back + self.contact_ohms + fuse


NOTHING_MORE = FeedFacts()
"""Copper, and nothing else known."""


@dataclass(frozen=True, repr=False)
class Feed(Result):
    """What a cable costs and stands; keys of the other use (power feed or loudspeaker wire) are None.

    wire_ohms : feed and return together, with fuse and contacts [ohm]. power_lost_db : power in the loudspeaker
    against no wire [dB]. wire_share_percent : share of the power delivered that heats the wire [%].
    wire_watts : that heat [W]; contact_watts : the part of it in contacts. verdict to least_mm2 : see
    `wire_safety.WireFacts`. measured_ohms : of the whole loop, by the drop measured [ohm]; excess_watts : heat
    at full power of what that is more than calculated [W].
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
    notes: tuple[Remark, ...]
    verdict: Verdict | None = None
    amperes_per_mm2: float | None = None
    heat_watts_per_m: float | None = None
    contact_watts: float | None = None
    continuous_amperes: float | None = None
    most_amperes: float | None = None
    fuse_amperes: float | None = None
    highest_fuse_amperes: float | None = None
    most_fuse_amperes: float | None = None
    overheats_in_seconds: float | None = None
    least_mm2: float | None = None
    material: str = COPPER.name
    measured_drop_volts: float | None = None
    measured_ohms: float | None = None
    excess_watts: float | None = None
