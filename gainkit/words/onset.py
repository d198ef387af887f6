"""Sentences of recordings of a track with several levels, and of the onset of clipping."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import FaultWords, Template

# ---- words that commands, the record and its page share ----------------------------------------------------


UNJUDGED = {
    "not-recorded": "not in the recording",
    "too-short": "too short to be measured",
    "not-steady": "not steady",
    "silent": "silent",
    "recorder-overloaded": "the recorder was overloaded",
}
"""Why a step of a staircase was not judged."""


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


CROSSOVER = "crossover distortion (a dead zone around zero: look at the output stage's bias), not clipping"
OF_ANOTHER_KIND = "hum or a distortion of another kind, not clipping"


def _cause(values: Mapping[str, Any]) -> str:
    """What distorts at no rail."""
    return CROSSOVER if values.get("crossover") else OF_ANOTHER_KIND


def _below_rail(values: Mapping[str, Any]) -> str:
    worst = ", up to {thd_percent:.2g} %," if "thd_percent" in values else ""
    return f"{_levels(values)}: THD is above the limit{worst} well below the onset: {_cause(values)}."


def _distorted_low(values: Mapping[str, Any]) -> str:
    return (
        f"{_levels(values)}: THD is above {{limit_thd_percent:.6g}} %, up to {{thd_percent:.2g}} %, and falls as the "
        f"level rises: {_cause(values)}."
    )


def _stays_below(values: Mapping[str, Any]) -> str:
    """Between which levels THD is below the limit; records of earlier versions name the upper one alone."""
    since = "" if values.get("from_dbfs") is None else "from {from_dbfs:.6g} "
    return f"THD stays below {{limit_thd_percent:.6g}} % {since}up to {{up_to_dbfs:.6g}} dBFS"


def _without_rail(values: Mapping[str, Any]) -> str:
    worst = ", up to {thd_percent:.2g} %," if "thd_percent" in values else ""
    cause = f"{CROSSOVER}." if values.get("crossover") else "it is not clipping."
    return f"THD is above {{limit_thd_percent:.6g}} %{worst} at every level and shows no rail: {cause}"


BENDS = {
    "even": " Even harmonics lead: its halves differ",
    "odd": " Odd harmonics lead: both halves bend alike, as in soft compression",
    "both": " Even and odd harmonics are mixed",
}


def _bend(values: Mapping[str, Any]) -> str:
    limit = " {limit_thd_percent:.6g} %" if "limit_thd_percent" in values else " the limit"
    kind = f"{BENDS[values['bend']]}." if values.get("bend") in BENDS else ""
    return (
        f"THD reaches{limit} by a bend of the curve, at no rail: louder peaks are distorted, and nothing is cut there."
        f"{kind} Look for what bends it: a limiter, a tone control, an earlier stage."
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


# ---- what was asked for cannot be done ---------------------------------------------------------------------

_WHOLE_TRACK = "Record the whole track, from before its start to after its end."
_OTHER_FIGURES = "or give the track with <index>"
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
            + "; ".join(f"{first:.2f} to {last:z.2f} dBFS" for first, last in values["placements"][:6])
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
    "glide_held": FaultWords(
        "the level hardly rises along the glide: the output stands at its rail from {lowest_dbfs:.6g} dBFS on, or a "
        "steady tone was recorded.",
        "Play a glide that starts lower, or turn the gain down, and record again.",
    ),
    "glide_not_staircase": FaultWords(
        "the level moves within the steps, by {drift_db:z.2f} dB each: this is a glide.",
        f"Give <glide_seconds>, {_OTHER_FIGURES}.",
    ),
    "steady_not_levels": FaultWords(
        "the level does not move where the track's rises by {span_db:.3g} dB.",
        "This is a steady tone, no staircase or glide: record that track (<measure()> reads steady tones).",
    ),
    "other_steps": FaultWords(
        "clean steps move by {heard_db:z.2f} dB, the plan's by {planned_db:.3g} dB.",
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
}

# ---- what is good to know ----------------------------------------------------------------------------------

REMARKS: dict[str, Template] = {
    # onset
    "woke_late": (
        "The amplifier gave nothing until {at_seconds:.2f} s, when the track was at {level_dbfs:.4g} dBFS: it woke "
        "late. Let it play for a while first."
    ),
    "tone_swallowed": (
        "Nothing sounds below {level_dbfs:.4g} dBFS, and what begins there shows crossover distortion: a dead zone "
        "around zero takes the softer tones whole. Look at the output stage's bias."
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
        "The gain moved by {change_db:+z.1f} dB at {at_seconds:.2f} s, before the step of {level_dbfs:.4g} dBFS: "
        "steps before and after it are not of one setting. Record again with nothing touched."
    ),
    "held_by_limiter": (
        "From {level_dbfs:.4g} dBFS on the output is held while its shape stays clean: a limiter or compressor, "
        "no rail. Switch it off to find the onset."
    ),
    "output_held": (
        "From {level_dbfs:z.2f} dBFS on the output is held although the track rises, and its harmonics do not tell by "
        "what: a limiter or compressor, or a rail with a low-pass behind it. The onset is not known and lies no "
        "higher. Switch off limiter and crossover, or play a tone far below the crossover, and record again."
    ),
    "rail_before_filter": (
        "The rail stands before a low-pass, which takes its harmonics: THD after it says little. By the levels alone "
        "a sine is cut to the limit at {level_dbfs:z.2f} dBFS (within {within_db:.1f} dB). Play a tone far below the "
        "crossover to see it."
    ),
    "steps_below_floor": _below_floor,
    "steps_not_judged": _not_judged,
    "gain_not_seen": "No clean step 3 dB under the onset: the gain cannot be told. Begin the staircase at a lower level.",
    "gain_hardly_turned": (
        "The two recordings differ by {turned_db:z.1f} dB of gain: turn the gain control by 3 dB or more between them, and "
        "leave the recorder's own input alone."
    ),
    "recorder_left_alone": (
        "Turned by {turned_db:z.1f} dB, if the recorder's own input was left alone and the source's volume stood still."
    ),
    "clips_before_control": lambda v: (
        "What lies before the gain control (source, line driver, input stage) clips from {before_dbfs:z.2f} dBFS on"
        + (", at the lower setting" if v["both"] else "")
        + ": turning the gain down does not help. Turn down what feeds it, or give the input its range."
    ),
    "clips_after_control": (
        "What lies after the gain control (the output stage) clips at {after_volts:.4g} rms: it is the gain that sets "
        "the onset."
    ),
    "onsets_fit_neither": (
        "The onset did not go with the gain of {turned_db:z.1f} dB, nor stand still: something else was turned, or the "
        "supply moved. Record both again one after the other."
    ),
    "nothing_clipped": "No step clipped at either setting: record up to a louder step or a higher setting.",
    "onset_not_known": lambda v: (
        f"{_stays_below(v)}; the louder steps could not be judged, so the onset is not known."
    ),
    "never_clips": lambda v: f"{_stays_below(v)}: the chain does not clip on this track.",
    "distorted_low": _distorted_low,
    "distortion_without_rail": _without_rail,
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
        "{level_dbfs:z.2f} dBFS the rail is first met; look for the other cause as well."
    ),
    "onset_not_rail": _bend,
    "rail_after_bend": "From {level_dbfs:z.2f} dBFS on a rail is met as well, at {rail_volts:.4g} peak.",
    "distortion_below_rail": _below_rail,
    "recorder_clock": _clock,
}
