"""Sentences of the captures: what cannot be read, and what to know of how something was read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import FaultWords, Template

Values = Mapping[str, Any]


def _file_damaged(values: Values) -> str:
    lacks = {"format": "its format is missing", "samples": "it holds no samples"}[values["lacks"]]
    return f"the file is cut off or damaged: {lacks}."


def _no_such_channel(values: Values) -> str:
    return "channel {received} is not there; it has {channels}" + (" ({names})." if values["names"] else ".")


def _choose_channel(values: Values) -> str:
    return "The only one is 1." if values["channels"] == 1 else "Choose from 1 to {channels}."


def _no_usable_number(values: Values) -> str:
    line = "" if values["line"] is None else "line {line}: "
    return line + "channel {channel} holds no usable number at {seconds:.6g} s (frame {frame})."


COPY_AGAIN = "Copy it again from the recorder, or record again."
MEND_LINE = "Mend or remove that line, or export again."

FAULTS: dict[str, FaultWords] = {
    # ---- files
    "file_missing": FaultWords("{file} is not there.", "Check the name and the folder."),
    "not_a_file": FaultWords("{file} is no ordinary file.", "Save the recording to a file first."),
    "file_unreadable": FaultWords(
        "{file} cannot be read ({reason}).", "Check the file's permissions, or copy it again."
    ),
    "file_empty": FaultWords("{file} is empty (0 bytes).", COPY_AGAIN),
    # ---- audio
    "not_audio": FaultWords(
        "not a readable audio file ({reason}).",
        "Export the recording again as WAV or FLAC; samples without a header need one first, as in: "
        "sox -t raw -r 48000 -e signed -b 24 -c 2 '{name}' capture.wav (its own figures).",
    ),
    "recording_empty": FaultWords("the recording is empty.", "Record at least three cycles of the tone."),
    "damaged_after_frame": FaultWords(
        "damaged after frame {frame} ({reason}).",
        "Measure the part before it with <stop>, or copy the file again.",
    ),
    "header_damaged": FaultWords(
        "the header speaks of {channels} channels at {sample_rate_hz:.6g} Hz; it is damaged.",
        "Copy the file again from the recorder, or export it as WAV or FLAC.",
    ),
    "file_damaged": FaultWords(_file_damaged, COPY_AGAIN),
    # ---- channels and samples
    "no_such_channel": FaultWords(_no_such_channel, _choose_channel),
    "channel_less_itself": FaultWords(
        "channel {received} less itself is silence.", "Give {parameter} the other terminal's channel."
    ),
    "no_usable_number": FaultWords(
        _no_usable_number,
        "If the trace left the screen, record again with a larger range; or measure the part before or after "
        "with <start> and <stop>.",
    ),
    # ---- oscilloscope text
    "no_table": FaultWords(
        "no table of numbers found in this text (it begins with {text!r}).",
        "Export the oscilloscope's trace as CSV: a time and one or more volt columns, one row a sample.",
    ),
    "units_in_cells": FaultWords(
        "units stand in the cells of the table ({text!r}).",
        "Export figures alone, with the units in the heading.",
    ),
    "comma_means_two_things": FaultWords(
        "the comma seems to be decimal comma and separator at once ({text!r}).",
        "Export with semicolons or tabs, or with decimal points.",
    ),
    "row_differs": FaultWords(
        "line {line}: {text!r} is no row like those before it ({figures} figures in {cells} cells).", MEND_LINE
    ),
    "line_too_long": FaultWords(
        "a line of this text is longer than {most} characters.",
        "Export the oscilloscope's trace as CSV with one row a sample; text in another shape is not read.",
    ),
    "too_many_columns": FaultWords(
        "{columns} columns of figures; at most {most} are read.",
        "Export one row a sample, a column for each channel.",
    ),
    "interval_absurd": FaultWords(
        "the samples are {interval_seconds:.3g} s apart by this text; no record of a sound is.",
        "Check the time column and its unit, or export again.",
    ),
    "too_few_rows": FaultWords("only {rows} rows of figures.", "Export the whole trace."),
    "no_volts": FaultWords("there is a time column but no volts.", "Export the channel's volts too."),
    "no_interval": FaultWords(
        "neither a time column nor a sample interval in the text.",
        "Give the seconds from one sample to the next with {parameter}.",
    ),
    "interval_contradicts": FaultWords(
        "{parameter} is {received} s and contradicts the text's own {own_seconds:.6g} s.",
        "Leave it out, or mend the text.",
    ),
    "time_not_a_number": FaultWords("line {line}: the time column holds no number.", MEND_LINE),
    "time_not_rising": FaultWords(
        "the time column does not rise (it goes from {first_seconds:.6g} to {last_seconds:.6g}).",
        "Export time in seconds with enough digits, or give <interval_seconds> and no time column.",
    ),
    "time_uneven": FaultWords(
        "time does not run evenly: near line {line} it is {off_seconds:.3g} s off a step of "
        "{step_seconds:.3g} s.",
        "Samples are missing, or two records were joined: export one record as it was taken.",
    ),
    # ---- calibration
    "calibration_missing": FaultWords(
        "The calibration file {file} is not there.", "Make one with <calibrate_recorder()>."
    ),
    "not_a_calibration": FaultWords(
        "{file} is no calibration file ({reason}).", "Make one with <calibrate_recorder()>."
    ),
    "calibration_key_unknown": FaultWords("unknown key {received}.", "Known are {allowed}."),
    "calibration_key": FaultWords(
        "{key} is {received}.", "Give {allowed}, or make the file with <calibrate_recorder()>."
    ),
    "calibrated_already": FaultWords(
        "{file} is oscilloscope text, in volts already.",
        "Calibrate a recorder with an audio file; for a scope check the probe's factor instead.",
    ),
    "reference_overloaded": FaultWords(
        "the recorder is overloaded, its samples stand at full scale.",
        "Turn its input down or use a pad, then record and read the meter again.",
    ),
    "reference_not_steady": FaultWords(
        "the tone's level moves, it crackles, or hum and noise are a thirtieth of it: the meter may have read something "
        "else.",
        "Record a clean steady tone, nothing turned, louder against the hum, and calibrate with that.",
    ),
    "reference_clips_in_part": FaultWords(
        "the tone is clipped in a part of the recording.",
        "Record a clean steady tone, turned down, and calibrate with that.",
    ),
    "reference_distorted": FaultWords(
        "the tone is distorted (THD {thd_percent:.2g} %): a meter misreads it, and the calibration would be off.",
        "Record a clean steady tone, turned down, and calibrate with that.",
    ),
    "no_reference_tone": FaultWords(
        "there is no steady tone to calibrate by.", "Record ten seconds of one steady sine."
    ),
}


def _other_channels(values: Values) -> str:
    channels = " and ".join(str(number) for number in values["channels"])
    return (
        f"The calibration was made on channel {{calibrated_channel}}; channel {channels} is read with the same "
        "factor. Check that both inputs stand at the same gain."
    )


REMARKS: dict[str, Template] = {
    "length_never_written": (
        "The recorder never wrote the recording's length; all {seconds:.3f} s that are there are read."
    ),
    "file_cut_off": (
        "The file is cut off: its header promises {promised_seconds:.3f} s, {seconds:.3f} s are there and "
        "are read."
    ),
    "compressed_with_loss": (
        "The file is compressed with loss ({subtype}): what the codec adds is measured as distortion and "
        "noise. Record to WAV or FLAC."
    ),
    "last_line_cut_off": "The last line is cut off and was left out.",
    "column_not_volts": "Column '{column}' is not in volts; its figures are taken as they stand.",
    "calibration_not_used": "The text is in volts already; the recorder's calibration was not used.",
    "calibrated_at_other_rate": (
        "Calibrated at {calibration_rate_hz:.6g} Hz, recorded at {sample_rate_hz:.6g} Hz: check that the "
        "recorder's gain is the same at both."
    ),
    "calibrated_on_other_channel": _other_channels,
}
