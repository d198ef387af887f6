"""What can hurt someone while tones play, in the words that go on every page."""

from __future__ import annotations

from gainkit.generator.spec import ToneSpec

QUIET_DBFS = -30.0
"""Steady tones below this are left without the caution to unplug loudspeakers (common practice, no source)."""

SWEEP_QUIET_DBFS = -20.0
"""A sweep above this that does not fall towards the top is none for tweeters (common practice, no source)."""

GENERAL = (
    "Steady tones, staircases and glides: unplug the loudspeakers at the amplifier first. A steady tone "
    "at level burns a voice coil in seconds, a tweeter at once.",
    "Turn the source's volume right down before the first track, and raise it slowly.",
    "Amplifier outputs carry dangerous current. Keep loose ends apart and off the car body. Outputs of "
    "bridged and built-in amplifiers must never be grounded, also not through an oscilloscope's ground "
    "clip.",
    "Long tones heat the amplifier and drain the battery: use a charger made for it, keep to the makers' "
    "fuses, feel for heat, stop at any smell. Run no engine in a closed room.",
    "With loudspeakers connected, loud noise and sweeps in a closed car harm hearing: keep the level low, "
    "or wear protection and stay outside.",
    "The makers' instructions and local rules come first; work on the vehicle's own wiring belongs in "
    "trained hands.",
)

COPYING = (
    "Copy the files as they are. A converter, a music app that 'normalises', or a lossy format (MP3, AAC, "
    "wireless links) changes the levels. In the source switch off equaliser, loudness, volume levelling "
    "and crossfade.",
    "Before use: gainkit tones check FOLDER tells whether a file was changed, cut short or lost.",
)


def track_caution(spec: ToneSpec) -> str:
    """The caution that belongs to one track, or an empty text."""
    levels = [level for level in (spec.level_dbfs, spec.from_dbfs, spec.to_dbfs) if level is not None]
    loudest = max(levels, default=-200.0)
    if spec.kind in ("sine", "staircase", "glide"):
        return "Loudspeakers unplugged." if loudest > QUIET_DBFS else ""
    if spec.kind == "sweep":
        falls = spec.fall_above_hz is not None
        if loudest > SWEEP_QUIET_DBFS and not falls:
            return "Tweeters unplugged, volume low: at this level the top end burns a tweeter."
        return "Low volume: the top end can burn a tweeter, the low end can drive a cone to its stop."
    if spec.kind in ("noise", "pulses", "beeps"):
        return "Loudspeakers connected: begin with the volume down."
    return ""
