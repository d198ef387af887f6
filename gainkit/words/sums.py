"""Sentences of the small sums of the bench: wirings, pads, feeds, meters, trims."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import FaultWords, Template

Values = Mapping[str, Any]


def _larger(values: Values) -> str:
    return "" if values["least_mm2"] is None else " {least_mm2:.6g} mm2 carry it for sure."


def _wire_not_safe(values: Values) -> str:
    return (
        "NOT SAFE, do not connect: {amperes:.0f} A at full power in {square_mm:.3g} mm2 are "
        "{amperes_per_mm2:.0f} A/mm2, {heat_watts_per_m:.0f} W of heat in each metre. Even insulation made for 105 "
        "degrees C stands no more than {most_amperes:.0f} A in free air; a steady current of that size brings PVC to "
        f"the point of failing in about {{overheats_in_seconds:.0f}} s.{_larger(values)}"
    )


def _fuse_the_feed(values: Values) -> str:
    law = "the cable maker's table and local code decide"
    if values["highest_fuse_amperes"] is None:
        return f"No usual fuse is small enough for this cable: {law}."
    if values["fuse_amperes"] is None:
        return (
            "No fuse is given, and a cable without one at the battery is never safe: at most "
            f"{{highest_fuse_amperes:.6g}} A here for insulation that is not known; {law}, not this figure."
        )
    return (
        "The fuse sits close to the battery. For insulation that is not known at most {highest_fuse_amperes:.6g} A; "
        f"{law}, not this figure."
    )


def _drop(values: Values) -> str:
    at = " at full power" if values["amperes"] is None else " at {amperes:.3g} A"
    return f"Measured {{measured_volts:.3g}} V lost, calculated {{calculated_volts:.3g}} V{at}."


USUAL_RANGE = "(common practice; the meter's own page decides)"


FAULTS: dict[str, FaultWords] = {
    "wire_gauge": FaultWords(
        "The wire gauge is {received}.", "Give an AWG number of 0 to 40, or 1/0, 2/0, 3/0, 4/0."
    ),
    "cable_too_thin": FaultWords(
        "{received} W cannot pass through this cable: on {supply_volts:.6g} V it passes {most_watts:.0f} W.",
        "Use a thicker or shorter cable, or give less power.",
    ),
    "no_pad_fits": FaultWords(
        "No pad of {series} parts brings {received} V down to {input_volts:.6g} V.",
        "Use an interface input that takes more volts, or a ready-made high-voltage probe.",
    ),
    "pad_overloads": FaultWords(
        "A pad of {received} and {shunt_ohms:.6g} ohm leaves {left_volts:.3g} V of {max_volts:.6g} V: the "
        "interface is full at {input_volts:.6g} V.",
        "Leave out <series_ohms> and <shunt_ohms> to be given one that fits.",
    ),
}

REMARKS: dict[str, Template] = {
    # ---- wirings of the coils
    "no_wiring_reaches_minimum": (
        "No equal wiring of these coils reaches the amplifier's minimum of {min_ohms:.6g} ohm: use other "
        "drivers."
    ),
    "wiring_below_minimum": (
        "A wiring below the minimum of {min_ohms:.6g} ohm overheats or trips the amplifier: do not connect it."
    ),
    "bridged_load": "Bridged: each half sees half the load; neither lead may touch ground.",
    "check_with_ohmmeter": (
        "Check with an ohmmeter before connecting: it shows the coils' DC ohms, a little less."
    ),
    # ---- pads
    "no_pad_needed": "No pad is needed: the interface takes all that this output can give.",
    "pad_for_balanced_input": (
        "Neither lead of a bridged or built-in output may touch ground. The shunt goes from lead to lead, "
        "never to ground, and the interface's input must be balanced or floating: an unbalanced input grounds "
        "one lead and can destroy the output. Without such an input use two one-sided pads on two channels, "
        "and measure channel 1 minus channel 2."
    ),
    "pad_grounds_one_lead": (
        "One-sided: only for an output whose negative lead is ground. Across a bridged or built-in output it "
        "would ground half the amplifier: use <bridged> there."
    ),
    "pad_overloads_at_tolerance": (
        "With parts at the ends of their tolerance it overloads by {over_db:z.2f} dB."
    ),
    "cable_takes_treble": ("With this cable it loses {loss_20khz_db:z.2f} dB at 20 kHz: use a shorter cable."),
    "pad_gets_warm": "The {part} resistor gets warm: use a {part_watts:.6g} W part and let air at it.",
    "no_part_stands_it": (
        "Do not build this pad: its {part} resistor would turn {watts:.3g} W into heat and needs a part for "
        "{needed_watts:.3g} W; none is usually sold. Use more ohms, or leave both out to be given a pad."
    ),
    "open_shunt": (
        "If the shunt comes off, the input gets up to {open_volts:.3g} V, {over_times:.3g} times its full scale: "
        "solder it at the plug, and check with a meter that the pad brings a low tone down before the interface is "
        "plugged in."
    ),
    "phantom_power_off": (
        "Phantom power off, and left off: its 48 V would go into the amplifier's output and falsify what is measured."
    ),
    "leads_at_half_supply": (
        "Both leads of a bridge-tied output may stand at half the supply, about {common_volts:.3g} V DC above ground; "
        "a two-sided pad does not take that away. The input must stand it on both of its pins: read its manual, or put "
        "a capacitor into each leg."
    ),
    "pad_is_a_load": (
        "The pad loads the output with {load_ohms:.3g} ohm beside the loudspeaker: use more ohms."
    ),
    "insulate_the_pad": (
        "Above {hazardous_volts:.6g} V rms: insulate the pad, and connect it with the amplifier off."
    ),
    # ---- feeds
    "input_power_is_of_the_moment": (
        "At an efficiency of {efficiency:.6g} the input is {input_watts:.0f} W. This is the moment of full "
        "power; music draws a fraction of it on average."
    ),
    "fuse_the_feed": _fuse_the_feed,
    "wire_not_safe": _wire_not_safe,
    "fuse_above_wire": (
        "A fuse of {fuse_amperes:.6g} A does not protect {square_mm:.3g} mm2: the cable burns before it opens. "
        "No more than {most_fuse_amperes:.6g} A even for insulation made for 105 degrees C, "
        "{highest_fuse_amperes:.6g} A for one that is not known."
    ),
    "contacts_get_hot": (
        "Terminals, holders and switches turn {contact_watts:.0f} W into heat at {amperes:.0f} A: they can melt. Clean "
        "and tighten them, use larger ones, or give less power."
    ),
    "drop_in_a_bad_contact": lambda values: (
        f"{_drop(values)} The rest, {{excess_watts:.0f}} W of heat at full power, is in a contact, a fuse holder, the "
        "body, or a cable thinner than stated: find it by measuring across each part under load, before it burns."
    ),
    "drop_measured": lambda values: _drop(values),
    "wire_by_its_table": lambda values: (
        "For {amperes:.0f} A only the cable maker's table can approve {square_mm:.3g} mm2: insulation of "
        "unknown make, other cables beside it, carries {continuous_amperes:.0f} A, the best alone in free air "
        f"{{most_amperes:.0f}} A.{_larger(values)}"
    ),
    "fuse_by_its_table": (
        "The cable carries the {amperes:.0f} A of full power, but only its maker's table can approve a fuse of "
        "{fuse_amperes:.6g} A for {square_mm:.3g} mm2: of unknown make it carries {continuous_amperes:.0f} A for sure. "
        "Fit the smaller fuse, or a thicker cable."
    ),
    "fuse_below_current": (
        "The fuse of {fuse_amperes:.6g} A is smaller than the {amperes:.0f} A of full power: it opens in loud "
        "passages. Never put in a larger one than the cable allows: use a larger cable."
    ),
    "amplifier_starves": (
        "{amplifier_volts:.2f} V are left at the amplifier: under {least_volts:.6g} V it usually switches off."
    ),
    "not_all_copper": (
        "Copper-clad aluminium carries current like copper of {share_percent:.0f} % of its area "
        "({copper_mm2:.3g} mm2 here) and loosens in terminals not made for it. Many cables sold by their gauge are "
        "of it: scrape a strand, it is silvery inside."
    ),
    "return_through_body": (
        "Return through the body, {return_ohms:.3g} ohm: hold it to bare metal, with a cable as thick as the feed, and "
        "measure its drop under load. Glued and riveted panels carry little."
    ),
    "stranded_cable_may_lose": (
        "By IEC 60228 a flexible cable of {nominal_mm2:.6g} mm2 may have a resistance that loses {lost_volts:.2f} V "
        "here; that limit is on resistance and says nothing about heat."
    ),
    "two_different_losses": (
        "The loss in dB compares the loudspeaker with no wire at all; the share is of the power that the "
        "amplifier then delivers: two different losses."
    ),
    # ---- meters
    "clipping_not_shown_by_meter": (
        "An unclipped sine at this gain would read {unclipped_volts:.4g} V. The {true_rms_volts:.4g} V shown "
        "does not tell that it is clipped: look at the wave, or measure a capture."
    ),
    "both_meters_agree": "On a clean sine both kinds agree.",
    "noise_reading_wanders": "Noise makes the figure wander: use a slow meter, or measure a capture.",
    "simple_meter_fits": (
        f"{{frequency_hz:.6g}} Hz is in the usual range of simple and of better meters {USUAL_RANGE}."
    ),
    "better_meter_needed": (
        "{frequency_hz:.6g} Hz is out of a simple meter's usual range ({low_hz:.6g} to {high_hz:.6g} Hz): "
        "believe a "
        f"better one only {USUAL_RANGE}."
    ),
    "no_handheld_meter_fits": (
        "{frequency_hz:.6g} Hz is out of the usual range of handheld meters: use a capture or an oscilloscope "
        f"{USUAL_RANGE}."
    ),
    # ---- a radio's own outputs
    "no_trim_needed": "No trim is needed: the built-in amplifier clips no earlier than the main one.",
    "trim_by_own_level": ("Turn down the channels' own level (fader or channel gain), not the master volume."),
    "clip_above_built_in_limit": (
        "{clip_volts:.2f} V is more than a clean bridge-tied stage reaches on {supply_volts:.6g} V "
        "({most_volts:.2f} V): the capture was clipped, or the supply was higher."
    ),
}
