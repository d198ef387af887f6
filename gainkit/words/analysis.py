"""Sentences of the room `analysis`, and of many captures measured at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.figures import decibel_span, level_unit
from gainkit.words import FaultWords, Template

DEEPEST_TOLD_DB = 60.0
"""An overdrive this deep is told as 'or more': the search for the sine behind the wave ends there [dB]."""

REASONS = {
    "silent": "the recording is silent.",
    "wanders": "level and phase wander: noise, music, a sweep or lost samples?",
    "glides": "its level glides; <find_onset()> reads such a recording.",
}
"""Why there is no steady tone, where no figure tells more."""


def overdrive_words(overdrive_db: float) -> str:
    """How far beyond the rail, for a person; overdrive_db above 0."""
    if overdrive_db >= DEEPEST_TOLD_DB - 0.1:
        return f"{DEEPEST_TOLD_DB:g} dB or more"
    return f"{overdrive_db:z.2f} dB"


def least_turn_words(overdrive_db: float) -> str:
    """How far to turn down at the least, for a person; overdrive_db above 0."""
    told = overdrive_words(overdrive_db)
    return f"by {told}" if told.endswith("or more") else f"by at least {told}"


def _no_steady_tone(values: Mapping[str, Any]) -> str:
    reason = values.get("reason")
    if reason in REASONS:
        return f"No steady tone: {REASONS[reason]}"
    tone = "{frequency_hz:.4g} Hz" if "frequency_hz" in values else ""
    if reason == "second_tone":
        both = f": {tone} and {{second_hz:.4g}} Hz" if tone else ""
        return f"No steady tone: more than one tone{both} (one tone at a time, please)."
    if reason == "out_of_band":
        return "No steady tone: nothing of it lies in the band that is looked at." + (
            " Samples are taken at {sample_rate_hz:.4g} Hz, {seconds:.3g} s of them: if that is not so, write the unit "
            "of time above its column (ms, us), or take that column out and give <interval_seconds>; else set "
            "<band_hz>."
            if "seconds" in values
            else ""
        )
    if reason == "noise":
        return f"No steady tone: noise outweighs the strongest tone{f' ({tone})' if tone else ''}."
    return "No steady tone."


def _level_followed(values: Mapping[str, Any]) -> str:
    kind = "steady throughout" if values["steady"] else "not steady throughout"
    return (
        f"The level of all {{seconds:.1f}} s was followed ({kind}); "
        "figures come from {from_seconds:.1f} s to {to_seconds:.1f} s."
    )


def _clipped_in_part(values: Mapping[str, Any]) -> str:
    if values["count"] == 1:
        where = "from {from_seconds:.2f} s to {to_seconds:.2f} s"
    else:
        where = (
            "{count} times, {seconds:.2g} s in all, the longest from {from_seconds:.2f} s to {to_seconds:.2f} s"
        )
    return (
        f"The output clips in a part of the recording: {where}, by up to {{overdrive_db:.1f}} dB. The figures are "
        "of the clean rest. Look for a supply that gives way or a level that jumps; if a knob was turned, record again."
    )


def _dropout(values: Mapping[str, Any]) -> str:
    places = ", ".join(f"{seconds:.2f} s" for seconds in values["at_seconds"])
    return f"The tone is interrupted at {places}: the recorder lost samples there (dropout)."


def _outliers(values: Mapping[str, Any]) -> str:
    return "One outlier was left out." if values["count"] == 1 else "{count} outliers were left out."


def _crossover(values: Mapping[str, Any]) -> str:
    if "step_percent" in values:
        return "Crossover distortion too: a step of {step_percent:.2g} % of the sine's peak at zero."
    return "Crossover distortion (a step at zero), THD {thd_percent:.3g} %. It is not clipping."


FAULTS: dict[str, FaultWords] = {
    "not_a_band": FaultWords("{parameter} is {received}.", "Give {allowed}, such as 10 and 20000."),
    "empty_band": FaultWords(
        "The band from {low_hz:.6g} to {high_hz:.6g} Hz is empty.",
        "Give {parameter} as a lower and a higher frequency above 0 Hz, such as 10 and 20000.",
    ),
    "empty_part": FaultWords(
        "The part from {start_seconds:.6g} s to {stop_seconds:.6g} s is empty.",
        "Give a <stop_seconds> after <start_seconds>.",
    ),
    "part_not_recorded": FaultWords(
        "nothing between {start_seconds:.6g} s and {stop_seconds:.6g} s; it lasts {seconds:.6g} s.",
        "Choose <start_seconds> and <stop_seconds> within the recording.",
    ),
    "too_few_cycles": FaultWords(
        "only {cycles:.1f} cycles of a {frequency_hz:.4g} Hz tone; at least {least_cycles:g} are needed.",
        "Record longer, or set the oscilloscope's time base slower.",
    ),
    "no_steady_tone": FaultWords(_no_steady_tone, "Use a recording of one steady tone."),
    "no_captures_in_folder": FaultWords(
        "{folder} holds no captures.", "Give files, or a folder with {allowed}."
    ),
}


def _supply_sag(values: Mapping[str, Any]) -> str:
    told = "The rail fell from {volts_first:.3g} to {volts_last:.3g} {unit}"
    if values["time_constant_seconds"] is not None:
        told += " with a time constant of {time_constant_seconds:.2g} s"
    return told + ": the supply sags. Check battery, cables and the supply under load."


def _other_channel_level(values: Mapping[str, Any]) -> str:
    way = "lower" if values["difference_db"] < 0 else "higher"
    return f"Channel {{other_channel}} holds the same tone, {abs(values['difference_db']):z.1f} dB {way}."


ORIGINS = {
    "orders": (
        " It leads others at its multiples, from {fundamental_hz:.4g} Hz on: a machine's orders, if they move with engine "
        "speed the alternator's. It is not distortion."
    ),
    "either": (
        " Both 50 Hz and 60 Hz mains have multiples there, and so may a machine: which it is cannot be told from this."
    ),
    "multiple": " It is a multiple of the tone, of order {order}, and counted as distortion.",
}


def _interfering(values: Mapping[str, Any]) -> str:
    unknown = (
        " Where it comes from cannot be told from one line: record once more at another engine speed. What moves with it is "
        "the alternator's, what stays is not."
    )
    told = (
        "A line beside the tone: {rms_volts:.3g} {unit} at {frequency_hz:.4g} Hz ({percent:.2g} % of the tone)."
    )
    return told + ORIGINS.get(str(values.get("kind")), unknown)


REMARKS: dict[str, Template] = {
    # about the recording
    "recorder_overload": (
        "The recorder itself is overloaded: its samples stand at digital full scale. Distortion is the "
        "recorder's; turn its input down or use a pad, and record again."
    ),
    "recorder_limit": (
        "The crests stand at exactly one value although noise moves every other sample: the recorder clipped and the "
        "file was turned down afterwards, or the trace left the screen. Distortion is the recorder's; record again "
        "with its input turned down, or a larger range."
    ),
    "overload_elsewhere": (
        "The recorder was overloaded outside the part that was measured (a plug or a switch?); the figures are not "
        "touched by it."
    ),
    "level_followed": _level_followed,
    "other_channel_level": _other_channel_level,
    "tone_on_other_channel": (
        "<channel> {other_channel} carries {rms_volts:.3g} {unit} at {frequency_hz:.4g} Hz: was that the one meant?"
    ),
    "gap_left_out": (
        "Cells are blank within the table; the longest part without one was measured, {from_seconds:.4g} s to "
        "{to_seconds:.4g} s."
    ),
    "silence_left_out": "Silence of {seconds:.2f} s left out.",
    "level_changes": lambda v: (
        f"The level changes within the recording ({decibel_span(v['lowest_db'], v['highest_db'])} dB against the part "
        "measured); the last steady part was taken."
    ),
    "level_rose": "The level rose by {change_db:.2g} dB at {at_seconds:.1f} s; what stands after it was measured.",
    "level_fell": "The level fell by {change_db:.2g} dB at {at_seconds:.1f} s; what stands after it was measured.",
    "level_drifts": lambda v: (
        f"The level {'rises' if v['change_db'] > 0 else 'falls'} by {{size_db:.1f}} dB from the beginning to the end: "
        "no figure holds for all of it. Look for a supply that sags, heat, a limiter, a hand on the knob, and record "
        "again."
    ),
    "supply_sag": _supply_sag,
    "limiter": (
        "The level was taken back by {taken_db:z.2f} dB with a time constant of {time_constant_seconds:.2g} s while "
        "the wave kept its shape: a limiter or compressor, a gain of the recorder's own, or a part that warms up."
    ),
    "clipped_in_part": _clipped_in_part,
    "dropout": _dropout,
    "outliers": _outliers,
    "crackles_within": (
        "It crackles: {count} samples do not belong to the tone, too many to be left out. Check plugs and leads, and record "
        "again."
    ),
    "above_band": (
        "Above {high_hz:.6g} Hz there are {rms_volts:.3g} {unit} rms (switching residue or noise); they are left "
        "out of all figures."
    ),
    "hum": (
        "Hum of the {mains_hz:g} Hz family: {rms_volts:.3g} {unit} at {frequency_hz:.4g} Hz ({percent:.2g} % of the "
        "tone). It is not distortion."
    ),
    "hum_at_rail": (
        "The hum is cut together with the tone and moves its crests: the overdrive lies between {lowest_db:z.1f} and "
        "{highest_db:z.1f} dB, the rail between {lowest_volts:.3g} and {highest_volts:.3g} {unit} peak. Mend the hum and "
        "record again."
    ),
    "hum_hides_rail": (
        "The hum is cut together with the tone: whether and how far the tone itself clips cannot be told. Mend the hum "
        "and record again."
    ),
    "interfering_tone": _interfering,
    "line_is_folded": (
        "A line of {rms_volts:.3g} {unit} at {frequency_hz:.5g} Hz ({percent:.2g} % of the tone) lies where the recorder's "
        "sample rate folds the tone's harmonic of order {order} ({fundamental_hz:.5g} Hz) back: distortion above the "
        "band, or a recorder without a filter before it."
    ),
    "line_is_sideband": (
        "Lines on both sides of the tone, {fundamental_hz:.4g} Hz off, {rms_volts:.3g} {unit} ({percent:.2g} % of the "
        "tone): something at that frequency moves its level or its pitch, as ripple on a supply does."
    ),
    "line_is_rounding": (
        "What is left beside the tone, {rms_volts:.3g} {unit} at {frequency_hz:.4g} Hz the most ({percent:.2g} % of the "
        "tone), is no more than the rounding of the recorder's own steps: record it louder, or with more bits."
    ),
    "no_steady_tone": _no_steady_tone,
    # about the target
    "target_beyond_rails": "The target lies beyond what these rails can give: no gain setting reaches it.",
    "target_needs_calibration": (
        "Without calibration the target cannot be compared: give <full_scale_volts> or <calibration>."
    ),
    # about the wave
    "tone_too_high": (
        "The tone is too high for its third harmonic to be in the recording: clipping cannot be seen. Record at "
        "{least_rate_hz:.0f} Hz or more, or take a lower tone."
    ),
    "slow_recovery": (
        "Slow recovery from clipping: the output stands at its rail longer than the sine does beyond it."
    ),
    "missing_half": "The {side} half of the wave is missing: rectification, not clipping.",
    "ac_coupling": (
        "The wave's slant was set right for an AC coupling of order {order} at about {corner_hz:.2g} Hz."
    ),
    "filtered": (
        "Between the rail and the recorder the sound passes a filter ({kind}: a tone control, a crossover or the "
        "recorder's own); rails were found through it."
    ),
    "overdrive_between": lambda v: (
        "Several explanations fit this wave alike: it is "
        f"{decibel_span(v['lowest_db'], v['highest_db'], digits=2).replace('+', '')} dB beyond the rail."
    ),
    "slew_limited": lambda v: (
        "The output cannot follow: it rises by {volts_per_microsecond:.2g} "
        f"{'of full scale per us' if v.get('unit') == level_unit(False) else 'V/us'} at most (slew limiting). It is not clipping; turn "
        "the level or the frequency down, and suspect a fault if music does this."
    ),
    "saturation": (
        "A transformer or choke saturates (THD {thd_percent:.3g} %): the flux at this level and frequency is more "
        "than its core holds. It is not clipping."
    ),
    "compressed_crest": (
        "The crest is held down softly by {held_db:z.2f} dB (THD {thd_percent:.3g} %): a fast limiter or compressor, "
        "or a stage far below its rail."
    ),
    "rail_gives_way": (
        "Beyond the rail the output still rises by {slope_percent:.0f} % of what it should: one half of a "
        "bridge is held and the other goes on, or a clamp gives way."
    ),
    "soft_knee": "The rail has a soft knee: the crest is already held down by {held_db:z.2f} dB.",
    "crossover_distortion": _crossover,
    "even_harmonics": (
        "Even harmonics dominate (THD {thd_percent:.3g} %): the wave's halves differ. It is not clipping."
    ),
    "filter_may_hide": (
        "What little distortion there is (THD {thd_percent:.2g} %) is turned against the tone as a filter turns it. A "
        "filter near the tone (a crossover, a tone control) takes away what a rail makes: if there is one, measure "
        "before it, or with it off."
    ),
    "not_by_a_rail": (
        "THD is {thd_percent:.3g} %, and its shape is not that of a rail at this output. A filter behind a rail could "
        "hide that: if there is one, measure before it, or with it off."
    ),
}
