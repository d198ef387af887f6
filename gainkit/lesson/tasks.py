"""The lesson's ten tasks: what to do, a hint, what it shows, and whether a setting does it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

State = Mapping[str, float]

NEAR_DB = 0.15
"""A setting this near counts [dB]: a slider moves in steps of 0.1."""


@dataclass(frozen=True)
class Task:
    """done : whether settings and their figures (`arithmetic.figures`) do it; music is 1 with music, else 0.

    watch : the page's meters that tell how near it is.
    """

    title: str
    text: str
    hint: str
    shows: str
    watch: tuple[str, ...]
    done: Callable[[State, State], bool]


def just_clean(s: State, f: State) -> bool:
    return abs(f["headroom_db"]) <= NEAR_DB and abs(s["level_dbfs"]) <= NEAR_DB


def six_more(s: State, f: State) -> bool:
    return abs(f["headroom_db"] + 6.0) <= NEAR_DB


def other_source(s: State, f: State) -> bool:
    return abs(f["headroom_db"]) <= NEAR_DB and s["source_volts"] <= 1.0


def one_percent(s: State, f: State) -> bool:
    return 0.8 <= f["thd_percent"] <= 1.2


def fifty_watts(s: State, f: State) -> bool:
    return abs(f["watts"] - 50.0) <= 1.0 and f["over_db"] <= 0.0


def with_overlap(s: State, f: State) -> bool:
    set_right = abs(s["gain_db"] - f["set_gain_db"]) <= NEAR_DB
    return abs(s["overlap_db"] - 5.0) <= 0.01 and set_right and abs(s["level_dbfs"] + 5.0) <= 0.01


def loud_peak(s: State, f: State) -> bool:
    set_right = abs(s["gain_db"] - f["set_gain_db"]) <= NEAR_DB
    return abs(s["overlap_db"] - 5.0) <= 0.01 and set_right and s["level_dbfs"] >= -0.01


def nearly_square(s: State, f: State) -> bool:
    return f["watts"] >= 1.9 * f["clip_watts"]


def meters_apart(s: State, f: State) -> bool:
    return f["average_volts"] >= 1.05 * f["true_volts"]


def music_at_one_percent(s: State, f: State) -> bool:
    return s["music"] > 0.5 and 0.8 <= f["music_clipped_percent"] <= 1.2


TASKS = (
    Task(
        "Find the rail",
        "Leave the tone at 0 dBFS. Turn the gain until its crest just touches the rail.",
        "Watch the headroom: it should come to 0 dB.",
        "That is the most gain at which no recording is cut: here full scale meets the rail.",
        ("headroom_db",),
        just_clean,
    ),
    Task(
        "Double the volts",
        "From there, turn the gain up by 6 dB.",
        "6 dB are twice the volts: headroom goes to -6 dB.",
        "The sine would need twice the volts, and the meter hardly rises: the rail holds the wave.",
        ("headroom_db", "true_volts"),
        six_more,
    ),
    Task(
        "A weaker source",
        "Bring the source down to 1 V or less and find the rail again.",
        "Half the source's volts need 6 dB more gain.",
        "Source and gain make up for each other. The amplifier's rail has not moved.",
        ("headroom_db",),
        other_source,
    ),
    Task(
        "One percent",
        "Find a tone of about 1 % THD.",
        "Look close above the rail: a quarter of a decibel is enough.",
        "Distortion springs up within a fraction of a decibel. What a meter's volts still hide, THD shows.",
        ("thd_percent",),
        one_percent,
    ),
    Task(
        "Fifty clean watts",
        "Put 50 W of a clean tone into the load.",
        "Watts go with the square of the volts: 3 dB are twice the watts.",
        "Rail and load set the most that can come out clean: rail squared over twice the ohms.",
        ("watts",),
        fifty_watts,
    ),
    Task(
        "Set with overlap",
        "Choose 5 dB of overlap, play a tone at -5 dBFS, and turn the gain until it just meets the rail.",
        "The meter should show the volts to set, and the level of the tone is minus the overlap.",
        "So a recording whose peaks stand at -5 dBFS uses all of the amplifier.",
        ("true_volts", "set_volts"),
        with_overlap,
    ),
    Task(
        "What overlap costs",
        "Keep that setting and play the tone at 0 dBFS.",
        "Only move the level.",
        "Full-scale peaks are now cut by 5 dB. Music meets that in its loudest moments only.",
        ("headroom_db", "true_volts"),
        loud_peak,
    ),
    Task(
        "Nearly a square",
        "Drive the tone so far that the load takes 1.9 times the most unclipped watts.",
        "Use all the gain there is, and lower the rail if that is not enough.",
        "A square wave has twice the power of the sine that just touches the rail: what bears that sine burns.",
        ("watts", "clip_watts"),
        nearly_square,
    ),
    Task(
        "Two meters",
        "Find a tone on which the average-responding meter shows 5 % or more above true rms.",
        "It is made for sines. What is least like a sine?",
        "An average-responding meter shows volts that are not there. Set the gain with a clean tone.",
        ("true_volts", "average_volts"),
        meters_apart,
    ),
    Task(
        "Music",
        "Choose the music-like programme and the gain at which it is at a rail for 1 % of the time.",
        "Its average lies 12 dB under its peaks: it takes some overlap.",
        "Compare its watts with the tone's: music with overlap is seldom clipped, and heats far less.",
        ("music_clipped_percent",),
        music_at_one_percent,
    ),
)
