"""Sentences of the room `steps`: the guided job, in the terminal and on the page."""

from __future__ import annotations

from gainkit.figures import plain
from gainkit.words import FaultWords, Template

LEAST_THD_PERCENT = 0.01
"""Less is of no interest while a gain is set [%]."""

FAULTS: dict[str, FaultWords] = {
    "unknown_step": FaultWords("There is no step {received}.", "The steps are: {allowed}."),
    "step_takes_no_capture": FaultWords(
        "Nothing is read at the step {received} in this way.", "Go to the step that the recording belongs to."
    ),
    "not_confirmed": FaultWords(
        "The cautions of {received} are not confirmed yet.", "Confirm them first: they are there for a reason."
    ),
    "nothing_to_keep": FaultWords("There is no reading to keep.", "Take one first."),
    "reading_replaced": FaultWords(
        "Another reading has come since this one was shown.",
        "It is here now: look at it, then keep or leave it.",
    ),
    "nothing_recorded": FaultWords("No interface is being read.", "Start with a device, or send a file."),
    "recording_has_gaps": FaultWords(
        "The recording has gaps: the interface went away, or the machine was too slow.",
        "Check the plug, close other programs, and record again.",
    ),
    "upload_too_large": FaultWords(
        "The file is larger than {most_mb:g} MB.", "Send a shorter recording: ten seconds tell most things."
    ),
    "upload_empty": FaultWords("Nothing arrived.", "Choose the file again."),
    "too_much_waits": FaultWords(
        "More than {most_mb:g} MB of recordings wait to be kept.", "Keep or leave those first."
    ),
    "codec_too_long": FaultWords(
        "The recording is longer than {most_seconds:.3g} s.", "Send a shorter recording."
    ),
    "codec_not_read": FaultWords(
        "{received} holds no sound that can be decoded ({told}).",
        "Send WAV, FLAC, or the voice memo as the phone wrote it.",
    ),
    "simulate_needs_own_job": FaultWords(
        "{received} holds readings of a real amplifier.",
        "Give another folder: simulated readings get their own job.",
    ),
    "job_is_simulated": FaultWords(
        "{received} holds readings of a simulated amplifier.", "Start a job of its own for the car."
    ),
    "address_in_use": FaultWords("Port {received} is in use.", "Give another <port>, or leave it out."),
    "knob_out_of_range": FaultWords("The knob cannot go to {received}.", "Give {allowed}."),
}

