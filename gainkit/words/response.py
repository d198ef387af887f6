"""Sentences of the room `response`: what the sweep shows of a chain."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.figures import LEAST_DB, decibel_span, decibels
from gainkit.words import FaultWords, Template

AT_ONCE_SECONDS = 0.05

FAULTS: dict[str, FaultWords] = {
    "sweep_not_named": FaultWords(
        "It is not said which sweep was played.",
        "Give <index> beside the track, or <from_hz>, <to_hz> and <seconds> of a sweep from elsewhere.",
    ),
    "sweep_too_narrow": FaultWords("{parameter} is {received} Hz.", "Give {allowed}."),
    "no_sweep_in_entry": FaultWords(
        "The index's entry of {received} holds no sweep that can be used.", "Give {allowed}."
    ),
}


def _marks(values: Mapping[str, Any]) -> str:
    clock = "its clock was told by the sweep itself" if values["clock_known"] else "its clock is taken as right"
    return f"The marks around the sweep are not in the recording: {clock}, and there is no delay."


def _level_changed(values: Mapping[str, Any]) -> str:
    at = (
        "at {from_seconds:.1f} s of the recording, with the sweep at {from_hz:.3g} Hz"
        if values["to_seconds"] - values["from_seconds"] < AT_ONCE_SECONDS
        else "between {from_seconds:.1f} s and {to_seconds:.1f} s of the recording, with the sweep from {from_hz:.3g} to "
        "{to_hz:.3g} Hz"
    )
    return (
        f"The level changed by {{change_db:+z.1f}} dB {at}: a knob, an automatic gain or a protection, not an equaliser. "
        "Nothing is told of filters and bands: leave everything alone while the sweep plays, and record again."
    )


def _level_dropped(values: Mapping[str, Any]) -> str:
    long = 1000.0 * (values["to_seconds"] - values["from_seconds"])
    more = f", and {values['times'] - 1} times more" if values["times"] > 1 else ""
    if values["covered"]:
        return (
            f"For {long:.0f} ms at {{from_seconds:.1f}} s of the recording, with the sweep at {{from_hz:.3g}} Hz, something else "
            f"stands in the sweep's place{more}: a click, a repeated block or a coarse codec, neither distortion nor a filter. Record again."
        )
    return (
        f"The signal was gone for {long:.0f} ms at {{from_seconds:.1f}} s of the recording, with the sweep at "
        f"{{from_hz:.3g}} Hz{more}: a loose contact, a protection or a lost block, not a filter. Record again."
    )


def _lost(values: Mapping[str, Any]) -> str:
    lost = values["lost_seconds"]
    what = "are missing" if lost > 0 else "were put in"
    return (
        f"In {{file}} {abs(1000 * lost):.0f} ms {what} between the marks around the sweep: the recorder lost or repeated "
        "samples, so nothing is told of the response. Record again with a larger buffer, to a faster disk or stick, "
        "and with nothing else running."
    )


def _clock(values: Mapping[str, Any]) -> str:
    way = "fast" if values["drift_ppm"] > 0 else "slow"
    return f"The recorder's clock runs {abs(values['drift_ppm']):.0f} ppm {way} against the player's; it is allowed for."


def _filter_takes_tone(values: Mapping[str, Any]) -> str:
    other = (
        " No other tone comes through whole: with this one set {set_volts:.3g} V instead of the plan's target."
        if values["other_hz"] is None
        else " Set it again with {other_hz:.6g} Hz (anything from {low_hz:.3g} to {high_hz:.4g} Hz comes through whole), "
        "or with the filters off, and enter them in the system file."
    )
    return (
        "The filters take {loss_db:z.1f} dB off the setting tone of {tone_hz:.6g} Hz: a gain set with it while they are on "
        f"is that much too high.{other}"
    )


REMARKS: dict[str, Template] = {
    "tweeter_unprotected": (
        "This output passes {at_hz:.3g} Hz, {under_passband_db:z.1f} dB under its passband, below the "
        "crossover at {crossover_hz:.3g} Hz: a tweeter on it is at risk. Set the high-pass before anything plays."
    ),
    "sweep_not_found": "The sweep is not in {file}: check the track, the channel and the level.",
    "sweep_unlike": (
        "{file} holds another sweep than the one named: its frequencies arrive at different times. Name the track that "
        "was played, or its own first and last frequency and length."
    ),
    "sweep_lost_samples": _lost,
    "sweep_incomplete": (
        "The recording holds a part of the sweep only, {low_hz:.3g} to {high_hz:.3g} Hz. Start the recorder before "
        "the track and stop it after."
    ),
    "sweep_short": (
        "A sweep of {seconds:.2g} s is too short to tell anything below {below_hz:.3g} Hz: for the bass take one of 10 s "
        "or more."
    ),
    "one_side_heard": "Only the {side} side was heard: there is no comparison.",
    "sweep_overloaded": (
        "{file}: the recorder's input was overloaded in places; the response there is lower, and the distortion higher, "
        "than the chain's. Turn it down and record again."
    ),
    "sweep_distorted": (
        "Distortion up to {thd_percent:.2g} % at {at_hz:.3g} Hz (above the limit from {low_hz:.3g} to {high_hz:.3g} Hz): "
        "something clips. Play the sweep at a lower volume."
    ),
    "reference_overloaded": (
        "{file}, the reference: the recorder's input was overloaded in places; the difference there is not the chain's. "
        "Turn it down and record the reference again."
    ),
    "reference_distorted": (
        "{file}, the reference: distortion up to {thd_percent:.2g} % at {at_hz:.3g} Hz, so that its own levels may be too "
        "low there. Play the sweep at a lower volume and record both again."
    ),
    "judged_while_distorted": (
        "Filters and bands were judged while something clips: what is boosted may be more than the curve shows. Play "
        "the sweep at a lower volume and record again."
    ),
    "level_changed_in_sweep": _level_changed,
    "signal_gone_in_sweep": _level_dropped,
    "level_not_watched": (
        "Without its marks nothing tells a level that was turned slowly during the sweep from an equaliser."
    ),
    "marks_not_heard": _marks,
    "recorder_clock_differs": _clock,
    "band_ends": (
        "The band ends at {at_hz:.4g} Hz more steeply than any crossover: a tuner, a wireless link, a coded file or a "
        "slower rate ends so. Play the track from the stick, uncompressed, to see what lies above."
    ),
    "flat_within": lambda v: (
        f"Flat within {decibels(max(v['within_db'], LEAST_DB))} dB from {{low_hz:.3g}} Hz to {{high_hz:.3g}} Hz."
    ),
    "equalised_between": lambda v: (
        f"Equalised: the curve goes from {decibel_span(v['lowest_db'], v['highest_db'])} dB, highest at "
        "{highest_hz:.3g} Hz, lowest at {lowest_hz:.3g} Hz. Which bands and filters make it cannot be told for sure."
    ),
    "filter_takes_tone": _filter_takes_tone,
    "crossover_missing": "There is no {side}; the plan has one at {planned_hz:.4g} Hz.",
    "crossover_elsewhere": "The {side} stands at {corner_hz:.4g} Hz; the plan has it at {planned_hz:.4g} Hz.",
    "filter_resonates": (
        "The {side} is one of second order at {corner_hz:.4g} Hz with a quality of {quality:.2f}, of no family "
        "(Butterworth: 0.71): a closed box, a crossover under its own loudspeaker, or a filter set by its quality."
    ),
    "filter_is_two": (
        "The {side} is two filters of first order in a row, at {low_hz:.4g} and {high_hz:.4g} Hz: two coupling "
        "capacitors, or a capacitor or coil beside a filter that is set elsewhere."
    ),
    "bass_raised": "Bass raised by {gain_db:z.1f} dB around or below {below_hz:.3g} Hz: loudness or a bass boost is on.",
}
