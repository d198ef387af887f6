"""Sentences of the doors and pages: the call itself, the machine, charts, live, readings beside a plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import FaultWords, Template

_DEVICE_REMEDIES = {
    "permission": "Choose a folder that you may write to.",
    "room": "Free some room on the device, or write elsewhere.",
    "other": "Check that the path exists and has room.",
}


def _unknown_option(values: Mapping[str, Any]) -> str:
    return "{told}" if "told" in values else "There is no option {parameter}."


def _known_options(values: Mapping[str, Any]) -> str:
    if "help" in values:
        return "See {help} for what it takes."
    return "Did you mean {nearest}?" if values.get("nearest") else "Known are {allowed}."


FAULTS: dict[str, FaultWords] = {
    # the call itself
    "usage": FaultWords("{told}", "See {help} for what it takes."),
    "unknown_option": FaultWords(_unknown_option, _known_options),
    "missing_option": FaultWords("{told}", "See {help} for what it takes."),
    "not_a_number": FaultWords(
        "{parameter} is {received}, which is no number.",
        "Give a number, alone or with its unit, like 75.5 or '75.5 W'.",
    ),
    "no_such_figure": FaultWords(
        "{parameter} is {received}: no figure of a car, an amplifier or a recording is.",
        "Give the figure meant.",
    ),
    "wrong_unit": FaultWords(
        "{parameter} is {received}: '{typed_unit}' is no unit of it.",
        lambda values: "Give it as {allowed}." if values["allowed"] else "Give the number alone.",
    ),
    "comma_or_thousands": FaultWords(
        "{parameter} is {received}: that may mean thousands or a decimal.",
        "Write 1500 for fifteen hundred, and 1.5 for one and a half.",
    ),
    "stopped": FaultWords("Stopped by hand.", "Run the same command again to go on."),
    "not_a_rating": FaultWords("{parameter} is {received}.", "Give it as {allowed}, such as 75@4."),
    "needs_log": FaultWords("{parameter} has no job folder to note the reading in.", "Add <log>."),
    "other_system_file": FaultWords(
        "{received} is not the system file of the job {job}: a reading judged by one car is not noted for another.",
        "Leave <system> away, or name the job of that car with <log>.",
    ),
    "nothing_read_live": FaultWords(
        "Nothing was noted: no reading came in.", "Play the tone, and look at the cable."
    ),
    "needs_system_file": FaultWords(
        "{parameter} has no system file to look the output up in.", "Add <system>, or <log> with a job folder."
    ),
    "output_missing": FaultWords(
        "It is not said which output this is.", "Name it with {parameter}, as the system file does."
    ),
    "one_capture_for_chart": FaultWords(
        "{parameter} goes with one capture and without <lines>.", "Draw the others one by one."
    ),
    "some_not_measured": FaultWords(
        "{failed} of {files} files could not be measured.", "Their own lines say why."
    ),
    # a recording that is given
    "capture_is_open": FaultWords(
        "{parameter} is for reading a file, and the capture is open already.",
        "Give it where the file is read, or leave it out.",
    ),
    # a recording while it is made
    "seconds_missing": FaultWords("{parameter} needs an end.", "Add <seconds> with a number of seconds."),
    "too_few_inputs": FaultWords(
        "{device} has {inputs} inputs, and channel {received} is asked for.",
        "Choose another <channel>, <minus> or <device>.",
    ),
    "interface_not_opened": FaultWords(
        "The audio interface cannot be opened: {told}.",
        "Plug it in and name it with {parameter}; `python -m sounddevice` lists what is there.",
    ),
    "interface_gone": FaultWords("{received} delivers nothing any more.", "Check its plug and start again."),
    "needs_extra": FaultWords(
        "This needs the extra `{extra}`.",
        'Install it from the folder that gainkit came in: pip install -e ".[{extra}]".',
    ),
    "sound_library_missing": FaultWords(
        "The sound system's library is missing: {told}.", "On Debian and its kin: apt install libportaudio2."
    ),
    # charts
    "source_volts_missing": FaultWords(
        "This chart needs the source's volts, and they are not known.",
        "Give <source.preamp_volts> in the system file.",
    ),
    "nothing_to_draw": FaultWords(
        "None of the steps could be judged: there is nothing to draw.", "Record the staircase again."
    ),
    "system_missing": FaultWords("A chart of {kind} needs a system file.", "Give it with {parameter}."),
    "one_capture": FaultWords(
        "This chart is drawn from one recording, and {received} are given.", "Give {parameter} once."
    ),
    "captures_missing": FaultWords(
        "A chart of bands needs recordings of noise.", "Give {parameter} once for each loudspeaker or pair."
    ),
    "no_response": FaultWords(
        "The sweep is not in this recording: there is no response to draw.",
        "Record the sweep again, from before its start mark to after its end.",
    ),
    "index_needed": FaultWords(
        "It is not said which sweep was played.", "Give {parameter} with the index.json beside the track."
    ),
    "job_missing": FaultWords("A chart of {kind} needs a job folder.", "Give it with {parameter}."),
    "nothing_to_compare": FaultWords(
        "No output of this job has a level as found and another as left.",
        "Measure each output before and after it is set: <log_reading()>.",
    ),
    # files
    "file_is_folder": FaultWords("{received} is a folder.", "Give the name of a file."),
    "file_exists": FaultWords("{received} is already there.", "Choose another name or add <overwrite>."),
    "not_a_folder": FaultWords("{received} is no folder.", "Give the name of a folder."),
    "no_jobs_below": FaultWords("There is no job below {received}.", "Start one with <start_job()>."),
    "no_such_page": FaultWords("The manual has no page {received}.", "Its pages are: {allowed}."),
    "wrong_suffix": FaultWords("{received} does not end in {allowed}.", "Name the file with it."),
    "folder_not_ours": FaultWords("{received} holds something else.", "Name a new folder for the demo."),
    "demo_broken": FaultWords("The demo did not find {what}.", "This is a fault of gainkit: report it."),
    "nothing_to_note": FaultWords(
        "There is nothing to note.",
        "Give a reading, such as <volts>, <polarity>, <knob>, <supply_volts> or <text>.",
    ),
    "supply_needs_place_and_state": FaultWords(
        "A supply reading does not say where and when.",
        "Give <at> (battery or amplifier) and <state> (resting, idling or loaded).",
    ),
    "needs": FaultWords("{parameter} stands alone.", lambda values: f"Give <{values['needed']}> with it."),
    "folder_missing": FaultWords(
        "The folder {received} is not there.", "Make it first, or choose another place."
    ),
    # the machine
    "device": FaultWords("{told}.", lambda values: _DEVICE_REMEDIES[values["hindrance"]]),
}

_KINDS = {True: "bridged", False: "built in (bridge-tied)"}

REMARKS: dict[str, Template] = {
    # a reading beside its plan
    "lowpass_hides_clipping": (
        "The channel's low-pass at {lowpass_hz:.4g} Hz takes off the harmonics of this tone: clipping before it, in the "
        "source or a processor, hardly shows here. Find the source's clean volume where no filter is."
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
