"""Sentences of what hangs on an output."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {
    "needs_one_recording": FaultWords(
        "The two were not recorded together.",
        "Record both voltages at once, on two channels, and give that recording twice; apart, only steady tones can be "
        "compared.",
    ),
    "no_impedance_seen": FaultWords(
        "no frequency at which both channels move together is in it.",
        "Check the hook-up, and play a sweep or a steady tone at a low level.",
    ),
    "different_tones_recorded": FaultWords(
        "The two recordings hold different tones: {first_hz:.4g} Hz and {second_hz:.4g} Hz.",
        "Record the same tone twice, nothing turned in between.",
    ),
    "tone_not_steady": FaultWords(
        "it holds no steady tone.", "Record a steady tone of the same level both times."
    ),
    "open_below_loaded": FaultWords(
        "The open output has {received} of the loaded one's volts: it cannot be less than all of them.",
        "Give the open one first, and turn nothing in between.",
    ),
}

REMARKS: dict[str, Template] = {
    "as_good_as_resistor": (
        "The impedance is as exact as the resistor in series: measure it with an ohmmeter, leads taken off."
    ),
    "no_phase": "Recorded one after the other: the size of the impedance is known, its phase is not.",
    "one_tone_is_no_curve": (
        "This holds at {frequency_hz:.4g} Hz; the least impedance of a loudspeaker lies elsewhere. Play a sweep and record "
        "both voltages at once to see it."
    ),
    "output_as_resistance": (
        "Output and load are taken as resistances. Change nothing else between the two recordings, and let the load "
        "be one that the amplifier allows."
    ),
    "no_drop_seen": "No drop is seen: the output has less than {most_ohms:.2g} ohm.",
    "series_resistor_hot": "The resistor in series takes {watts:.3g} W: play less, or use a larger part; it burns skin.",
}
