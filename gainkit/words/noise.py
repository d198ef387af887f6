"""Sentences of the room `noise`: what hums, whines and hisses, and which end of the chain to look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {
    "no_stages": FaultWords("There is no stage in this chain.", "Give {allowed}."),
    "gains_for_stages": FaultWords(
        "{received} gains are given for {allowed} stages.", "Give one gain for each stage."
    ),
    "stage_range": FaultWords("its highest gain, {received} dB, is below its lowest.", "Give {allowed}."),
    "split_clips": FaultWords(
        "A gain of {received} dB lets the chain clip on the loudest signal.", "Ask for {allowed}."
    ),
    "split_out_of_reach": FaultWords("A gain of {received} dB is beyond this chain.", "Ask for {allowed}."),
    "split_without_limit": FaultWords(
        "It is not known where {stage} clips, so there is no quietest split.", "Give its {parameter} in volts."
    ),
    "split_stage_range": FaultWords(
        "The quietest split asks {stage} for a gain that it does not have.",
        "Ask for {allowed}, or set that stage by hand.",
    ),
}


def _change(values: Mapping[str, Any]) -> str:
    return f"{abs(values['changed_db']):z.1f} dB {'louder' if values['changed_db'] > 0 else 'quieter'}"


def _share(values: Mapping[str, Any]) -> str:
    if values["chain_a_weighted_volts"] is None:
        return "All of this is the recorder's own noise: it says nothing of the chain. Turn the recorder's input up, without a pad."
    return "{share_percent:.2g} % of this noise's power is the recorder's own; without it the chain has {chain_a_weighted_volts:.3g} {unit}, A-weighted."


def _useless(before: str) -> Callable[[Mapping[str, Any]], str]:
    """Why another capture was put aside: what is wrong with it is said as of any capture."""

    def sentence(values: Mapping[str, Any]) -> str:
        return f"{before} Of it: {REMARKS[values['reason']]}"

    return sentence


def _alternator(values: Mapping[str, Any]) -> str:
    """What stood at two speeds of the engine is sure; what only wanders in one recording may be another's."""
    where = (
        "grounds first (source and amplifier to one point), then at signal cables beside power cables, then at "
        "the charging system."
    )
    lines = "{fundamental_hz:.4g} Hz and its orders, {rms_volts:.3g} {unit}"
    if values.get("followed"):
        return f"Alternator, {lines}: it moves with the engine's speed. Look at {where}"
    return (
        f"Likely the alternator, {lines}: they wander together, as with an engine's speed. One recording does not "
        f"tell it from a fan, a pump or a held note: record once more at another speed of the engine, and compare. "
        f"If they follow it, look at {where}"
    )


MAINS = (
    "Mains power, {fundamental_hz:.4g} Hz and its orders, {rms_volts:.3g} {unit}. Something in the chain hangs on mains "
    "power: a charger, a laptop's supply, a bench supply, or the recorder's own ground. Unplug them one by one."
)

