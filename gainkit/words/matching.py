"""Sentences of how loud loudspeakers are beside each other."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {
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
        "it lies {below_db:z.0f} dB below {loudest}: nothing played there, or hardly.",
        "Play the noise on every loudspeaker, bring them within {most_db:g} dB by ear, and record again.",
    ),
    "nothing_in_band": FaultWords("nothing lies in the band asked for.", "Choose another {parameter}."),
    "recorder_clipped": FaultWords(
        "the recorder is overloaded, its samples stand at full scale.",
        "Turn its input down and record all captures again.",
    ),
    "tracks_differ": FaultWords(
        "only {common_percent:.0f} % of its power lies where that of {reference} does: another track was playing, or hardly "
        "anything but its surroundings was recorded.",
        "Record the same noise track at all loudspeakers.",
    ),
    "track_not_heard": FaultWords(
        "the track {track} is not heard in it: a dead loudspeaker, or another track.",
        "Look whether this loudspeaker plays at all, and give the track that was played.",
    ),
    "noise_too_short": FaultWords(
        "only {seconds:.2f} s of noise; at least {least_seconds:.6g} s is needed.",
        "Record ten seconds or more.",
    ),
}

REMARKS: dict[str, Template] = {
    "perhaps_other_track": (
        "Its sound lies in other bands than the reference's, and nothing shows that both hold the same noise: was the same "
        "track playing? Record both from the track's beginning, or give <index>."
    ),
    "track_ends": lambda values: (
        f"the noise in {{ends}} ends at {{edge_hz:.4g}} Hz and holds nothing {'above' if values['above'] else 'below'}, that in "
        "{goes_on} goes on: two tracks were playing. Record the same one at all loudspeakers."
    ),
    "same_recording": "{first} and {second} are the same recording: that compares nothing. Record each loudspeaker by itself.",
    "cuts_only": (
        "No output is raised, for one that stands at its target would clip too early: all trims are "
        "{lowered_db:z.1f} dB lower than to the reference, {quietest} stays and the others come down to it."
    ),
    "same_place_assumed": "Same microphone place and same recorder gain are assumed for all captures.",
    "total_cut_short": ("Totals reach to {highest_hz:.6g} Hz, as far as the slowest recording's rate allows."),
    "tone_not_noise": (
        "this is a tone, not noise: at one frequency rooms and loudspeakers differ by chance. Play the track "
        "of band-limited noise."
    ),
    "level_moved": (
        "its level moved by {change_db:+z.1f} dB at about {at_seconds:.1f} s: a gain that was turned, automatic gain "
        "or noise suppression, or a passing noise. The trim's limits are widened by it; record again."
    ),
    "background_within": (
        "{unlike_db:z.1f} dB of what it and the reference hold is not the same noise: an engine, wind, or a dead "
        "loudspeaker. The trim's limits are widened by it; give the track with <index>, and it is left out."
    ),
    "background_left_out": (
        "background adds {background_db:z.1f} dB to the track; it was told apart and left out."
    ),
    "background_counts": (
        "Engine, wind and other sound count as the loudspeaker's unless the track itself is given with <index>."
    ),
    "far_apart": lambda values: (
        f"it is {abs(values['under_db']):z.0f} dB {'softer' if values['under_db'] > 0 else 'louder'} than the "
        "reference: a dead loudspeaker leaves that much of its neighbours. Listen to it first."
    ),
    "silence_within": "{silent_seconds:.1f} s of silence lie within the noise and lower its level.",
    "levels_relative": "Levels are relative to a full-scale sine; the trims are right all the same.",
}
