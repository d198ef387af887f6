"""Sentences of the doors and pages: the call itself, the machine, charts, live, readings beside a plan."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

_DEVICE_REMEDIES = {
    "permission": "Choose a folder that you may write to.",
    "room": "Free some room on the device, or write elsewhere.",
    "other": "Check that the path exists and has room.",
}

FAULTS: dict[str, FaultWords] = {
    # the call itself
    "usage": FaultWords("{told}", "See {help} for what it takes."),
    "unknown_option": FaultWords("{told}", "See {help} for what it takes."),
    "missing_option": FaultWords("{told}", "See {help} for what it takes."),
    "not_a_number": FaultWords("{told}", "Give a number with a decimal point and without its unit, like 75.5."),
    "stopped": FaultWords("Stopped by hand.", "Run the same command again to go on."),
    "exclude_each_other": FaultWords(
        lambda values: f"{{parameter}} cannot go with <{values['other']}>.", "Leave one of them out."
    ),
    "not_a_band": FaultWords("{parameter} is {received}.", "Give {allowed}, as in 10:20000."),
    "needs_log": FaultWords("{parameter} has no job folder to note the reading in.", "Add <log>."),
    "needs_system_file": FaultWords(
        "{parameter} has no system file to look the output up in.", "Add <system>, or <log> with a job folder."
    ),
    "output_missing": FaultWords(
        "It is not said which output this is.", "Name it with {parameter}, as the system file does."
    ),
    "one_capture_for_chart": FaultWords(
        "{parameter} goes with one capture and without <lines>.", "Draw the others one by one."
    ),
    "no_captures": FaultWords("there are no captures in it.", "Give files, or a folder with {allowed}."),
    "some_not_measured": FaultWords(
        "{failed} of {files} files could not be measured.", "Their lines say why; see `problem`."
    ),
    # the machine
    "device": FaultWords("{told}.", lambda values: _DEVICE_REMEDIES[values["hindrance"]]),
}

_KINDS = {True: "bridged", False: "built in (bridge-tied)"}

REMARKS: dict[str, Template] = {
    # a reading beside its plan
    "dc_at_output": (
        "{dc_volts:+.3g} V of DC does not belong at an output: the recorder's own offset, one lead of a "
        "bridged or built-in output, or a fault that burns loudspeakers. Check before connecting any."
    ),
    "one_lead": lambda values: (
        "{output} is "
        + _KINDS[bool(values["bridged"])]
        + ": one lead against ground shows half its volts, 6.02 dB too little. Measure across both leads "
        "(<channel> 1 <minus> 2, or a differential input). Neither may touch ground."
    ),
    "other_tone": (
        "The tone is {frequency_hz:.4g} Hz, and {output} is set with {planned_hz:g} Hz: play that tone, the "
        "reading does not count."
    ),
}
