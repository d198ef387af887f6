"""Sentences of the doors and pages: files, charts, sheet, live, demo."""

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
    # the machine
    "device": FaultWords("{told}.", lambda values: _DEVICE_REMEDIES[values["hindrance"]]),
}

REMARKS: dict[str, Template] = {}