REMARKS: dict[str, Template] = {
    # ---- what to connect and to do -------------------------------------------------------------------------
    "step_plan_do": "Compare the plan with the plates of amplifier and loudspeakers; mend the system file where they differ.",
    "step_stick_do": "The tones must be at hand: on a stick, or played by this page into the source's input.",
    "step_calibrate_do": (
        "Record a steady tone and read the meter at the same point: the recorder then knows its volts. With a meter "
        "alone leave this out."
    ),
    "step_volume_positions": (
        "Play the 0 dBFS tone, record the source's own output at several volume positions, one recording each."
    ),
    "step_volume_planned": "The plan has position {position}; tone controls flat.",
    "step_gain_connect": lambda v: (
        "Meter or recorder across both leads of the output, neither of them on ground."
        if v["both_leads"]
        else "Meter or recorder across the output's leads, plus to plus."
    ),
    "step_gain_turn": lambda v: (
        "Play the tone and turn "
        + ("the output's own level" if v["built_in"] else "the gain control")
        + " until {set_volts:.2f} V are read."
    ),
    "step_onset_do": "Play the staircase from the first step to the last and record the output, with a dummy load if you have one.",
    "step_routing_do": "Play the beeps: one on the left, two on the right. Record them, or listen at each loudspeaker.",
    "step_polarity_do": (
        "Play the chirps with the other loudspeakers unplugged, and record ten seconds a hand's width from the cone; "
        "or tell what a tester shows."
    ),
    "step_match_do": "Play the noise on one output at a time; the recorder's gain and place stay as they are.",
    "step_response_do": "Play the sweep and record the output from before its start to after its end.",
    "step_noise_do": "Play silence, engine and consumers on, and record ten seconds of the output.",
    "step_page_do": "The page holds what was planned, what was read and what is open.",
    # ---- what may hurt -------------------------------------------------------------------------------------
    "step_load_gets_hot": "A dummy load gets hot: keep it clear of trim and hands.",
    "step_loud_sounds": (
        "Loudspeakers play: begin with the volume down. A tone at level burns a tweeter in seconds, and a closed car "
        "is loud: protect your hearing."
    ),
    "step_speakers_off_first": "Steady tones come next: unplug the loudspeakers at the amplifier first.",
    # ---- what a person confirms ----------------------------------------------------------------------------
    "speakers_are_unplugged": "The loudspeakers of this output are unplugged at the amplifier.",
    "leads_are_free": "Neither lead of this output touches ground, not through the recorder either.",
    "volume_is_low": "The volume is down, and hearing is protected.",
    "plan_seen": "The plan agrees with the plates.",
    "tones_ready": "The tones are at hand.",
    "no_recorder": "Only a meter is used.",
    "volume_set": "The source stands at the plan's position, tone controls flat.",
    "routing_heard": "Every channel plays where it should, by ear.",
    "match_heard": "The outputs sound alike, by ear.",
    "readings_are_simulated": "Readings of a simulated amplifier: no car was connected.",
    # ---- how a step stands ---------------------------------------------------------------------------------
    "step_by_hand": "By eye or ear",
    # ---- the one large thing -------------------------------------------------------------------------------
    "large_turn_down": "Turn DOWN {change_db:z.1f} dB",
    "large_turn_up": "Turn UP {change_db:z.1f} dB",
    "large_on_target": "On target",
    "large_on_target_typed": "On target by the meter",
    "large_perhaps_half": "Half? Measure across both leads",
    "large_out_of_reach": "Target not clean here",
    "large_not_told": "No answer: measure again",
    "large_read": "Read",
    "large_calibrated": "Full scale is {full_scale_volts:.4g} V peak",
    "large_dc_at_output": "STOP: DC {dc_volts:+.2g} V",
    "large_recorder_overloaded": "Turn the recorder's input down",
    "large_no_steady_tone_recorded": "No steady tone",
    "large_other_tone": "Another tone is playing",
    "large_not_calibrated": "Volts not known: calibrate",
    "large_other_volume": "Another volume: measure again",
    "large_onset": "Clips at {onset_dbfs:z.1f} dBFS",
    "large_distorts": "Distorts at {onset_dbfs:z.1f} dBFS, not clipped",
    "large_no_onset": "No clipping found",
    "large_distorted_levels": "Distorted, not clipped",
    "large_polarity": lambda v: {"positive": "Positive", "negative": "NEGATIVE"}.get(
        v["polarity"], "Undecided"
    ),
    "large_routing_right": "Routing right",
    "large_routing_wrong": "ROUTING WRONG",
    "large_volume": "Highest clean position: {position}",
    "large_no_volume": "No clean position",
    "large_match": "Trim {output} by {trim_db:+z.1f} dB",
    "large_noise_quiet": "Quiet",
    "large_noise_outside": "Quiet, but not outside the audio band",
    "large_noise_hum": "HUM",
    "large_noise_whine": "WHINE",
    "large_noise_hiss": "HISS",
    "large_noise_not_known": "No answer: record again",
    "large_response": lambda v: str(v["verdict"]).capitalize(),
    # ---- figures -------------------------------------------------------------------------------------------
    "figure_volts": "{rms_volts:.2f} V",
    "figure_units": "{rms_volts:.3g} of full scale",
    "figure_thd": "THD {thd_percent:.2g} %",
    "figure_thd_below": lambda v: f"THD below {plain(max(v['thd_floor_percent'], LEAST_THD_PERCENT), 1)} %",
    "figure_clean": "clean",
    "figure_at_onset": "at the onset",
    "figure_clipped_in_part": "CLIPPED in a part of the recording",
    "figure_disturbed": "no rail, but crackles or lost samples",
    "figure_clipped": "CLIPPED by {overdrive_db:z.1f} dB",
    "figure_recorder": "recorder {level_dbfs:z.0f} dBFS",
    "figure_not_looked_at": "clipping not looked at",
    "figure_pulses": "{agreeing} of {pulses} sounds agree",
    "figure_trim": "{output}: {trim_db:+z.1f} dB",
    "figure_position": "{position}: {rms_volts:.2f} V",
}

TITLES: dict[str, str] = {
    "plan": "Plan",
    "stick": "Tones",
    "calibrate": "Recorder",
    "volume": "Source's volume",
    "gain": "Gain",
    "onset": "Onset of clipping",
    "routing": "Routing",
    "polarity": "Polarity",
    "match": "Match",
    "response": "Response",
    "noise": "Noise",
    "page": "As-left page",
}
"""Titles of the steps by their kind."""

STATES: dict[str, str] = {"open": "open", "settled": "done", "contradicted": "NOT RIGHT"}
"""How a step stands, in a word."""
