"""Sentences of the room `job`: the plan of a car, the record and how it stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.figures import plain
from gainkit.words import FaultWords, Finished, Template, shown, told


def _nearest(values: Mapping[str, Any]) -> str:
    return "; the nearest known is {nearest}" if values.get("nearest") else ""


def _unknown_output(values: Mapping[str, Any]) -> str:
    return "There is no output {received}" + ("; the nearest is {nearest}." if values.get("nearest") else ".")


def _unknown_channel(values: Mapping[str, Any]) -> str:
    hint = " Did you mean {nearest}?" if values.get("nearest") else ""
    return "{path} has no channel named {received}." + hint


FAULTS: dict[str, FaultWords] = {
    "no_job": FaultWords(
        "{received} is not a job folder.",
        "Start one with <start_job()>, or give a folder that holds a system.toml.",
    ),
    "no_job_here": FaultWords(
        "No {parameter} was named, and this folder is in none.",
        "Give the job's folder, or go into it; <start_job()> starts one.",
    ),
    "folder_not_empty": FaultWords(
        "{received} is already there and not empty.", "Choose a new folder for the job."
    ),
    "output_needed": FaultWords("{received} stands for several outputs.", "Say which one: {allowed}."),
    "unknown_output": FaultWords(_unknown_output, "The outputs are: {allowed}."),
    "unknown_channel": FaultWords(_unknown_channel, "Its channels are: {allowed}."),
    "blank_text": FaultWords("{parameter} is blank.", "Give it some words."),
    "text_too_long": FaultWords("{parameter} is longer than {most} characters.", "Give the essence of it."),
    "not_one_of": FaultWords("{parameter} is {received}.", "Give one of: {allowed}."),
    "record_too_large": FaultWords(
        "{file} is larger than {most_mb:.0f} MB: no record of a job is.",
        "Put the job's own record back from a copy, or start the job anew.",
    ),
    "record_not_ours": FaultWords(
        "{file} is no record of a job ({lines} readings, {wrong} lines that are none).",
        "Put the job's own record back from a copy, or start the job anew.",
    ),
    "reading_too_long": FaultWords(
        "A reading of {received} bytes is longer than the record's lines may be ({most} bytes).",
        "Measure a shorter recording.",
    ),
    "one_output_only": FaultWords(
        "A reading of this kind belongs to one output; {received} were named.", "Note it for one output."
    ),
    "output_twice": FaultWords("{received} is named twice.", "Name each output once."),
    "pair_of_two": FaultWords(
        "A pair belongs to two outputs; {received} were named.", "Name both with {parameter}, in order."
    ),
    "one_output_a_capture": FaultWords(
        "{captures} recordings were matched and {received} outputs named.",
        "Name one with {parameter} for each recording, in order.",
    ),
    "not_that_kind": FaultWords("This is no reading of kind {received}.", "Known kinds are: {allowed}."),
    "uncalibrated_reading": FaultWords(
        "Not noted: without calibration the reading is not in volts, and says nothing of the target.",
        "Give <calibration> or <full_scale_volts>, or type a meter's volts (<note_typed()>).",
    ),
    "danger_not_accepted": FaultWords(
        "{received} can hurt people, cables or loudspeakers: it cannot be accepted.",
        "Mend its cause, then note or measure the output again.",
    ),
    "nothing_to_accept": FaultWords(
        "No fault {received} stands there.",
        lambda v: (
            "Those that stand are: {allowed}."
            if v["allowed"]
            else "Nothing that could be accepted stands there."
        ),
    ),
    "no_such_reading": FaultWords(
        "There is no reading {received}.", "The numbers go up to {last}; <list_readings()> lists them."
    ),
    "void_already": FaultWords("Reading {received} is void already ({reason}).", "Nothing is to be done."),
    "nothing_to_undo": FaultWords("There is no reading to undo.", "<list_readings()> lists the record."),
    "visit_there_already": FaultWords(
        "There is a visit {received} already.", "Give the new visit another name, such as its date."
    ),
}

HALF = (
    ". Turn nothing yet: one lead of a bridged or built-in output against ground shows half its volts, as read here. "
    "Measure across both leads, neither of them on ground"
)
"""Follows a level that may be of one lead."""

REMARKS: dict[str, Template] = {
    "earlier_note": "{note}",
    # ---- the plan of a car ---------------------------------------------------------------------------------
    "noise_of_stages": lambda v: (
        "With this gain the noise at the output is {total_volts:.2g} V, {below_target_db:z.0f} dB under the target: "
        "{source_volts:.2g} V of the source, {amplifier_volts:.2g} V of the amplifier. "
        + (
            "More level from the source and less gain would lower it."
            if v["loudest"] == "source"
            else "The gain hardly counts: it is the amplifier's own."
        )
    ),
    "trim_own_level": lambda v: (
        f"Turn this output's own level down by {-v['trim_db']:z.1f} dB: it clips at {{clip_dbfs:.1f}} dBFS; with its "
        "overlap of {overlap_db:g} dB, its margin and its loudspeaker's limit that is to happen at "
        "{latest_dbfs:z.1f} dBFS."
    ),
    "speaker_output_not_measured": lambda v: (
        "Measure the radio's loudspeaker output and give "
        + ("<source.speaker_clip_dbfs>" if v["built_in"] else "<source.speaker_volts>")
        + ": no gain follows without it."
    ),
    "gain_control_too_hot": (
        "The gain control cannot go low enough ({needed_volts:.2f} V needed, it ends at {nearest_volts:g} V): there "
        "the channel is {error_db:z.1f} dB too loud, and the overlap grows to {overlap_db:z.1f} dB. Turn the source "
        "down by that, or put a pad before the input."
    ),
    "gain_control_too_low": lambda v: (
        "The gain control cannot go high enough ({needed_volts:.2f} V needed, it ends at {nearest_volts:g} V): "
        f"there the channel stays {-v['error_db']:z.1f} dB below its target. A source or line driver with more "
        "volts mends it."
    ),
    "coils_make_other_load": lambda v: (
        "No equal wiring of these coils makes {load_ohms:g} ohm; they can make "
        + ", ".join(f"{ohms:.3g}" for ohms in v["possible_ohms"])
        + " ohm."
    ),
    "set_at_position": "Set with the source at its highest clean position ({position}) and every tone control flat.",
    "position_not_known": (
        "The source's highest clean position is not known: find it first (<find_clean_volume()>), and set with every "
        "tone control flat."
    ),
    "supply_not_given": "The supply voltage is not given: ratings are taken as they stand.",
    "feed_loss": (
        "With all amplifiers at full power the feed carries {supply_amperes:.0f} A and loses {lost_volts:.2f} V: "
        "unregulated channels are calculated at {amplifier_volts:.2f} V."
    ),
    "power_beyond_fuse": (
        "With all amplifiers at full power {supply_amperes:.0f} A flow, and the fuse at the battery holds "
        "{fuse_amperes:g} A: it would blow, or the plates promise more than the amplifiers give. Never fit a larger "
        "fuse than the cable's maker and local code allow."
    ),
    "feed_not_given": (
        "{supply_volts:g} V were measured at the battery, and the feed is not given: what it loses is not taken off, "
        "and unregulated amplifiers clip earlier than calculated. Give <supply.feed_length_m> with <supply.feed_mm2>, "
        "or measure at the amplifier under load."
    ),
    "source_figures_disagree": (
        "The radio's loudspeaker output was given as {speaker_volts:g} V for 0 dBFS, and its onset of clipping says "
        "{onset_volts:.3g} V, {apart_db:+z.1f} dB apart: the louder one counts here. Measure its onset of clipping in "
        "volts and give <measured_clip_volts>."
    ),
    "example_figures": lambda v: _example_figures(v),
    "clip_apart": (
        "The channels do not clip together: {first} is the first as the volume goes up, {last} the last, "
        "{apart_db:z.1f} dB later."
    ),
    # ---- the record ----------------------------------------------------------------------------------------
    "line_not_whole": "{file}, line {line}: not a whole reading (cut off while it was written?); left out.",
    "reading_not_known": "Line {line} of the record holds no reading that is known here ({kind}); left out.",
    "reading_of_no_output": "Readings for {name!r}, which the system file does not have.",
    "reading_names_no_output": "Reading {reading} ({kind}) names no output: it does not count. Void it, and measure again.",
    "reading_without_output": (
        "A reading for {name!r} does not say for which of its outputs: it does not count. Measure again for one of them."
    ),
    # ---- verdicts of an output, and faults that stand ------------------------------------------------------
    "level_not_measured": "level not measured",
    "level_not_told": "the last reading does not tell the level: measure again",
    "on_target": "on target, {rms_volts:.2f} V of {set_volts:.2f} V ({error_db:+z.2f} dB)",
    "on_target_typed": (
        "on target by the meter, {rms_volts:.2f} V of {set_volts:.2f} V ({error_db:+z.2f} dB); clipping not looked at"
    ),
    "dc_at_output": (
        "STOP: DC of {dc_volts:+.2g} V at the output. It can burn loudspeakers: keep them unplugged, and find the "
        "cause (a faulty amplifier, one lead of a bridged output, the recorder's own offset)."
    ),
    "recorder_overloaded": "the recorder was overloaded: measure again with its input turned down",
    "no_steady_tone_recorded": "the last recording held no steady tone: measure again",
    "tone_too_loud": (
        "the meter was read with a tone of {tone_dbfs:g} dBFS, louder than the overlap allows ({most_dbfs:g} dBFS): "
        "it may have been clipped"
    ),
    "not_calibrated": "recorded without calibration: volts not known",
    "other_volume": "taken at another volume of the source: measure again",
    "clipped": lambda v: "CLIPPED by {overdrive_db:z.2f} dB" + _volts(v),
    "clips_in_part": "CLIPPED IN A PART of its recording: find what moved, and measure again",
    "distorted": lambda v: "DISTORTED, THD {thd_percent:.2g} %" + _volts(v),
    "level_off_target": lambda v: (
        f"MISSES ITS TARGET: {abs(v['error_db']):z.2f} dB too {'high' if v['error_db'] > 0 else 'low'}, "
        "{rms_volts:.2f} V of {set_volts:.2f} V" + (HALF if v.get("perhaps_half") else "")
    ),
    "polarity_wrong": "POLARITY {polarity}, {expected} is planned: change the leads over, or check the plan",
    "polarity_probably_wrong": "polarity PROBABLY {polarity}, {expected} is planned: record it once more",
    "pair_same": "NOT OPPOSITE to {other}, as the plan asks: one of the two is the wrong way round",
    "pair_opposite": "OPPOSITE to {other}: one of the two is the wrong way round",
    "onset_early": "CLIPS TOO EARLY: at {onset_dbfs:z.2f} dBFS, {planned_dbfs:g} dBFS is planned",
    "distorts_early": (
        "DISTORTS TOO EARLY, at no rail: THD reaches the limit at {onset_dbfs:z.2f} dBFS, {planned_dbfs:g} dBFS is "
        "planned; look for what bends the wave, a limiter, a tone control, an earlier stage"
    ),
    "distorted_at_levels": lambda v: (
        "DISTORTED (or hum beside the tone), not clipped: THD up to {thd_percent:.2g} % at {lowest_dbfs:z.4g}"
        + (" dBFS" if v["lowest_dbfs"] == v["highest_dbfs"] else " to {highest_dbfs:z.4g} dBFS")
    ),
    "onset_at_other_volume": "the onset was read at another volume of the source: it may have moved",
    "noise_heard": lambda v: (
        "NOISE: {heard}"
        + (
            ", {below_target_db:z.0f} dB under the target, A-weighted"
            if v.get("below_target_db") is not None
            else ""
        )
    ),
    "samples_lost": "the last usable recording lacks samples: close other programs, and measure again",
    "crackles": "the last usable recording CRACKLES ({count} samples that are not the tone's): check plugs and leads, and measure again",
    "waveform_not_judged": "clipping could not be judged from the last usable recording: measure again",
    "not_matched": "NOT MATCHED: {trim_db:+z.1f} dB to the reference",
    "response_not_flat": lambda v: (
        f"RESPONSE NOT FLAT: {'raised' if v['gain_db'] > 0 else 'lowered'} by {abs(v['gain_db']):z.1f} dB at "
        "{at_hz:.3g} Hz: switch the equaliser or tone control off and sweep again, or accept it with a reason"
    ),
    "outputs_differ": lambda v: (
        f"differs from {{other}} by {abs(v['difference_db']):z.2f} dB "
        f"({'louder' if v['difference_db'] > 0 else 'quieter'})"
    ),
    "routing_wrong": "ROUTING WRONG: a channel does not play where it should",
    "volume_not_as_planned": (
        "the highest clean volume position was measured as {measured}; the system file says {planned}. Correct it "
        "(<find_clean_volume()>), and set the channels there"
    ),
    "volume_not_clean": "no volume position of the source was found clean",
    "source_volts_not_as_planned": (
        "the source gives {measured_volts:.3g} V for 0 dBFS as measured, {planned_volts:.3g} V by the system file "
        "({off_db:+z.1f} dB): gain controls stand elsewhere than planned"
    ),
    "plan_changed": lambda v: _plan_changed(v),
    "left_as_accepted": (
        "NOT on target, as accepted: {rms_volts:.2f} V of {set_volts:.2f} V ({error_db:+z.2f} dB)"
    ),
    "accepted": lambda v: Finished(
        f"accepted: {short_text(v['accepted'], v.get('what', {}))} ({v['accepted']}). Reason: {v['reason']}"
    ),
    "job_headline": lambda v: _headline(v),
}


def _example_figures(values: Mapping[str, Any]) -> str:
    if values["whole"]:
        return (
            "Every figure of source and channels is the example's, of a car that does not exist: replace them by what "
            "stands on the plates and pages of this car before anything is set by them."
        )
    places = (["the source"] if values["source"] else []) + [shown(each) for each in values["channels"]]
    text = "These still hold the example's figures: " + ", ".join(places) + ". Are they this car's?"
    return Finished(text)


SHORT: dict[str, Template] = {
    "dc_at_output": "DC of {dc_volts:+.2g} V",
    "recorder_overloaded": "recorder overloaded",
    "no_steady_tone_recorded": "no steady tone recorded",
    "other_tone": "read with another tone",
    "tone_too_loud": "read with too loud a tone",
    "not_calibrated": "volts not known",
    "other_volume": "read at another volume",
    "one_lead": "read on one lead",
    "clipped": "clipped by {overdrive_db:z.1f} dB",
    "clips_in_part": "clipped in a part of its recording",
    "distorted": "distorted, THD {thd_percent:.2g} %",
    "level_off_target": lambda v: (
        f"{abs(v['error_db']):z.1f} dB too {'high' if v['error_db'] > 0 else 'low'}"
        + (" (read on one lead?)" if v.get("perhaps_half") else "")
    ),
    "polarity_wrong": "polarity {polarity}",
    "polarity_probably_wrong": "polarity probably {polarity}",
    "pair_opposite": "opposite to {other}",
    "pair_same": "not opposite to {other}",
    "onset_early": "clips too early",
    "distorts_early": "distorted too early, not clipped",
    "distorted_at_levels": "distorted at some levels, not clipped",
    "noise_heard": "{heard} heard",
    "noise_below_band": "{rms_volts:.2g} {unit} below {edge_hz:g} Hz",
    "noise_above_band": "{rms_volts:.2g} {unit} above {edge_hz:g} Hz",
    "filter_takes_tone": "a filter takes {loss_db:z.1f} dB off the tone",
    "crossover_missing": "no {side} at {planned_hz:.4g} Hz",
    "crossover_elsewhere": "{side} at {corner_hz:.3g} Hz",
    "volume_not_clean": "no clean volume position",
    "samples_lost": "samples lost in its recording",
    "crackles": "crackles in its recording",
    "waveform_not_judged": "clipping not judged",
    "not_matched": "not matched",
    "response_not_flat": "response {gain_db:+z.1f} dB at {at_hz:.3g} Hz",
    "level_changed_in_sweep": "the level changed during the sweep",
    "signal_gone_in_sweep": "the signal was gone during the sweep",
    "sweep_distorted": "the sweep is distorted, THD {thd_percent:.2g} %",
    "sweep_not_found": "no sweep in the recording",
    "outputs_differ": lambda v: f"{abs(v['difference_db']):z.1f} dB off {{other}}",
    "routing_wrong": "routing wrong",
    "volume_not_as_planned": "volume not as planned",
    "plan_changed": "plan changed since",
    "line_not_whole": "a line of the record is torn",
    "reading_not_known": "a line of the record is not known",
    "reading_of_no_output": "a reading of no output",
    "reading_without_output": "a reading that names no output",
    "reading_names_no_output": "a reading that names no output",
}
"""The faults in so many words as a headline bears."""

MOST_IN_HEADLINE = 6


def _volts(values: Mapping[str, Any]) -> str:
    return ", {rms_volts:.2f} V of {set_volts:.2f} V" if "rms_volts" in values else ""


def short_text(code: str, values: Mapping[str, Any]) -> str:
    """A fault in a few words."""
    return told(SHORT.get(code, code.replace("_", " ")), values)


FIGURES = {
    "set_volts": ("target", "{:.2f} V"),
    "tone_hz": ("tone", "{:.4g} Hz"),
    "tone_dbfs": ("tone", "{:zg} dBFS"),
    "overlap_db": ("overlap", "{:g} dB"),
    "tolerance_db": ("tolerance", "{:g} dB"),
    "limit_thd_percent": ("THD limit", "{:g} %"),
    "expected_polarity": ("polarity", "{}"),
}
"""What a person calls the plan's figures, and how they are written."""


