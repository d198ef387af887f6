"""Sentences of how far the source may be turned."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import FaultWords, Template, joined


def _tone_controls(values: Mapping[str, Any]) -> str:
    louder, softer = ("low", "high") if values["low_over_high_db"] > 0 else ("high", "low")
    return (
        f"Tone controls are not flat: {{{louder}_hz:.4g}} Hz is {abs(values['low_over_high_db']):z.1f} dB "
        f"louder than {{{softer}_hz:.4g}} Hz. Set bass, treble, loudness and equaliser flat and start again."
    )


FAULTS: dict[str, FaultWords] = {
    "no_positions": FaultWords("No position was given.", "Give a capture for each volume position."),
    "position_twice": FaultWords(
        "Position {received} is given twice with the same tone.",
        "Give each position once; a second capture of it only with a tone of another frequency.",
    ),
    "tone_check_same": FaultWords(
        "{parameter} was given two captures of the same tone.",
        "Give one of a low and one of a high tone of the same level, 50 Hz and 997 Hz for example.",
    ),
    "no_clean_position": FaultWords(
        "not written: no position is clean.", "Find a clean position first, <find_clean_volume()>."
    ),
    "captures_disagree": FaultWords(
        lambda values: "not written: " + " ".join(str(each) for each in values["disagreements"]),
        "Record the positions again, in order and with one tone.",
    ),
    "source_not_calibrated": FaultWords(
        "not written: nothing is calibrated, so the source's volts are not known.",
        "Give <full_scale_volts> or a <calibration>.",
    ),
    "system_file_missing": FaultWords("it is not there.", "<start_job()> writes a system file."),
    "system_file_unusable": FaultWords(
        "it cannot be used as a system file: {reason}.", "<plan_system()> tells what is wrong with it."
    ),
    "not_position_and_capture": FaultWords(
        "{received} is not POSITION=CAPTURE.",
        "Write the volume position, =, and its capture, as in 28=pos28.wav.",
    ),
}

REMARKS: dict[str, Template] = {
    "lowest_not_clean": (
        "Not even the lowest position ({position}) is clean: try lower, or look for another cause."
    ),
    "highest_still_clean": (
        "The highest position tried ({position}) is still clean. If the control goes on, try higher."
    ),
    "full_scale_not_tried": (
        "The tone was {tone_dbfs:.6g} dBFS and no rail was reached: a full-scale recording is {louder_db:.6g} "
        "dB louder and may clip. Play a 0 dBFS tone to be sure."
    ),
    "positions_between": (
        "From {lower} to {higher} the output rises by {rise_db:z.1f} dB: those between may be clean too."
    ),
    "clean_above_distorted": lambda values: (
        f"Position {joined(values['positions'])} is clean above one that is not: the captures do not agree. "
        "Record them again; the lower ceiling is given."
    ),
    "full_scale_would_clip": lambda values: (
        f"Position {joined(values['positions'])} is clean with this {{tone_dbfs:.6g}} dBFS tone, but a "
        "full-scale recording would pass the rail that a higher position shows."
    ),
    "different_tones": (
        "Positions {lower} and {higher} were recorded with different tones: {lower_hz:.4g} Hz and "
        "{higher_hz:.4g} Hz."
    ),
    "level_held": lambda v: (
        f"At {', '.join(str(each) for each in v['positions'])} the level hardly rises any more although the wave stays "
        "clean: a limiter holds it, or the control is at its end. Stay below."
    ),
    "level_rises_less": (
        "Above {lower} the level rises by {less_db:z.2f} dB a position where it rose by {usual_db:z.2f} dB before, the wave "
        "still clean: the control's steps are finer there, or the source compresses. Record the same positions with a tone "
        "10 dB softer: steps stay as they are, compression goes."
    ),
    "position_recorded_twice": (
        "{lower} and {higher} are the same recording: one of them is of another position. Record it again."
    ),
    "output_falls": (
        "From {lower} to {higher} the output falls by {fall_db:z.1f} dB: check which capture is which."
    ),
    "tone_controls_not_checked": (
        "The tone controls could not be checked: one of the two captures has no usable tone."
    ),
    "tone_controls_not_flat": _tone_controls,
    "tone_controls_flat": lambda values: (
        "Tone controls are flat: {low_hz:.4g} Hz and {high_hz:.4g} Hz differ by "
        f"{abs(values['low_over_high_db']):z.2f} dB."
    ),
    "no_volts_without_calibration": (
        "Without calibration there are no volts for the system file: give <full_scale_volts>."
    ),
}
