"""The page of `gainkit --help`: commands in the order of the job, each with its whole first sentence."""

from __future__ import annotations

from collections.abc import Sequence

STEPS: tuple[tuple[str, dict[str, str]], ...] = (
    ("Be guided through the job", {
        "bench": "Guide the whole job, step by step, in a browser beside the amplifier.",
    }),
    ("Plan the car", {
        "job": "A folder for one car: start it, keep its record, see what is still to be done.",
        "plan": "What the meter should read for every channel of a car: a table to take along.",
        "target": "What the meter should read for one channel, and where the gain then stands.",
        "load": "Every wiring of the voice coils and its load; or the impedance of a load from two captures.",
        "feed": "Whether a power feed is fit for its current, and what it or a loudspeaker wire costs in volts and dB.",
        "trim": "How far a radio's own loudspeaker channels come down, to clip no earlier than the main ones.",
    }),
    ("Prepare tones and recorder", {
        "tones": "Test tones: list the sets, write one to a stick, check it.",
        "pad": "Two or three resistors that keep an interface input safe behind an amplifier.",
        "meter": "What a true-rms and an average-responding meter show.",
        "calibrate": "Find the recorder's full scale from one tone and a meter reading; keep its gain afterwards.",
    }),
    ("Set source and gain", {
        "volume": "Find the source's highest clean volume position from one capture per position.",
        "measure": "Measure a recorded tone: volts, distortion, clipping, and what to turn.",
        "live": "Show volts, what to turn, THD and the state of a tone several times a second.",
        "onset": "Find the tone level at which an amplifier begins to clip, from one recording of a staircase or glide.",
    }),
    ("Check loudspeakers and chain", {
        "polarity": "Tell which way round a loudspeaker is wired, by chirps or pulses.",
        "routing": "Tell which channel plays where, from a recording of counted beeps.",
        "match": "Compare levels of loudspeakers or channels by noise, and tell the trims that make them alike.",
        "response": "Tell what a chain did to the sweep: flat, filtered, equalised, how late, how distorted.",
        "noise": "Tell what hums, whines and hisses, and which end of the chain to look at.",
    }),
    ("Hand over", {
        "note": "Note a reading without a capture: a meter's volts, DC, polarity, a knob, the supply, a text.",
        "chart": "Draw a plan, captures or a job.",
        "sheet": "Write the as-left page of a job: one file that opens on a phone and prints on A4 or Letter.",
    }),
    ("Learn", {
        "demo": "Run the whole job on an invented car, with a simulated amplifier, and say how near it came.",
        "guide": "Show the manual, a step of the job each.",
        "lesson": "Write a page to play with: gain, rail and overlap on sliders, with sound and ten tasks.",
        "quiz": "Write a worksheet of random cars and recordings, and its answers in a folder apart.",
    }),
)  # fmt: skip
"""Steps of the job and their commands, each with the first sentence of its own help, which a test compares: so the
page needs none of their modules."""

ABOUT = "Test tones, measurements and arithmetic for setting amplifier gain in a car."


def plain_words(arguments: Sequence[str]) -> list[str]:
    """The command line with its plain words for help and version as options: 'help plan' is 'plan --help'."""
    match list(arguments):
        case ["help", *command]:
            return [*command, "--help"]
        case ["version"]:
            return ["--version"]
        case others:
            return others


def asks_for_all(arguments: Sequence[str]) -> bool:
    """Whether the page of all commands is asked for."""
    return list(arguments) in ([], ["--help"], ["-h"])


def help_page() -> str:
    """All commands by the step of the job."""
    from gainkit.cli.plain import sections, wrapped

    longest = max(len(name) for _, commands in STEPS for name in commands)
    parts = []
    for title, commands in STEPS:
        told = [
            wrapped(about, f"  {name:<{longest}}  ", " " * (longest + 4)) for name, about in commands.items()
        ]
        parts.append("\n".join([title, *told]))
    return sections(
        "Usage: gainkit COMMAND ...",
        wrapped(ABOUT, "", ""),
        *parts,
        wrapped("'gainkit help COMMAND' tells what a command takes; 'gainkit version' the version.", "", ""),
    )


def first_sentence(text: str) -> str:
    """Up to the first empty line, on one line."""
    return " ".join(text.split("\n\n")[0].split())
