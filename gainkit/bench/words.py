"""All words of the page that are not sentences of `gainkit.words`: in one place, so that it can be translated."""

from __future__ import annotations

from gainkit.words import Door

LANGUAGE = "en"

WORDS: dict[str, str] = {
    "title": "gainkit",
    "steps": "Steps",
    "target": "Target",
    "tolerance": "within {tolerance:g} dB",
    "tone_sine": "Tone: {frequency:g} Hz at {level:g} dBFS",
    "tone_staircase": "Staircase: {from_level:g} to {level:g} dBFS, {frequency:g} Hz",
    "tone_other": "{kind} at {level:g} dBFS",
    "kind_beeps": "Beeps",
    "kind_noise": "Noise",
    "kind_pulses": "Pulses",
    "kind_chirps": "Chirps",
    "kind_sweep": "Sweep",
    "do": "Do this",
    "care": "Take care",
    "confirm_title": "Confirm before you go on",
    "confirm": "Yes, I made sure",
    "meter": "Meter reads, in V",
    "dc": "DC, in V (if read)",
    "read_meter": "Show",
    "file": "Recording or trace",
    "choose_file": "Choose a file, or drop it here",
    "position": "Volume position",
    "output": "Output",
    "reading_volts": "Meter at the same point, in V",
    "polarity_positive": "Positive: cone came forward",
    "polarity_negative": "Negative: cone went back",
    "keep": "Keep",
    "kept": "Kept as {number}:",
    "drop": "Leave it",
    "undo": "Undo {number}",
    "next": "Next open step",
    "go": "Go",
    "here": "here",
    "play": "Play the tone",
    "stop": "STOP TONE",
    "playing": "Playing. It starts 40 dB down and rises to the level shown.",
    "play_hint": "From this device into the source's input. Volume of the source down first.",
    "play_pause": "A few seconds rise first; after a pause it plays whole: start a recorder in the pause.",
    "record": "Play and record",
    "write_tones": "Write the tones to the job's folder",
    "seen": "Done by eye or ear",
    "live": "Live",
    "live_off": "No interface is read.",
    "live_lost": "The interface is gone. Plug it in: reading goes on by itself.",
    "waiting": "Waiting for a tone",
    "knob": "Gain knob of the simulated amplifier",
    "knob_less": "Knob down 0.5 dB",
    "knob_more": "Knob up 0.5 dB",
    "simulated": "SIMULATED amplifier: no car is connected.",
    "offline": "Connection lost. It comes back by itself; nothing is lost. Where gainkit was started again, open its new address.",
    "online": "Connected",
    "no_line": "No connection",
    "not_sent": "Not sent. What you typed is still here: try again.",
    "working": "Reading the file",
    "record_title": "Record",
    "void": "does not count: {reason}",
    "who": "Who is at this screen",
    "who_save": "Set name",
    "by": "by {who}",
    "screens": "Add a screen",
    "screens_do": "Scan this with the phone. It opens once, within ten minutes.",
    "screens_local": "Only this machine is served. Start with the phone option to add screens.",
    "back": "Back to the job",
    "sheet": "Open the as-left page",
    "state_open": "open",
    "state_settled": "done",
    "state_contradicted": "NOT RIGHT",
    "mark_open": "○",
    "mark_settled": "✓",
    "mark_contradicted": "!",
    "closed": "This screen is not known here. Scan the code again, or open the address that the terminal shows.",
    "wait": "Too many wrong addresses. Wait a minute.",
    "bar": "{error:+z.1f} dB from the target",
    "bar_none": "no level yet",
    "too_quiet": "too quiet",
    "too_loud": "too loud",
    "problem": "Problem",
    "nothing": "Nothing read yet",
}

PARAMETERS = {
    "volts": "the meter's volts",
    "dc_volts": "the DC volts",
    "reading_volts": "the meter's volts",
    "capture": "the recording",
    "positions": "the volume positions",
    "full_scale_volts": "the recorder's full scale",
    "calibration": "calibration at the step Recorder",
    "channel": "input channel",
    "index": "its index file, outside this page",
    "invert_microphone": "the opposite polarity",
}

JOBS = {
    "find_clean_volume": "the step Source's volume",
    "calibrate_recorder": "the step Recorder",
    "find_polarity": "the step Polarity",
    "find_onset": "the step Onset of clipping",
}


class BenchDoor(Door):
    """How the guided job names things: jobs by their steps, arguments in words."""

    def parameter(self, name: str) -> str:
        """An argument, in words."""
        return PARAMETERS.get(name, name.replace("_", " "))

    def job(self, name: str) -> str:
        """One of the jobs, by its step."""
        return JOBS.get(name, name.replace("_", " "))


BENCH = BenchDoor()