REMARKS: dict[str, Template] = {
    "noise_quiet": "The noise lies {below_target_db:z.0f} dB under the target, A-weighted.",
    "noise_digital_zero": "Every sample is the same for {seconds:.3g} s: that is no input, or a mute. Nothing of the chain was recorded.",
    "noise_recorder_overload": "The recorder's input was overloaded: turn it down and record again.",
    "noise_partly_still": (
        "Nothing moves for {still_seconds:.3g} of {seconds:.3g} s: a mute or a gate opened in the middle. Record "
        "the open chain."
    ),
    "noise_tone_plays": "A tone of {frequency_hz:.4g} Hz plays, {rms_volts:.3g} {unit}: play the silence track, or nothing.",
    "noise_not_steady": "The level moves: music, speech or a hand on a control. Record silence, and leave everything alone.",
    "noise_chord": (
        "{notes} notes of one tuning sound, from {lowest_hz:.4g} Hz on: an instrument seems to play a chord. Stop it "
        "and record silence; if nothing plays, record once more at another speed of the engine, and compare."
    ),
    "noise_too_loud": (
        "{rms_volts:.3g} V is no silence: it lies only {below_target_db:z.0f} dB under the target. Play the silence "
        "track, or nothing."
    ),
    "noise_recorder_limited": (
        "What was recorded is mostly the recorder's own noise: nothing is said of the chain. Turn the recorder's "
        "input up, without a pad."
    ),
    "noise_louder_channel": (
        "Channel {other_channel} holds {other_volts:.3g} {unit}, A-weighted, channel {channel} only {a_weighted_volts:.3g} {unit}: "
        "is it the one at the output? Say which by <channel>, or record that one alone."
    ),
    "noise_below_band": (
        "Below {edge_hz:g} Hz there are {rms_volts:.3g} {unit} rms that no figure here holds: a slow movement of the "
        "output, which moves cones without being heard. Look at the source's and the amplifier's inputs."
    ),
    "noise_above_band": (
        "Above {edge_hz:g} Hz there are {rms_volts:.3g} {unit} rms that no figure here holds: an oscillation, switching "
        "residue or a carrier, which heats tweeters without being heard. Look at it with an oscilloscope."
    ),
    "noise_no_target": "Without a target it is not told whether this is heard: say which output it is, or give <target_volts>.",
    "noise_not_calibrated": "Without calibration the noise is not compared with a target of {target_volts:.4g} V.",
    "noise_band_cut": "The recording only holds the band from {low_hz:.4g} to {high_hz:.5g} Hz.",
    "noise_clicks": "{left_out_seconds:.2g} s of thumps and clicks were left out.",
    "hiss": (
        "{hiss_volts:.3g} {unit} of it is no line. Unplug the signal cable at the amplifier: if it stays, the gain "
        "control is set too high for the source; if it goes, it comes from the source or a processor before it."
    ),
    "hum_mains": MAINS,
    "hum_unknown": (
        "Lines of {fundamental_hz:.4g} Hz, {rms_volts:.3g} {unit}, of no family that one recording tells. Record once more with the engine off, "
        "and compare."
    ),
    "whine_alternator": _alternator,
    "whine_digital": (
        "A fixed whistle of {fundamental_hz:.5g} Hz, {rms_volts:.3g} {unit}: a digital clock or a switching supply. "
        "Move or unplug adapters, chargers and cameras one by one."
    ),
    "whine_bursts": (
        "Bursts, {fundamental_hz:.5g} a second, {rms_volts:.3g} {unit}: a mobile phone or a tracker that sends near "
        "the chain. Move it away or switch it to flight mode, and record once more."
    ),
    "whine_unknown": (
        "Lines of {fundamental_hz:.5g} Hz, {rms_volts:.3g} {unit}. Record once more at another speed of the engine, or "
        "with it off, and compare: that tells alternator from the rest."
    ),
    "line_family_stays": "The lines of {fundamental_hz:.5g} Hz are in both recordings: what was switched off has nothing to do with them.",
    "line_family_changes": lambda v: (
        f"The lines of {{fundamental_hz:.5g}} Hz are {_change(v)} than in the other recording."
    ),
    "line_family_gone": "The lines of {fundamental_hz:.5g} Hz are not in the other recording: they come from what was off there.",
    "line_family_moves": (
        "The lines of {fundamental_hz:.5g} Hz stand at another frequency in the other recording ({speed_ratio:.3g} "
        "times here): they move with the engine's speed."
    ),
    "line_family_hidden": (
        "The lines of {fundamental_hz:.5g} Hz would not be seen in the other recording, if they were there: its noise is "
        "too loud, or its rate too low. Record it again at the same setting."
    ),
    "line_family_drifts": (
        "The lines of {fundamental_hz:.5g} Hz stand at another frequency in the other recording ({speed_ratio:.4g} "
        "times here): they move with the engine's speed, or a switching supply drifts. Record with the engine at two "
        "clearly different speeds, and compare."
    ),
    "noise_against_useless": _useless("Nothing is compared with {other_file}."),
    "noise_recorder_useless": _useless("{other_file} tells nothing of the recorder's own noise."),
    "hiss_changes": lambda v: (
        f"The hiss is {_change(v)} than in the other recording: it comes from what was changed."
    ),
    "hiss_stays": "The hiss is the same in both recordings: it comes from behind what was changed.",
    "recorder_steps": "The hiss is no more than the rounding of the recorder's own steps: record with more bits, or more gain.",
    "recorder_share": _share,
    "recorder_line": "The lines of {fundamental_hz:.5g} Hz are in the recorder alone as well: they are its own.",
}
