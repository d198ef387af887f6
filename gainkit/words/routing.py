"""Sentences of which channel plays where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from gainkit.words import FaultWords, Template, joined


def routing_verdict(ok: bool, by_ear: bool, unused: Sequence[int] = (), judged: bool = True) -> str:
    """The verdict on a routing; unused : channels on which nothing is heard. judged : all could be heard."""
    if not judged:
        return "ROUTING NOT JUDGED: not all beeps can be told in this recording."
    if ok and by_ear:
        return "BOTH CHANNELS ARE HEARD. One microphone does not tell which side plays which."
    if ok and unused:
        return f"ROUTING CORRECT WHERE BEEPS ARE HEARD. NOTHING ON CHANNEL {joined(unused)}."
    return "ROUTING CORRECT." if ok else "ROUTING WRONG."


def _bridged(values: Mapping[str, Any]) -> str:
    way = "lower" if values["other_db"] <= 0 else "higher"
    return (
        f"Channel {{channel}} plays {{side}} and {{other_side}} (the latter {abs(values['other_db']):z.0f} dB "
        f"{way}): the two are bridged together, or leak into each other."
    )


def _beeps_not_heard(values: Mapping[str, Any]) -> str:
    count = "1 beep" if values["beeps"] == 1 else "{beeps} beeps"
    return f"{count} never heard: the {{side}} channel is silent, or more than {{crosstalk_db:.3g}} dB weaker."


def _beeps_hardly_heard(values: Mapping[str, Any]) -> str:
    count = "1 beep" if values["beeps"] == 1 else "{beeps} beeps"
    return (
        f"{count} heard only at {{start_seconds:.1f}} to {{stop_seconds:.1f}} s, where something else may sound at their "
        "pitch: the {side} channel is silent, or was lost. Record again where nothing else beeps."
    )


def _beeps_weak(values: Mapping[str, Any]) -> str:
    count = "1 beep" if values["beeps"] == 1 else "{beeps} beeps"
    return f"{count}: the {{side}} channel is heard {{under_db:.0f}} dB weaker than the other."


def _beeps_lost(values: Mapping[str, Any]) -> str:
    where = "Channel {channel}" if "channel" in values else "The {side} channel"
    return (
        f"{where} is lost between {{start_seconds:.1f}} and {{stop_seconds:.1f}} s: look for a loose contact."
    )


def _beeps_covered(values: Mapping[str, Any]) -> str:
    where = "Channel {channel}" if "channel" in values else "The {side} channel"
    return (
        f"{where} is not told between {{start_seconds:.1f}} and {{stop_seconds:.1f}} s: something else sounds at the "
        "beeps' pitch where they are due, and may cover them. Record again without it."
    )


FAULTS: dict[str, FaultWords] = {
    "no_beeps": FaultWords(
        "no beeps of {pitch_hz:.6g} Hz are heard.",
        "Record the beeps track: louder, closer, eight seconds or more; steady tones are no beeps. Are the leads plugged "
        "in, and the right inputs chosen?",
    ),
    "no_whole_beeps": FaultWords(
        "no group of beeps is whole.", "Record the beeps track for eight seconds or more."
    ),
    "too_short_for_beeps": FaultWords(
        "{seconds:.2g} s are too short for beeps.", "Record for eight seconds or more."
    ),
}

REMARKS: dict[str, Template] = {
    "beeps_not_heard": _beeps_not_heard,
    "beeps_hardly_heard": _beeps_hardly_heard,
    "other_counts_heard": lambda values: (
        f"Groups of {joined(values['counts'])} beeps are heard: both channels may be bridged together, or an "
        "echo counts twice."
    ),
    "beeps_had_no_time": (
        "The {side} channel's beeps had no time to sound in this recording: it tells nothing of that channel. "
        "Record for {enough_seconds:g} seconds or more."
    ),
    "channel_had_no_time": (
        "Channel {channel}: its beeps had no time to sound in this recording, which tells nothing of it. Record for "
        "{enough_seconds:g} seconds or more."
    ),
    "channel_beeps_cut": "Channel {channel}: no group of beeps is whole. Record for eight seconds or more.",
    "channel_silent": (
        "Channel {channel} is silent, or more than {crosstalk_db:.3g} dB weaker than the loudest: {side} does "
        "not arrive there."
    ),
    "channel_weak": (
        "Channel {channel} is weak, {under_db:z.0f} dB below the loudest: look for its gain, a fader, or a lead that "
        "is half open."
    ),
    "beeps_weak": _beeps_weak,
    "beeps_lost": _beeps_lost,
    "beeps_covered": _beeps_covered,
    "other_beeps": (
        "{groups} groups of beeps that are not the track's are heard, the first at {at_seconds:.1f} s: another "
        "vehicle's or a machine's. They were left out."
    ),
    "channels_mixed": _bridged,
    "channel_swapped": "Channel {channel} plays {other_side} in place of {side}: swapped.",
    "channel_of_other_side": (
        "Channel {channel} plays {other_side} in place of {side}; {side} does not arrive there."
    ),
    "channel_other_counts": lambda values: (
        f"Channel {{channel}} plays groups of {joined(values['counts'])} beeps: it is no recording of the "
        "beeps track, or an echo counts twice."
    ),
    "side_not_told": (
        "One microphone cannot tell left from right: listen, or hold it to one loudspeaker at a time. One beep "
        "is the left channel, two are the right."
    ),
    "channels_unused": lambda values: (
        f"Nothing is heard on channel {joined(values['channels'])}: if loudspeakers hang there, they are silent."
    ),
    "microphone_perhaps": (
        "If a microphone recorded this, give <microphone>: all its channels hear everything."
    ),
}
