"""What can go wrong with a pad: grounded leads, parts too small, a shunt that comes off, DC on the leads."""

from __future__ import annotations

from collections.abc import Iterator

from gainkit.calculator.cautions import HAZARDOUS_VOLTS
from gainkit.calculator.leads import hook_up_cautions
from gainkit.calculator.pad_model import Pad, PadCall
from gainkit.remarks import Remark, danger, fault, remark

SMALL_PART_WATTS = 0.25
"""The part that lies in every drawer: the pad is made for it when that costs nothing else [W] (our choice)."""

POWER_IN_HAND = 2.0
"""A resistor is chosen for this times the power in it [-] (common practice, no source)."""

LEAST_BANDWIDTH_HZ = 100_000.0
"""Bandwidth sought with the cable's capacitance [Hz]: under 0.2 dB lost at 20 kHz (our choice)."""

LEAST_PAD_OHMS = 100.0
"""A pad of fewer ohms is a load of its own beside the loudspeaker [ohm] (our choice: 25 times a usual one)."""


def pad_cautions(call: PadCall, pad: Pad) -> Iterator[Remark]:
    """Cautions of one pad, those about people and outputs first."""
    if call.bridged:
        yield danger("pad_for_balanced_input")
        yield danger("leads_at_half_supply", common_volts=call.supply_volts / 2.0)
    else:
        yield danger("pad_grounds_one_lead")
        yield from hook_up_cautions()
    yield from _parts(pad)
    if call.max_volts > HAZARDOUS_VOLTS:
        yield danger("insulate_the_pad", hazardous_volts=HAZARDOUS_VOLTS)
    if pad.open_shunt_volts is not None:
        yield danger(
            "open_shunt", open_volts=pad.open_shunt_volts, over_times=pad.open_shunt_volts / call.input_volts
        )
    yield danger("phantom_power_off")
    if pad.worst_headroom_db < 0:
        yield fault("pad_overloads_at_tolerance", over_db=-pad.worst_headroom_db)
    if pad.load_ohms is not None and pad.load_ohms < LEAST_PAD_OHMS:
        yield fault("pad_is_a_load", load_ohms=pad.load_ohms)
    if pad.bandwidth_hz is not None and pad.bandwidth_hz < LEAST_BANDWIDTH_HZ:
        yield remark("cable_takes_treble", loss_20khz_db=pad.loss_20khz_db)


def _parts(pad: Pad) -> Iterator[Remark]:
    """Resistors that get hot, and those that no part is sold for."""
    if pad.shunt_ohms is None:
        return
    for part, watts, size in (
        ("series", pad.series_watts, pad.series_part_watts),
        ("shunt", pad.shunt_watts, pad.shunt_part_watts),
    ):
        if size is None:
            yield danger("no_part_stands_it", part=part, watts=watts, needed_watts=POWER_IN_HAND * watts)
        elif size > SMALL_PART_WATTS:
            yield danger("pad_gets_warm", part=part, part_watts=size)