def _plan_changed(values: Mapping[str, Any]) -> str:
    listed = []
    for key, then, now in values["moved"]:
        name, form = FIGURES[key]
        listed.append(f"{name} {form.format(then)} then, {form.format(now)} now")
    return Finished(
        f"the plan moved after reading {values['reading']}: {'; '.join(listed)}. The reading stands by the figures "
        "of its own day"
    )


def _headline(values: Mapping[str, Any]) -> str:
    """Danger first, then what is wrong by output, then what is not measured, then what was accepted. Names stay
    as they are."""
    count, parts = values["outputs"], []
    if values["dangers"]:
        parts.append("STOP. " + _named(values["dangers"]) + ". Connect no loudspeaker.")
    if values["faults"]:
        parts.append("NOT DONE. " + _named(values["faults"]) + ".")
    if open_ones := values["unmeasured"]:
        parts.append(f"{len(open_ones)} OF {count} OUTPUTS NOT MEASURED.")
    if values["ok"]:
        hit = values["on_target"]
        which = "THE ONE OUTPUT" if count == 1 else f"ALL {count} OUTPUTS"
        which = which if hit == count else f"{hit} OF {count} OUTPUTS"
        parts.append(f"{which} ON TARGET (within {plain(values['tolerance_db'])} dB).")
    if values["accepted"]:
        parts.append("ACCEPTED: " + _named(values["accepted"]) + ".")
    return Finished(" ".join(parts) if values["ok"] or parts else "NOT DONE.")


def _named(value: Any) -> str:
    """'Front/right: clipped by 2.3 dB; Rear: polarity negative'."""
    grouped: dict[str, list[str]] = {}
    for name, each in value:
        what = (
            (each.values["accepted"], each.values["what"])
            if each.code == "accepted"
            else (each.code, each.values)
        )
        grouped.setdefault(name, []).append(short_text(*what))
    told_ones = [
        (f"{shown(name)[1:-1]}: " if name else "") + ", ".join(all_of) for name, all_of in grouped.items()
    ]
    more = len(told_ones) - MOST_IN_HEADLINE
    listed = "; ".join(told_ones[:MOST_IN_HEADLINE]) + (f"; and {more} more" if more > 0 else "")
    return listed
