"""A pad as data: what it has to do, and what it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gainkit.calculator import ranges
from gainkit.calculator.preferred import SERIES
from gainkit.calculator.ranges import one_of, refuse_faults, within
from gainkit.remarks import Remark
from gainkit.results import Result


@dataclass(frozen=True)
class PadCall:
    """What the pad has to do.

    Parameters
    ----------
    max_volts : float
        Rms of the largest clean sine the output can give; a clipped wave has the same peaks [V].
    input_volts : float
        Rms of the sine that brings the interface to full scale [V].
    source_ohms, input_ohms : float
        Of the output and of the interface's input, infinite for the worst case [ohm].
    series : str
        Preferred values: "E12", "E24" or "E96".
    bridged : bool
        Two-sided, nothing grounded: for bridged and built-in outputs.
    cable_pf : float
        Capacitance of the cable behind the pad [pF].
    supply_volts : float
        Supply of the amplifier: both leads of a bridge-tied output may stand at half of it [V].

    Raises
    ------
    GainkitError
        `outside_range`, `missing` or `not_a_choice` for what cannot be.
    """

    max_volts: float = within(ranges.VOLTS)
    input_volts: float = within(ranges.VOLTS)
    source_ohms: float = within(ranges.SOURCE_OHMS, default=0.0)
    input_ohms: float = within(ranges.INPUT_OHMS, default=math.inf)
    series: str = one_of(tuple(SERIES), default="E24")
    bridged: bool = False
    cable_pf: float = within(ranges.PICOFARADS, default=300.0)
    supply_volts: float = within(ranges.SUPPLY_VOLTS, default=14.4)

    def __post_init__(self) -> None:
        refuse_faults(self)

    @property
    def legs(self) -> int:
        """How many series resistors: two in a two-sided pad."""
        return 2 if self.bridged else 1


@dataclass(frozen=True, repr=False)
class Pad(Result):
    """A pad that keeps the input safe. series_ohms, series_watts : of each leg's resistor.

    headroom_db : room below the interface's full scale with max_volts at the pad, nominal parts;
    worst_headroom_db : with both parts at the ends of their tolerance. series_part_watts, shunt_part_watts :
    smallest resistor with a factor of two in hand [W]. output_ohms, bandwidth_hz : as the cable sees it, -3
    dB. loading_db : what the interface's own input takes of the level. loss_20khz_db : lost at 20 kHz.
    open_shunt_volts : at the input if the shunt comes off, None without one [V rms]. load_ohms : what the pad
    is to the output.
    """

    series_ohms: float
    shunt_ohms: float | None
    loss_db: float
    series_watts: float
    shunt_watts: float
    differential: bool
    headroom_db: float
    worst_headroom_db: float
    series_part_watts: float | None
    shunt_part_watts: float | None
    loading_db: float
    output_ohms: float
    bandwidth_hz: float | None
    loss_20khz_db: float
    cautions: tuple[Remark, ...]
    open_shunt_volts: float | None = None
    load_ohms: float | None = None
