"""Sentences of the rooms that need more than one steady tone, from onset to noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from gainkit.words import FaultWords, Template

# ---- words that commands, the record and its page share ----------------------------------------------------

RELATIONS = {
    "same": "SAME: both are wired alike.",
    "opposite": "OPPOSITE: one of the two is the wrong way round.",
    "undecided": "UNDECIDED.",
}
"""What a pair's relation means."""

UNJUDGED = {
    "not-recorded": "not in the recording",
    "too-short": "too short to be measured",
    "not-steady": "not steady",
    "silent": "silent",
    "recorder-overloaded": "the recorder was overloaded",
}
"""Why a step of a staircase was not judged."""


def routing_verdict(ok: bool, by_ear: bool, unused: Sequence[int] = ()) -> str:
    """The verdict on a routing; unused : channels on which nothing is heard."""
    if ok and by_ear:
        return "BOTH CHANNELS ARE HEARD. One microphone does not tell which side plays which."
    if ok and unused:
        return f"ROUTING CORRECT WHERE BEEPS ARE HEARD. NOTHING ON CHANNEL {_listed(unused)}."
    return "ROUTING CORRECT." if ok else "ROUTING WRONG."


# ---- templates that depend on their values -----------------------------------------------------------------


def _levels(values: Mapping[str, Any]) -> str:
    """Levels of some steps: one, or from where to where."""
    if values["steps"] == 1:
        return "{lowest_dbfs:.6g} dBFS"
    return "{steps} steps from {lowest_dbfs:.4g} to {highest_dbfs:.4g} dBFS"


def _below_floor(values: Mapping[str, Any]) -> str:
    return (
        f"{_levels(values)}: THD is below what this recording resolves (up to {{floor_percent:.2g}} % there)."
    )


def _not_judged(values: Mapping[str, Any]) -> str:
    remedy = " Turn the recorder's input down or use a pad, and record again."
    told = f"{_levels(values)} not judged: {UNJUDGED[values['why']]}."
    return told + (remedy if values["why"] == "recorder-overloaded" else "")


def _below_rail(values: Mapping[str, Any]) -> str:
    return (
        f"{_levels(values)}: THD is above the limit well below the rail: noise or crossover distortion, not "
        "clipping."
    )


def _clock(values: Mapping[str, Any]) -> str:
    way = "fast" if values["clock_ppm"] > 0 else "slow"
    within = "" if values.get("within_ppm") is None else " (within {within_ppm:.0f} ppm)"
    return (
        f"The recorder's clock runs {abs(values['clock_ppm']):.0f} ppm {way} against the player's{within}; "
        "levels and distortion are not touched by it."
    )


def _glide_pace(values: Mapping[str, Any]) -> str:
    heard = (
        "No even glide is in the recording"
        if values["heard_db_per_second"] is None
        else "The level moves by {heard_db_per_second:.3g} dB/s"
    )
    return f"{heard}; the plan's by {{planned_db_per_second:.3g}} dB/s."


def _listed(items: Any) -> str:
    return ", ".join(str(each) for each in items)


def _bridged(values: Mapping[str, Any]) -> str:
    way = "lower" if values["other_db"] <= 0 else "higher"
    return (
        f"Channel {{channel}} plays {{side}} and {{other_side}} (the latter {abs(values['other_db']):.0f} dB "
        f"{way}): the two are bridged together, or leak into each other."
    )


def _beeps_not_heard(values: Mapping[str, Any]) -> str:
    count = "1 beep" if values["beeps"] == 1 else "{beeps} beeps"
    return f"{count} never heard: the {{side}} channel is silent, or more than {{crosstalk_db:.3g}} dB weaker."


def _beeps_weak(values: Mapping[str, Any]) -> str:
    count = "1 beep" if values["beeps"] == 1 else "{beeps} beeps"
    return f"{count}: the {{side}} channel is heard {{under_db:.0f}} dB weaker than the other."


def _beeps_lost(values: Mapping[str, Any]) -> str:
    where = "Channel {channel}" if "channel" in values else "The {side} channel"
    return (
        f"{where} is lost between {{start_seconds:.1f}} and {{stop_seconds:.1f}} s: look for a loose contact."
    )


def _tone_controls(values: Mapping[str, Any]) -> str:
    louder, softer = ("low", "high") if values["low_over_high_db"] > 0 else ("high", "low")
    return (
        f"Tone controls are not flat: {{{louder}_hz:.4g}} Hz is {abs(values['low_over_high_db']):.1f} dB "
        f"louder than {{{softer}_hz:.4g}} Hz. Set bass, treble, loudness and equaliser flat and start again."
    )


