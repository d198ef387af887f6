"""Sentences of the rooms `generator` and `toneset`: tones, tone sets, files on a stick, their check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import FaultWords, Template


def _nearest_or(others: str) -> Template:
    """Asks for the nearest known name, where one is near; else says what is known."""
    return lambda values: "Did you mean {nearest}?" if values.get("nearest") else others


def _nearest_parameter(values: Mapping[str, Any]) -> str:
    """The parameters that a kind of tone takes, as the door names them."""
    if values["nearest"]:
        return f"Did you mean <{values['nearest']}>?"
    return "Known are " + ", ".join(f"<{name}>" for name in values["takes"]) + "."


def _wider_or_longer(values: Mapping[str, Any]) -> str:
    longer = "Use at least {least_seconds:.6g} s, or a" if values["least_seconds"] is not None else "Use a"
    return longer + " band at least {least_width_hz:.10g} Hz wide."


def _level(values: Mapping[str, Any]) -> str:
    """The level error, where the level was changed too."""
    return "" if values["level_error_db"] is None else ", level {level_error_db:+z.2f} dB"


def _late(values: Mapping[str, Any]) -> str:
    return f"edited: the tone comes {{late_frames:+d}} frames late{_level(values)}."


def _inverted(values: Mapping[str, Any]) -> str:
    of = "" if values["channel"] is None else " of the {channel} channel"
    return f"the polarity{of} is inverted{_level(values)}."


def _re_encoded(values: Mapping[str, Any]) -> str:
    late = ", {late_frames} frames late" if values["late_frames"] else ""
    what = "re-encoded to a lossy format, or processed: {residual_dbfs:z.0f} dBFS of error"
    return f"{what}{_level(values)}{late}."


def _written_anew(values: Mapping[str, Any]) -> str:
    """A copy by another program: it may have another form, and fewer bits."""
    form = "" if values["other_form"] is None else " as {other_form}"
    if values["fewer_bits"]:
        return (
            f"written anew{form} by another program: it holds fewer bits than the {{bits}} that were written."
        )
    return f"written anew{form} by another program; its samples agree."


def _length_changed(values: Mapping[str, Any]) -> str:
    """A copy with a few frames less or more."""
    frames = values["frames"] - values["written_frames"]
    return f"cut short by {-frames} frames." if frames < 0 else f"edited: longer by {frames} frames."


_GO_ON = "Free some room and write again: it goes on where it stopped."
_OWN_FOLDER = "Choose a folder of your own."
_WRITE_ANEW = "Write the set anew: <write_tones()> with <overwrite>."

FAULTS: dict[str, FaultWords] = {
    # ---- one tone
    "unknown_choice": FaultWords("{parameter} is {received}.", _nearest_or("Give one of {allowed}.")),
    "foreign_parameter": FaultWords(
        "{parameter} does not belong to a tone of kind {kind}.", _nearest_parameter
    ),
    "not_text": FaultWords("{parameter} is {received}, which is not text.", "Give a word in quotes."),
    "seed_not_whole": FaultWords("{parameter} is {received}.", "Give a whole number from 0."),
    "band_upside_down": FaultWords(
        "{parameter} is {received} Hz, not below <high_hz>, {high_hz:.6g} Hz.", "Exchange or change them."
    ),
    "levels_alike": FaultWords(
        "<from_dbfs> and <to_dbfs> are both {from_dbfs:.6g} dBFS.", "Let them differ, or use a sine."
    ),
    "band_given_twice": FaultWords(
        "{parameter} is {received}, and <low_hz> or <high_hz> was given too.", "Give the one or the others."
    ),
    "band_edge_missing": FaultWords(
        "Only one edge of the band was given: {parameter} is missing.", "Give both <low_hz> and <high_hz>."
    ),
    "in_turn_of_one_channel": FaultWords(
        "{parameter} and <channels> {channels} were both given.", "Give the one or the other."
    ),
    "tone_above_rate": FaultWords(
        "{parameter} is {received} Hz, too high for a sample rate of {rate_hz:g} Hz.",
        "Give at most {highest_hz:g} Hz ({share:g} of the rate), or a higher <rate>.",
    ),
    "dwell_too_short": FaultWords(
        "{parameter} is {received} s, too short to settle at {frequency_hz:.6g} Hz.",
        "Give at least {least_seconds:.3f} s.",
    ),
    "uneven_steps": FaultWords(
        "{parameter} is {received} dB, which does not lead from {from_dbfs:.6g} to {to_dbfs:.6g} dBFS in whole "
        "steps.",
        "Give {fitting_db:.6g} dB, or move <from_dbfs> or <to_dbfs>.",
    ),
    "noise_past_full_scale": FaultWords(
        "{parameter} is {received} dBFS; with a crest factor of {crest_db:.6g} dB the peaks would pass full "
        "scale by {over_db:z.2f} dB.",
        "The highest level that fits is {highest_dbfs:z.2f} dBFS; or allow a lower <crest_db>.",
    ),
    "band_too_narrow": FaultWords(
        "The band {low_hz:.6g} to {received} Hz is too narrow for noise of {seconds:.6g} s.", _wider_or_longer
    ),
    "crest_out_of_reach": FaultWords(
        "{parameter} is {received} dB, which is not reached with so few lines in the band.",
        "Allow a higher crest factor, a wider band, or more <seconds>.",
    ),
    # ---- how tracks are written
    "flac_holds_no_floats": FaultWords(
        "{parameter} is {received}: floats, which FLAC does not hold.", "Give 16 or 24, or write WAV."
    ),
    "wav_too_long": FaultWords(
        "A WAV file of {seconds:.0f} s at {rate_hz:g} Hz and {bits} bit would be {gibibytes:.1f} GiB; the "
        "format ends at 4 GiB.",
        "Write FLAC, fewer <seconds>, a lower <rate> or fewer <bits>.",
    ),
    "tone_file_suffix": FaultWords(
        "{parameter} is {received}, which does not end in .wav or .flac.", "Name the file with one of them."
    ),
    # ---- tone sets
    "tone_sets_missing": FaultWords(
        "The tone sets that come with gainkit are not there.", "Install gainkit again."
    ),
    "unknown_tone_set": FaultWords(
        "There is no tone set named {received}.",
        lambda values: (
            ("Did you mean {nearest}? " if values["nearest"] else "")
            + "Known are {allowed}; or give the path of a .toml file."
        ),
    ),
    "tone_set_file_missing": FaultWords(
        "There is no such file.", "Check the path; sets that come along: {allowed}."
    ),
    "tone_set_not_utf8": FaultWords("It is not text in UTF-8.", "Save it as UTF-8 plain text."),
    "tone_set_not_toml": FaultWords("{reason}.", "Mend that line; text values stand in double quotes."),
    "tone_defaults_no_table": FaultWords("defaults is not a table.", "Write [defaults] on a line of its own."),
    "no_tracks": FaultWords("It has no tracks.", "Write one [[track]] for each track, with its kind."),
    "too_many_tracks": FaultWords("It has {received} tracks.", "Use at most {allowed}."),
    "track_without_kind": FaultWords("It has no kind.", "Give kind = one of {allowed}."),
    "track_file_name": FaultWords(
        "file is {received}, not a name that every player takes.",
        "Use a-z, 0-9, - and _, at most {longest} characters, for example {example}.",
    ),
    "unknown_set_key": FaultWords("The key {key} is not known.", _nearest_or("Known are {allowed}.")),
    # ---- writing
    "tracks_into_file": FaultWords("This is a file.", "Give the name of a folder."),
    "stick_not_there": FaultWords("This folder is not there.", "Is the stick mounted? Check the path."),
    "track_in_the_way": FaultWords(
        "It is already there and is not what would be written.", "Choose another folder, or give <overwrite>."
    ),
    "other_set_there": FaultWords(
        "It holds another tone set already.", "Choose another folder, or give <overwrite>."
    ),
    "too_little_room": FaultWords(
        "It has {free_megabytes:.0f} MB free; the tracks need {needed_megabytes:.0f} MB.",
        "Free some room, or use a smaller set, FLAC or 16 bit.",
    ),
    "device_full": FaultWords("The device is full.", _GO_ON),
    "device_read_only": FaultWords(
        "The device is read-only.", "Undo its write protection, or use another one."
    ),
    "device_not_ours": FaultWords("No permission to write there.", _OWN_FOLDER),
    "device_errors": FaultWords("The device reports errors.", "Check the stick, or use another one."),
    "device_failed": FaultWords(
        "Writing failed: {reason}.", "Check that the stick is still there and write again: it goes on."
    ),
    "writing_stopped": FaultWords(
        lambda v: (
            "Stopped by hand: {whole} of {tracks} tracks stand whole in {folder}; what was begun is removed"
            + ("." if v["has_index"] else ", and no index is written.")
        ),
        "Run the same command again: it goes on there.",
    ),
    # ---- index.json
    "index_folder_missing": FaultWords(
        "This is not a folder.", "Give the folder that the tracks were written to."
    ),
    "index_missing": FaultWords(
        "It is not there: the set was not written to its end, or this is another folder.",
        "Write the set again, <write_tones()>: it goes on where it stopped.",
    ),
    "index_damaged": FaultWords("It is damaged.", _WRITE_ANEW),
    "index_entry_damaged": FaultWords("index.json: the entry of {received} is damaged.", _WRITE_ANEW),
}

REMARKS: dict[str, Template] = {
    # ---- what was written otherwise than asked
    "frequency_moved": lambda values: (
        "The " + ("upper frequency" if values["parameter"] == "high_hz" else "frequency") + " written is "
        "{written_hz:.9g} Hz ({moved_percent:+.2g} % from {asked_hz:.6g} Hz), so that the tone holds whole "
        "cycles."
    ),
    "length_moved": (
        "It lasts {written_seconds:.3g} s, not the {asked_seconds:.3g} s asked for: whole cycles fit in so."
    ),
    "floats_without_dither": "Floats are written without dither.",
    "faint_without_dither": "Without dither, what lies under half a step of {bits} bit is silence.",
    # ---- cautions of a whole set
    "unplug_before_tones": (
        "Steady tones, staircases and glides: unplug the loudspeakers at the amplifier first. A steady tone "
        "at level burns a voice coil in seconds, a tweeter at once."
    ),
    "volume_down_first": "Turn the source's volume right down before the first track, and raise it slowly.",
    "outputs_are_live": (
        "Amplifier outputs carry dangerous current. Keep loose ends apart and off the car body. Outputs of "
        "bridged and built-in amplifiers must never be grounded, also not through an oscilloscope's ground "
        "clip."
    ),
    "long_tones_heat": (
        "Long tones heat the amplifier and drain the battery: use a charger made for it, keep to the makers' "
        "fuses, feel for heat, stop at any smell. Run no engine in a closed room."
    ),
    "loud_in_the_cabin": (
        "With loudspeakers connected, loud noise and sweeps in a closed car harm hearing: keep the level low, "
        "or wear protection and stay outside."
    ),
    "makers_come_first": (
        "The makers' instructions and local rules come first; work on the vehicle's own wiring belongs in "
        "trained hands."
    ),
    # ---- cautions of a track
    "speakers_unplugged": "Loudspeakers unplugged.",
    "sweep_at_low_volume": (
        "Low volume: the top end can burn a tweeter, the low end can drive a cone to its stop."
    ),
    "tweeters_unplugged": "Tweeters unplugged, volume low: at this level the top end burns a tweeter.",
    "speakers_at_low_volume": "Loudspeakers connected: begin with the volume down.",
    # ---- keeping tracks as they are
    "copy_unchanged": (
        "Copy the files as they are. A converter, a music app that 'normalises', or a lossy format (MP3, AAC, "
        "wireless links) changes the levels. In the source switch off equaliser, loudness, volume levelling "
        "and crossfade."
    ),
    "check_before_use": (
        "Before use let gainkit check this folder: it tells whether a file was changed, cut short or lost."
    ),
    # ---- what a check finds at a track
    "track_missing": "missing.",
    "track_unreadable": "cannot be read ({reason}).",
    "track_no_audio": "cannot be read as audio ({reason}).",
    "track_broken_off": "cut short or damaged: it cannot be read to its end ({reason}).",
    "lossy_format": "re-encoded to a lossy format ({container}).",
    "other_sample_rate": "other sample rate: {rate_hz} Hz, written at {written_hz} Hz.",
    "other_channel_count": "{channels} channels where 2 were written.",
    "index_does_not_fit": "as it was written, but index.json does not describe it: write the set anew.",
    "channels_exchanged": "left and right are exchanged.",
    "channel_lost": "a channel is missing, or sounds where it was silent.",
    "cut_short": "cut short: {seconds:.1f} of {written_seconds:.1f} s are there.",
    "re_encoded": _re_encoded,
    "polarity_inverted": _inverted,
    "tone_late": _late,
    "level_changed": "changed level: {level_error_db:+z.2f} dB.",
    "length_changed": _length_changed,
    "samples_processed": "processed: single samples differ by up to {largest_dbfs:z.0f} dBFS.",
    "written_anew": _written_anew,
    # ---- what a check finds beside the tracks
    "converted_file": "stands beside or in place of {track}: converted. Delete it.",
    "foreign_file": "not of this set: it plays among the tracks. Delete it, or move it elsewhere.",
    "hidden_leftover": "{file} is a hidden leftover; some players try to play it. Delete it.",
    "other_name": "{file} is {track} by another name: name it so again.",
}
