"""Sentences of which way round loudspeakers move."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

RELATIONS = {
    "same": "SAME: both are wired alike.",
    "opposite": "OPPOSITE: one of the two is the wrong way round.",
    "undecided": "UNDECIDED.",
}
"""What a pair's relation means."""


MOST_CONFIDENCE = 0.999
"""More is told as over this [0..1]: no recording makes sure of anything, whatever its figure rounds to."""


def confidence_text(confidence: float) -> str:
    """A confidence [0..1] for a person: '97.3 %', never '100.0 %'."""
    if confidence > MOST_CONFIDENCE:
        return f"over {100 * MOST_CONFIDENCE:.1f} %"
    return f"{100 * confidence:.1f} %"


_RECORD_CLOSER = (
    "Move the microphone to a hand's width from the cone, in front of it (not at a reflex port, nor behind the "
    "cone: there the sound has the other sign), play louder, switch the recorder's noise suppression "
    "and voice mode off, or play another band's chirps (the midrange ones suit most loudspeakers)."
)


FAULTS: dict[str, FaultWords] = {
    "too_many_recordings": FaultWords("{received} recordings are given.", "Give one, or two for a pair."),
    "same_file_twice": FaultWords("both are the same file.", "Give two recordings."),
    "no_such_band": FaultWords("{parameter} is {received}.", "Choose one of {allowed}."),
    "too_short_for_pulses": FaultWords(
        "{seconds:.2f} s are too short for {pulses} chirps or pulses.",
        "Record the chirps track for ten seconds.",
    ),
    "rate_not_sound": FaultWords(
        "a rate of {rate_hz:.6g} Hz is not a sound recording's.",
        "Record at {low_hz:.6g} to {high_hz:.6g} Hz.",
    ),
    "rate_below_band": FaultWords(
        "at {rate_hz:.6g} Hz the {received} pulses are too short to be seen.",
        "Record at {least_hz:.6g} Hz or more, or play the midrange chirps.",
    ),
    "drive_silent": FaultWords("the drive signal is silent.", "Give the file that was played."),
    "not_a_pair": FaultWords("{received} recordings are no pair.", "Give the results of two recordings."),
}

REMARKS: dict[str, Template] = {
    "pulses_not_heard": (
        "No train of chirps or pulses stands out: silence, noise or another sound. Is the microphone connected and chosen "
        "as the input, and was the track playing?"
    ),
    "drive_lacks_band": (
        "The drive signal does not fill the band of a pulse: play wide-band noise, a sweep, or the chirps."
    ),
    "clock_decides": (
        "With this drive signal the answer hangs on the recorder's clock: one that runs a ten-thousandth off "
        "would turn it. Wide-band noise and the chirps do not."
    ),
    "bands_disagree": "Looked at in two bands, the sound begins two ways.",
    "pulses_in_noise": "The chirps or pulses hardly stand out of the noise.",
    "rings_beforehand": (
        "Something may ring before the sound: a recorder's voice mode, or a linear-phase filter in player or "
        "processor. Switch it off and record again."
    ),
    "edge_of_band": (
        "The sound lies between {low_hz:.0f} and {high_hz:.0f} Hz, at the edge of this train's band: a loudspeaker "
        "that hardly plays it, or a steep filter. Play the train meant for this loudspeaker, with filters off."
    ),
    "automatic_gain_levelled": (
        "The recorder's automatic gain moved by {span_db:.0f} dB while the chirps went up, as the noise beside "
        "them shows. It was taken out; better, switch it off."
    ),
    "another_track": "Taken for another track it begins the other way: name the <band> that was played.",
    "first_swing_hidden": "The first swing of the sound may be hidden in the noise.",
    "narrow_swing_dissents": (
        "A short part of the sound begins the other way: a recorder's codec or noise suppression may have cut it."
    ),
    "swings_disagree": "The sound begins one way and the other at once.",
    "pulses_disagree": "Only {agreeing} of {pulses} agree on a sign.",
    "few_loud_sounds": "A few loud sounds make up all that is heard.",
    "only_probable": f"Only probable: record again to be sure. {_RECORD_CLOSER}",
    "record_closer": _RECORD_CLOSER,
    "recorder_may_invert": (
        "This holds in front of the cone; at a reflex port or behind the cone the sound has the other sign. Some "
        "recorders invert. Record a loudspeaker whose wiring you know once; if it comes out negative, "
        "give <invert_microphone> from then on."
    ),
}