# ---- what was asked for cannot be done ---------------------------------------------------------------------

_WHOLE_TRACK = "Record the whole track, from before its start to after its end."
_OTHER_FIGURES = "or give the track with <index>"
_RECORD_CLOSER = (
    "Move the microphone to a hand's width from the cone, in front of it (not at a reflex port, nor behind the "
    "cone: there the sound has the other sign), play louder, switch the recorder's noise suppression "
    "and voice mode off, or use another band's pulses (the midrange ones suit most loudspeakers)."
)
_WRITE_TRACKS = "Give the index.json that <write_tones()> made."

FAULTS: dict[str, FaultWords] = {
    # any recording
    "recording_silent": FaultWords(
        "the recording is silent.", "Check the cable, the <channel> and the level, and record again."
    ),
    # what was played
    "levels_equal": FaultWords(
        "<from_dbfs> and <to_dbfs> are both {received} dBFS: no level changes.",
        "Give the two ends that the track was written with.",
    ),
    "step_count": FaultWords(
        "From {from_dbfs:.6g} to {to_dbfs:.6g} dBFS in steps of {step_db:.6g} dB are {steps} steps.",
        "Give a {parameter} that makes 3 to {most} steps.",
    ),
    "steps_do_not_fit": FaultWords(
        "Steps of {step_db:.6g} dB do not lead from {from_dbfs:.6g} to {to_dbfs:.6g} dBFS.",
        "Give <from_dbfs>, <to_dbfs> and <step_db> as the track was written; its tracks.txt has them.",
    ),
    "index_not_there": FaultWords(
        "{received} is not there.", "Give the index.json that lies beside the tracks."
    ),
    "index_unreadable": FaultWords("{received} cannot be read: {reason}.", _WRITE_TRACKS),
    "index_without_tracks": FaultWords("{received} lists no tracks.", _WRITE_TRACKS),
    "track_not_in_index": FaultWords(
        "{index} has no such track as {received}.",
        "It has: {allowed}. Give one with {parameter}.",
    ),
    "track_not_chosen": FaultWords(
        "{index} has {tracks} tracks that this can read.", "Choose with {parameter} from: {allowed}."
    ),
    "track_damaged": FaultWords(
        "{index}: the entry of {received} cannot be used ({reason}).",
        "Write the tracks again, or give <from_dbfs>, <to_dbfs>, <step_db> and <dwell_seconds> instead.",
    ),
    "track_without_index": FaultWords(
        "{parameter} {received} stands in an index that is not given.",
        "Add <index> with the index.json that lies beside the track.",
    ),
    "glide_without_steps": FaultWords(
        "{parameter} is {received}, and a glide has no steps.",
        "Leave <step_db> and <dwell_seconds> away, or <glide_seconds>.",
    ),
    # a recording that does not hold it
    "too_short_for_levels": FaultWords(
        "{seconds:.3g} s are too short for a staircase or a glide.", _WHOLE_TRACK
    ),
    "ends_not_recorded": FaultWords(
        "neither the beginning nor the end of the {kind} is in the recording, so its levels cannot be told.",
        "Start the recorder before the track and stop it after.",
    ),
    "several_placements": FaultWords(
        lambda values: (
            "the amplifier woke late or fell silent, and the steps that sounded may be several: "
            + "; ".join(f"{first:.4g} to {last:.4g} dBFS" for first, last in values["placements"][:6])
            + "."
        ),
        "Play the track that <write_tones()> makes, whose markers tell; or record from well before its start to "
        "after its end, with the amplifier awake.",
    ),
    "no_staircase": FaultWords(
        "no staircase is in the recording: no {steps} even steps of {seconds:.6g} s follow each other.",
        f"Check <from_dbfs>, <to_dbfs>, <step_db> and <dwell_seconds>, {_OTHER_FIGURES}.",
    ),
    "no_glide": FaultWords(
        "no glide is in the recording: neither its beginning nor its end stands out.",
        f"Start the recorder before the track and stop it after, {_OTHER_FIGURES}.",
    ),
    "glide_pace": FaultWords(
        _glide_pace, f"Check <from_dbfs>, <to_dbfs> and <glide_seconds>, {_OTHER_FIGURES}."
    ),
    "glide_not_staircase": FaultWords(
        "the level moves within the steps, by {drift_db:.2f} dB each: this is a glide.",
        f"Give <glide_seconds>, {_OTHER_FIGURES}.",
    ),
    "steady_not_levels": FaultWords(
        "the level does not move where the track's rises by {span_db:.3g} dB.",
        "This is a steady tone, no staircase or glide: record that track (<measure()> reads steady tones).",
    ),
    "other_steps": FaultWords(
        "clean steps move by {heard_db:.2f} dB, the plan's by {planned_db:.3g} dB.",
        f"Check <step_db> and <dwell_seconds>, {_OTHER_FIGURES}; switch off any loudness or compressor in the "
        "source.",
    ),
    "tone_of_other_track": FaultWords(
        "the tone in it is {heard_hz:.5g} Hz, that of the track {track_hz:.5g} Hz.",
        "Check the <track>, and the sample rate that the recorder wrote into the file.",
    ),
    "steps_all_unjudged": FaultWords(
        lambda values: f"no step could be judged: {UNJUDGED[values['why']]}.",
        "Record the whole track again at a lower recording level.",
    ),
    # volume
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
    # polarity
    "too_many_recordings": FaultWords("{received} recordings are given.", "Give one, or two for a pair."),
    "same_file_twice": FaultWords("both are the same file.", "Give two recordings."),
    "no_such_band": FaultWords("{parameter} is {received}.", "Choose one of {allowed}."),
    "too_short_for_pulses": FaultWords(
        "{seconds:.2f} s are too short for {pulses} pulses.", "Record the pulses track for ten seconds."
    ),
    "rate_not_sound": FaultWords(
        "a rate of {rate_hz:.6g} Hz is not a sound recording's.",
        "Record at {low_hz:.6g} to {high_hz:.6g} Hz.",
    ),
    "rate_below_band": FaultWords(
        "at {rate_hz:.6g} Hz the {received} pulses are too short to be seen.",
        "Record at {least_hz:.6g} Hz or more, or play the midrange pulses.",
    ),
    "drive_silent": FaultWords("the drive signal is silent.", "Give the file that was played."),
    "not_a_pair": FaultWords("{received} recordings are no pair.", "Give the results of two recordings."),
    # routing
    "no_beeps": FaultWords(
        "no beeps of {pitch_hz:.6g} Hz are heard.",
        "Record the beeps track: louder, closer, at least five seconds; steady tones are no beeps.",
    ),
    "no_whole_beeps": FaultWords(
        "no group of beeps is whole.", "Record the beeps track for eight seconds or more."
    ),
    "too_short_for_beeps": FaultWords(
        "{seconds:.2g} s are too short for beeps.", "Record at least five seconds."
    ),
    # matching
    "nothing_to_match": FaultWords("No recording was given.", "Give one for each loudspeaker."),
    "calibrations_differ": FaultWords(
        "Some captures are calibrated and some are not.", "Give all of them the same calibration, or none."
    ),
    "band_above_rate": FaultWords(
        "The band from {low_hz:.6g} to {high_hz:.6g} Hz lies above what the slowest recording holds "
        "({highest_hz:.6g} Hz).",
        "Record at 44100 Hz or more.",
    ),
    "hardly_played": FaultWords(
        "it lies {below_db:.0f} dB below {loudest}: nothing played there, or hardly.",
        "Play the noise on every loudspeaker, bring them within {most_db:g} dB by ear, and record again.",
    ),
    "nothing_in_band": FaultWords("nothing lies in the band asked for.", "Choose another {parameter}."),
    "recorder_clipped": FaultWords(
        "the recorder is overloaded, its samples stand at full scale.",
        "Turn its input down and record all captures again.",
    ),
    "track_not_heard": FaultWords(
        "the track {track} is not heard in it: a dead loudspeaker, or another track.",
        "Look whether this loudspeaker plays at all, and give the track that was played.",
    ),
    "noise_too_short": FaultWords(
        "only {seconds:.2f} s of noise; at least {least_seconds:.6g} s is needed.",
        "Record ten seconds or more.",
    ),
    # impedance
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

# ---- what is good to know ----------------------------------------------------------------------------------

REMARKS: dict[str, Template] = {
    # onset
    "woke_late": (
        "The amplifier gave nothing until {at_seconds:.2f} s, when the track was at {level_dbfs:.4g} dBFS: it woke "
        "late. Let it play for a while first."
    ),
    "fell_silent": (
        "Fell silent from {level_dbfs:.4g} dBFS on, at {at_seconds:.2f} s: look for its protection light, heat, "
        "fuse and supply before you play it louder."
    ),
    "silent_between": (
        "Silent from {start_seconds:.2f} to {stop_seconds:.2f} s ({level_dbfs:.4g} to {stop_level_dbfs:.4g} dBFS) "
        "and back again: a protection that comes and goes, or a loose contact."
    ),
    "gain_changed": (
        "The gain moved by {change_db:+.1f} dB at {at_seconds:.2f} s, before the step of {level_dbfs:.4g} dBFS: "
        "steps before and after it are not of one setting. Record again with nothing touched."
    ),
    "held_by_limiter": (
        "From {level_dbfs:.4g} dBFS on the output is held while its shape stays clean: a limiter or compressor, "
        "no rail. Switch it off to find the onset."
    ),
    "steps_below_floor": _below_floor,
    "steps_not_judged": _not_judged,
    "gain_not_seen": "No clean step 3 dB under the onset: the gain cannot be told. Begin the staircase at a lower level.",
    "gain_hardly_turned": (
        "The two recordings differ by {turned_db:.1f} dB of gain: turn the gain control by 3 dB or more between them, and "
        "leave the recorder's own input alone."
    ),
    "recorder_left_alone": (
        "Turned by {turned_db:.1f} dB, if the recorder's own input was left alone and the source's volume stood still."
    ),
    "clips_before_control": lambda v: (
        "What lies before the gain control (source, line driver, input stage) clips from {before_dbfs:.2f} dBFS on"
        + (", at the lower setting" if v["both"] else "")
        + ": turning the gain down does not help. Turn down what feeds it, or give the input its range."
    ),
    "clips_after_control": (
        "What lies after the gain control (the output stage) clips at {after_volts:.4g} rms: it is the gain that sets "
        "the onset."
    ),
    "onsets_fit_neither": (
        "The onset did not go with the gain of {turned_db:.1f} dB, nor stand still: something else was turned, or the "
        "supply moved. Record both again one after the other."
    ),
    "nothing_clipped": "No step clipped at either setting: record up to a louder step or a higher setting.",
    "onset_not_known": (
        "THD stays below {limit_thd_percent:.6g} % up to {up_to_dbfs:.6g} dBFS; the louder steps could not be "
        "judged, so the onset is not known."
    ),
    "never_clips": (
        "THD stays below {limit_thd_percent:.6g} % up to {up_to_dbfs:.6g} dBFS: the chain does not clip on "
        "this track."
    ),
    "distortion_without_rail": (
        "THD is above {limit_thd_percent:.6g} % at every level and shows no rail: it is not clipping."
    ),
    "distorted_before": (
        "THD is {thd_percent:.2g} % at every level and of one shape: the tone is distorted before its level is set, "
        "in the file, the source or an earlier stage. Up to {up_to_dbfs:.6g} dBFS nothing is clipped after that. "
        "Mend it and record again."
    ),
    "shape_changes": (
        "THD is {thd_percent:.2g} % and of one shape at the softer steps: the tone is distorted before its level is "
        "set, in the file, the source or an earlier stage. From {level_dbfs:.6g} dBFS on the shape changes, and no "
        "rail explains it: the onset is not known. Mend the source and record again."
    ),
    "onset_below_track": (
        "Every step is already beyond the limit: the onset lies below {lowest_dbfs:.6g} dBFS and was followed "
        "down along the fitted rails. Play a staircase that starts lower."
    ),
    "rail_under_distortion": (
        "THD is above {limit_thd_percent:.6g} % at the softer steps too, by distortion of another kind. At "
        "{level_dbfs:.2f} dBFS the rail is first met; look for the other cause as well."
    ),
    "onset_not_rail": "THD passes the limit, but its shape is not that of a rail: look for another cause.",
    "distortion_below_rail": _below_rail,
    "recorder_clock": _clock,
    # volume
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
        "From {lower} to {higher} the output rises by {rise_db:.1f} dB: those between may be clean too."
    ),
    "clean_above_distorted": lambda values: (
        f"Position {_listed(values['positions'])} is clean above one that is not: the captures do not agree. "
        "Record them again; the lower ceiling is given."
    ),
    "full_scale_would_clip": lambda values: (
        f"Position {_listed(values['positions'])} is clean with this {{tone_dbfs:.6g}} dBFS tone, but a "
        "full-scale recording would pass the rail that a higher position shows."
    ),
    "different_tones": (
        "Positions {lower} and {higher} were recorded with different tones: {lower_hz:.4g} Hz and "
        "{higher_hz:.4g} Hz."
    ),
    "output_falls": (
        "From {lower} to {higher} the output falls by {fall_db:.1f} dB: check which capture is which."
    ),
    "tone_controls_not_checked": (
        "The tone controls could not be checked: one of the two captures has no usable tone."
    ),
    "tone_controls_not_flat": _tone_controls,
    "tone_controls_flat": lambda values: (
        "Tone controls are flat: {low_hz:.4g} Hz and {high_hz:.4g} Hz differ by "
        f"{abs(values['low_over_high_db']):.2f} dB."
    ),
    "no_volts_without_calibration": (
        "Without calibration there are no volts for the system file: give <full_scale_volts>."
    ),
    # polarity
    "pulses_not_heard": "The train of pulses is not heard.",
    "drive_lacks_band": (
        "The drive signal does not fill the band of a pulse: play wide-band noise, a sweep, or the pulses."
    ),
    "clock_decides": (
        "With this drive signal the answer hangs on the recorder's clock: one that runs a ten-thousandth off "
        "would turn it. Wide-band noise and the pulses do not."
    ),
    "bands_disagree": "Looked at in two bands, the sound begins two ways.",
    "pulses_in_noise": "The pulses hardly stand out of the noise.",
    "first_swing_hidden": "The first swing of the sound may be hidden in the noise.",
    "narrow_swing_dissents": (
        "A short part of the sound begins the other way: a recorder's codec or noise suppression may have cut it."
    ),
    "swings_disagree": "The sound begins one way and the other at once.",
    "pulses_disagree": "Only {agreeing} of {pulses} pulses agree on a sign.",
    "few_loud_sounds": "A few loud sounds make up all that is heard.",
    "only_probable": f"Only probable: record again to be sure. {_RECORD_CLOSER}",
    "record_closer": _RECORD_CLOSER,
    "recorder_may_invert": (
        "This holds in front of the cone; at a reflex port or behind the cone the sound has the other sign. Some "
        "recorders invert. Record a loudspeaker whose wiring you know once; if it comes out negative, "
        "give <invert_microphone> from then on."
    ),
    # routing
    "beeps_not_heard": _beeps_not_heard,
    "other_counts_heard": lambda values: (
        f"Groups of {_listed(values['counts'])} beeps are heard: both channels may be bridged together, or an "
        "echo counts twice."
    ),
    "channel_beeps_cut": "Channel {channel}: no group of beeps is whole. Record for eight seconds or more.",
    "channel_silent": (
        "Channel {channel} is silent, or more than {crosstalk_db:.3g} dB weaker than the loudest: {side} does "
        "not arrive there."
    ),
    "channel_weak": (
        "Channel {channel} is weak, {under_db:.0f} dB below the loudest: look for its gain, a fader, or a lead that "
        "is half open."
    ),
    "beeps_weak": _beeps_weak,
    "beeps_lost": _beeps_lost,
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
        f"Channel {{channel}} plays groups of {_listed(values['counts'])} beeps: it is no recording of the "
        "beeps track, or an echo counts twice."
    ),
    "side_not_told": (
        "One microphone cannot tell left from right: listen, or hold it to one loudspeaker at a time. One beep "
        "is the left channel, two are the right."
    ),
    "channels_unused": lambda values: (
        f"Nothing is heard on channel {_listed(values['channels'])}: if loudspeakers hang there, they are silent."
    ),
    "microphone_perhaps": (
        "If a microphone recorded this, give <microphone>: all its channels hear everything."
    ),
    # matching
    "cuts_only": (
        "No output is raised, for one that stands at its target would clip too early: all trims are "
        "{lowered_db:.1f} dB lower than to the reference, {quietest} stays and the others come down to it."
    ),
    "same_place_assumed": "Same microphone place and same recorder gain are assumed for all captures.",
    "total_cut_short": ("Totals reach to {highest_hz:.6g} Hz, as far as the slowest recording's rate allows."),
    "tone_not_noise": (
        "this is a tone, not noise: at one frequency rooms and loudspeakers differ by chance. Play the track "
        "of band-limited noise."
    ),
    "level_moved": (
        "its level moved by {change_db:+.1f} dB at about {at_seconds:.1f} s: a gain that was turned, automatic gain "
        "or noise suppression, or a passing noise. The trim's limits are widened by it; record again."
    ),
    "background_within": (
        "{unlike_db:.1f} dB of what it and the reference hold is not the same noise: an engine, wind, or a dead "
        "loudspeaker. The trim's limits are widened by it; give the track with <index>, and it is left out."
    ),
    "background_left_out": (
        "background adds {background_db:.1f} dB to the track; it was told apart and left out."
    ),
    "background_counts": (
        "Engine, wind and other sound count as the loudspeaker's unless the track itself is given with <index>."
    ),
    "far_apart": lambda values: (
        f"it is {abs(values['under_db']):.0f} dB {'softer' if values['under_db'] > 0 else 'louder'} than the "
        "reference: a dead loudspeaker leaves that much of its neighbours. Listen to it first."
    ),
    "silence_within": "{silent_seconds:.1f} s of silence lie within the noise and lower its level.",
    "levels_relative": "Levels are relative to a full-scale sine; the trims are right all the same.",
    # impedance
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
