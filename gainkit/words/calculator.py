"""Sentences of the calculator, and of figures that cannot be wherever they are given."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import FaultWords, Template

Values = Mapping[str, Any]


def _wrong_order(values: Values) -> str:
    return f"Give less than <{values['other']}>, or exchange the two."


def _no_tone_fits(values: Values) -> str:
    parts = []
    if values["highpass_hz"] is not None:
        parts.append("a high-pass at {highpass_hz:.6g} Hz")
    if values["lowpass_hz"] is not None:
        parts.append("a low-pass at {lowpass_hz:.6g} Hz")
    if values["crossover_hz"] is not None:
        parts.append("a passive crossover at {crossover_hz:.6g} Hz")
    if values["meter_high_hz"] is not None:
        least = "{meter_low_hz:.6g}" if values["meter_low_hz"] else "up"
        parts.append(f"a meter made for {least} to {{meter_high_hz:.6g}} Hz")
    elif values["meter_low_hz"]:
        parts.append("a meter made for {meter_low_hz:.6g} Hz up")
    return "No tone suits " + ", ".join(parts[:-1]) + (" and " if parts[1:] else "") + parts[-1] + "."


def _no_tone_remedy(values: Values) -> str:
    return (
        "Give <tone_hz> and read it by a capture, not by that meter; or switch the amplifier's filters off while "
        "setting, leave <highpass_hz> and <lowpass_hz> out, and switch them back on before the loudspeaker is "
        "connected."
        if values["meter_low_hz"] is not None
        else "Give <tone_hz>, or switch the amplifier's filters off while setting, leave <highpass_hz> and "
        "<lowpass_hz> out, and switch them back on before the loudspeaker is connected."
    )


FAULTS: dict[str, FaultWords] = {
    # ---- figures, wherever they are given
    "outside_range": FaultWords("{parameter} is {received}.", "Give {allowed}."),
    "missing": FaultWords(
        "{parameter} is missing.", lambda values: "Give {allowed}." if values.get("allowed") else "Give it too."
    ),
    "not_a_choice": FaultWords("{parameter} is {received}.", "Choose from {allowed}."),
    "wrong_kind": FaultWords("{parameter} is {received}.", "Give {allowed}."),
    "unknown_name": FaultWords("There is no figure named {parameter}.", "Known are {allowed}."),
    "not_both": FaultWords(
        lambda values: f"{{parameter}} and <{values['other']}> are both given.", "Give one of them."
    ),
    "needs_other": FaultWords(
        lambda values: f"{{parameter}} and <{values['other']}> belong together.", "Give both, or neither."
    ),
    "needs_one_of": FaultWords(
        lambda values: f"Neither {{parameter}} nor <{values['other']}> is given.", "Give one of them."
    ),
    "wrong_order": FaultWords(
        lambda values: (
            f"{{parameter}} is {{received}} {{unit}}, and <{values['other']}> is {{most:.6g}} {{unit}}."
        ),
        _wrong_order,
    ),
    # ---- a channel
    "same_load_twice": FaultWords("Two ratings have the same load.", "Give each load once."),
    "output_limit_unknown": FaultWords(
        "Output limit unknown: there is no rating and no measured onset of clipping.",
        "Give rated watts and ohms from the amplifier's plate, or <measured_clip_volts>.",
    ),
    "tone_above_overlap": FaultWords(
        "{parameter} is {received} dBFS: louder than an overlap of {overlap_db:.6g} dB allows.",
        "Use a tone of {most_dbfs:.6g} dBFS or less: a louder one would be clipped.",
    ),
    "built_in_is_bridged": FaultWords(
        "A built-in output is bridge-tied by itself, and {parameter} is given too.", "Leave {parameter} out."
    ),
    "per_half_unbridged": FaultWords(
        "{parameter} applies to bridged channels only.", "Add <bridged>, or leave {parameter} out."
    ),
    "peak_rating": FaultWords(
        "The rating is a peak ('max') figure: it is reached for an instant, by whatever way of counting, and no "
        "amplifier holds it. No volts to set follow from it.",
        "Give the continuous (rms) watts from the amplifier's page, or <measured_clip_volts>.",
    ),
    "only_built_in": FaultWords(
        "{parameter} applies to a radio's built-in output only.", "Add <built_in>, or leave {parameter} out."
    ),
    "needs_speaker_watts": FaultWords(
        "{parameter} keeps a full-scale sine within the loudspeaker's limit, and that is not given.",
        "Give <speaker_watts>, or leave {parameter} out.",
    ),
    "no_tone_fits": FaultWords(_no_tone_fits, _no_tone_remedy),
    "guard_band_leaves_nothing": FaultWords(
        "The uncertainty of {guard_volts:.3g} V is as large as the {set_volts:.3g} V to be set: a guard band would "
        "leave nothing.",
        "Use a better meter or a louder tone, or leave {parameter} out.",
    ),
}


def _load_below_minimum(values: Values) -> str:
    each, a_half = ("each half sees", " a half") if values["bridged"] else ("the load is", "")
    return (
        f"Do not connect this load: {each} {{seen_ohms:.6g}} ohm, and the amplifier allows no less than "
        f"{{min_ohms:.6g}} ohm{a_half}. Wire it higher (see <find_loads()>)."
    )


def _meter_not_made_for_tone(values: Values) -> str:
    band = "{low_hz:.6g} Hz up" if values["high_hz"] is None else "{low_hz:.6g} to {high_hz:.6g} Hz"
    usual = "Such a meter is usually" if values.get("assumed") else "The meter is"
    page = " (common practice; its own page decides)" if values.get("assumed") else ""
    return (
        f"{usual} made for {band}{page}: do not believe it at {{tone_hz:.6g}} Hz. Use a tone it is made "
        "for, or measure a capture."
    )


def _filters_take_level(values: Values) -> str:
    better = "" if values["low_hz"] is None else ", or use a tone of {low_hz:.0f} to {high_hz:.0f} Hz"
    return (
        "At {tone_hz:.6g} Hz the amplifier's own filters take about {loss_db:z.1f} dB (at 12 dB/octave), and "
        f"the gain would come out that much too high: switch them off while setting{better}. Switch them back on "
        "before the loudspeaker is connected."
    )


def _full_scale_over_loudspeaker(values: Values) -> str:
    cut = ", cut at the rails," if values["cut"] else ", without a trace of clipping,"
    way_out = (
        ""
        if values["over_db"] < 3.0
        else " To keep a full-scale sine within the limit set <overlap_limit> to amplifier."
    )
    return (
        "At the gain set a full-scale tone (0 dBFS) puts {full_scale_watts:.3g} W into the loudspeaker"
        f"{cut} {{over_db:.1f}} dB over its continuous {{speaker_watts:.6g}} W. Programme with a crest factor of "
        f"{{crest_factor_db:.3g}} dB puts in about {{average_watts:.3g}} W on average.{way_out}"
    )


def _rating_above_built_in_limit(values: Values) -> str:
    claim = "{claimed_watts:.3g} W into {load_ohms:.6g} ohm on {supply_volts:.6g} V is "
    if values["implied_thd_percent"] is None:
        what = "more than even a square wave there ({square_watts:.3g} W): it is no continuous rating"
    else:
        what = (
            "what a bridge-tied stage gives at about {implied_thd_percent:.2g} % THD, by the model of hard rails "
            "({one_percent_watts:.3g} W at 1 %)"
        )
    return (
        f"{claim}{what}. Clean it gives at most {{most_volts:.2f}} V, {{most_watts:.3g}} W: that counts here."
    )


def _rating_unusual(values: Values) -> str:
    asked = "Are watts and ohms exchanged?" if values["exchanged"] else "Is that what the plate says?"
    return (
        "A rating of {watts:.6g} W into {ohms:.6g} ohm: car amplifiers are rated into 0.5 to 16 ohm (common "
        f"practice). {asked}"
    )


def _rating_beyond_fuse(values: Values) -> str:
    each = "" if values["outputs"] == 1 else " in {outputs} outputs"
    return (
        f"{{watts:.3g}} W{each} draw {{drawn_amperes:.3g}} A from {{supply_volts:.6g}} V at an efficiency of "
        "{efficiency:.6g}, and the fuses hold {fuse_amperes:.6g} A: good for {most_watts:.3g} W continuous. Do not "
        "believe the plate without measuring the onset of clipping, and never fit a larger fuse."
    )


REMARKS: dict[str, Template] = {
    # ---- a channel: load and leads
    "load_below_minimum": _load_below_minimum,
    "loudspeaker_not_nominal": (
        "The loudspeaker measures {real_ohms:.6g} ohm, under 80 % of its nominal {load_ohms:.6g} ohm: it is "
        "another load, or wired another way. At the target it would take {watts:.3g} W."
    ),
    "ungrounded_output": (
        "Neither lead of a {output} (bridge-tied) output may touch ground: no grounded probe, no common "
        "negative. Measure across both leads with a battery-powered meter, or as channel 1 minus channel 2."
    ),
    "hazardous_volts": (
        "This output can reach {clip_volts:.1f} V rms: connect and disconnect with the amplifier off, and keep "
        "fingers off bare leads."
    ),
    "check_minus_lead": (
        "A grounded clip can destroy an output. Bridged or built-in: neither lead on ground, use <channel> 1 <minus> 2. "
        "Else, amplifier off, an ohmmeter from that lead to chassis ground: {grounded_ohms:.6g} ohm or less."
    ),
    # ---- loudspeaker
    "unplug_loudspeakers": (
        "Unplug the loudspeakers while setting: the steady tone would put {tone_watts:.3g} W into them, and "
        "is loud enough to harm hearing."
    ),
    "speaker_limit_unknown": (
        "The loudspeaker's power limit is not given, so only the amplifier limits this target."
    ),
    "full_scale_over_loudspeaker": _full_scale_over_loudspeaker,
    "loudspeaker_can_be_overloaded": (
        "The amplifier can give {clip_watts:.3g} W, the loudspeaker takes {speaker_watts:.6g} W: turned up further, "
        "at the source or at the gain control, it overloads the loudspeaker before anything clips."
    ),
    "full_scale_peaks_cut": (
        "Full-scale peaks are cut by {cut_db:z.1f} dB: {full_scale_watts:.3g} W into the load, against "
        "{clip_watts:.3g} W at the onset of clipping."
    ),
    # ---- supply and ratings
    "supply_must_hold": (
        "The target holds for a supply of {supply_volts:.4g} V or more at the amplifier under full power. Set "
        "with the engine running or a charger that can keep up."
    ),
    "engine_indoors": "Exhaust gas kills: never run the engine indoors without an exhaust hose to the open "
    "air.",
    "supply_above_rated": (
        "The supply is above the {rated_supply_volts:.6g} V of the rating. That the amplifier gains by it is "
        "an assumption: measure the onset of clipping before relying on it."
    ),
    "rated_supply_unknown": (
        "The supply voltage of the rating is not given: the rating is taken as it stands at "
        "{supply_volts:.6g} V. At a lower supply than rated the amplifier clips earlier."
    ),
    "supply_unknown": "The supply voltage under test is not given: the rated one is assumed.",
    "rating_above_built_in_limit": _rating_above_built_in_limit,
    "drop_not_known": (
        "This is what the supply of {supply_volts:.6g} V allows at the very most. The stage keeps some of it, about "
        "{drop_volts:.6g} V (common practice, no source), and then clips at {with_drop_volts:.2f} V: give "
        "<drop_volts>, or measure the onset of clipping and give <measured_clip_volts>."
    ),
    "rated_at_distortion": (
        "{rated_watts:.6g} W at {thd_percent:.3g} % THD are {clean_watts:.3g} W at the onset of clipping, by the model "
        "of hard rails: the volts to set are {lower_db:z.2f} dB lower than the plate's."
    ),
    "rating_beyond_fuse": _rating_beyond_fuse,
    "rating_unusual": _rating_unusual,
    "load_unusual": (
        "A load of {load_ohms:.6g} ohm: loudspeakers in cars have {low_ohms:.6g} to {high_ohms:.6g} ohm (common "
        "practice). Is that its nominal impedance?"
    ),
    "supply_measured_at_rest": (
        "{supply_volts:.4g} V were measured with nothing running: under load the supply falls, and the amplifier "
        "clips earlier than calculated. Measure at the amplifier under load, engine or charger on."
    ),
    "supply_measured_unloaded": (
        "{supply_volts:.4g} V were measured without load: at full power less arrives at the amplifier. Measure there "
        "under load to know."
    ),
    "measured_clip_holds_for_its_load": (
        "The onset of {measured_clip_volts:.6g} V holds for the load it was measured into. Measured with "
        "nothing connected it is higher than under {load_ohms:.6g} ohm: use a dummy load, or keep a margin."
    ),
    "ratings_contradict": "The ratings contradict each other (more volts into a lower load): check the plate.",
    "load_below_lowest_rating": (
        "The load of {load_ohms:.6g} ohm is below the lowest rated one, {lowest_ohms:.6g} ohm: the amplifier "
        "is not rated for it, and the target is a guess until the onset of clipping is measured into this "
        "load."
    ),
    "load_between_ratings": (
        "{load_ohms:.6g} ohm lies between two ratings: with a supply that sags evenly the amplifier clips at "
        "{cautious_volts:.2f} V, which counts here; {clip_volts:.2f} V is the most that the ratings allow. Measure "
        "the onset of clipping to know."
    ),
    # ---- tone and meter
    "meter_not_made_for_tone": _meter_not_made_for_tone,
    "meter_may_not_reach_tone": (
        "Handheld meters are usually made for {low_hz:.6g} to {high_hz:.6g} Hz (common practice; the meter's own page "
        "decides): do not believe one at {tone_hz:.6g} Hz before its page is read, or measure a capture."
    ),
    "filters_take_level": _filters_take_level,
    "tweeter_channel": (
        "A channel with a high-pass at {highpass_hz:.6g} Hz feeds a tweeter: unplug it while setting, keep the tone as "
        "low as given, and be sure that the filters are back on before the tweeter is connected. A tone below its "
        "high-pass burns it at once."
    ),
    "needs_fast_recorder": (
        "Clipping of a {tone_hz:.6g} Hz tone is seen only by a recorder that takes more than {rate_hz:.0f} samples a "
        "second: set it to 96 kHz or more."
    ),
    "tone_reaches_tweeter": (
        "{tone_hz:.6g} Hz lies less than an octave below the crossover at {crossover_hz:.6g} Hz: with the "
        "loudspeakers connected it would reach the tweeter. Unplug them, or use a lower tone."
    ),
}
