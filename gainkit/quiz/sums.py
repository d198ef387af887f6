"""Questions that are answered with a pencil: one function a kind, the answer by the calculator."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from gainkit.calculator.clipped import average_reading_ratio, rms_ratio
from gainkit.calculator.conductors import COPPER_OHM_M
from gainkit.calculator.feeds import power_feed
from gainkit.calculator.loads import find_loads
from gainkit.calculator.programme import average_power_ratio
from gainkit.calculator.targets import find_target
from gainkit.figures import plain
from gainkit.levels import db_from_ratio, ratio_from_db, volts_from_watts
from gainkit.quiz.model import Answer, Car

Kind = Callable[[Random], Answer]


def volts_of_watts(chance: Random) -> Answer:
    car = Car.drawn(chance)
    volts = volts_from_watts(car.watts, car.ohms)
    return Answer(
        "volts of watts", 1,
        f"The plate of an amplifier says {car.plate}. How many volts rms is that?",
        f"{plain(volts, 4)} V rms", {"volts": volts},
        f"volts = square root of watts times ohms = sqrt({plain(car.watts)} x {plain(car.ohms)})",
    )  # fmt: skip


def ladder(chance: Random) -> Answer:
    """Doubling and halving, before any logarithm."""
    steps = chance.choice((-2, -1, 1, 2, 3))
    volts = chance.choice((1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 12.0))
    exact = volts * ratio_from_db(6.0 * steps)
    rung = volts * 2.0**steps
    way = "up" if steps > 0 else "down"
    return Answer(
        "the 6 dB ladder", 1,
        f"A meter shows {plain(volts)} V. The level is turned {way} by {6 * abs(steps)} dB and nothing clips. "
        "What does the meter show now?",
        f"{plain(rung)} V ({plain(exact, 4)} V to the letter)", {"volts": exact},
        f"6 dB are a factor of two: {'double' if steps > 0 else 'halve'} {abs(steps)} times. "
        "To the letter 6 dB are a factor of 1.995.",
    )  # fmt: skip


def watts_ladder(chance: Random) -> Answer:
    car, steps = Car.drawn(chance), chance.choice((-2, -1, 1, 2))
    exact = car.watts * ratio_from_db(3.0 * steps) ** 2
    way = "up" if steps > 0 else "down"
    return Answer(
        "the 3 dB ladder", 1,
        f"A loudspeaker takes {plain(car.watts)} W of a clean tone. The level goes {way} by {3 * abs(steps)} "
        "dB, still clean. How many watts does it take now?",
        f"{plain(car.watts * 2.0**steps)} W ({plain(exact, 4)} W to the letter)", {"watts": exact},
        "3 dB are a factor of two in watts, as watts go with the square of the volts.",
    )  # fmt: skip


def set_volts(chance: Random) -> Answer:
    car = Car.drawn(chance)
    target = find_target(car.channel())
    return Answer(
        "volts to set", 1,
        f"The {car.place} channel gives {car.plate}, and {plain(car.overlap_db)} dB of overlap are wanted. "
        "At which level does the setting tone stand, and which volts shall the meter show, loudspeakers "
        "unplugged?",
        f"a tone at {plain(target.tone_dbfs)} dBFS, {plain(target.set_volts, 4)} V rms",
        {"tone_dbfs": target.tone_dbfs, "set_volts": target.set_volts},
        f"The tone's level is minus the overlap; at it the amplifier just reaches sqrt({plain(car.watts)} x "
        f"{plain(car.ohms)}) V.",
    )  # fmt: skip


def loads(chance: Random) -> Answer:
    coil, drivers = chance.choice((2.0, 4.0, 8.0)), chance.choice((2, 3, 4))
    wirings = find_loads(coil, 1, drivers).wirings
    ohms = sorted(each.ohms for each in wirings)
    return Answer(
        "loads", 1,
        f"{drivers} loudspeakers of {plain(coil)} ohm each are to share the power equally. Which loads can "
        "they make together?",
        " or ".join(f"{plain(each)} ohm" for each in ohms),
        {f"ohms_{i}": each for i, each in enumerate(ohms, 1)},
        "In series ohms add; of equal ones in parallel divide by their number; four also make two pairs.",
    )  # fmt: skip


def limited_by(chance: Random) -> Answer:
    car = Car.drawn(chance)
    target = find_target(car.channel(speaker_watts=car.speaker_watts))
    limit = {"amplifier": "the amplifier", "speaker": "the loudspeaker"}[target.limited_by]
    return Answer(
        "the lower limit", 2,
        f"An amplifier of {car.plate} drives a loudspeaker that takes {plain(car.speaker_watts)} W "
        f"continuously. Overlap {plain(car.overlap_db)} dB. Which of the two sets the limit, and which "
        f"volts shall the meter show with a tone at {plain(target.tone_dbfs)} dBFS?",
        f"{limit}: {plain(target.set_volts, 4)} V rms", {"set_volts": target.set_volts},
        f"Amplifier: {plain(target.clip_volts, 4)} V; "
        f"loudspeaker: {plain(target.speaker_limit_volts or 0.0, 4)} V. The lower of the two.",
    )  # fmt: skip


def gain(chance: Random) -> Answer:
    car = Car.drawn(chance)
    target = find_target(car.channel())
    assert target.gain_db is not None
    assert target.sensitivity_volts is not None
    return Answer(
        "gain and its control", 2,
        f"A radio gives {plain(car.source_volts)} V rms for 0 dBFS, the amplifier {car.plate}. With "
        f"{plain(car.overlap_db)} dB of overlap, how much gain is to be set, and at which volts does the "
        "gain control stand (input for rated output)?",
        f"{target.gain_db:z.1f} dB; {plain(target.sensitivity_volts)} V",
        {"gain_db": target.gain_db, "sensitivity_volts": target.sensitivity_volts},
        f"A recording at {plain(-car.overlap_db + 0.0)} dBFS is {plain(target.sensitivity_volts)} V at the "
        f"input and {plain(target.clip_volts, 4)} V at the output: 20 log of their ratio.",
    )  # fmt: skip


def headroom(chance: Random) -> Answer:
    car, gain_db = Car.drawn(chance), float(chance.randrange(8, 26))
    clip = volts_from_watts(car.watts, car.ohms)
    left = db_from_ratio(clip / (car.source_volts * ratio_from_db(gain_db)))
    told = f"{left:z.1f} dB are left" if left >= 0 else f"none: full-scale peaks are cut by {-left:z.1f} dB"
    return Answer(
        "headroom", 2,
        f"A source gives {plain(car.source_volts)} V rms for 0 dBFS. The amplifier clips at {plain(clip, 4)} V "
        f"rms and its gain is {plain(gain_db)} dB. How much headroom do full-scale peaks have?",
        told, {"headroom_db": left},
        f"{plain(car.source_volts)} V and {plain(gain_db)} dB make "
        f"{plain(car.source_volts * ratio_from_db(gain_db), 4)} V; 20 log of the clipping volts over that.",
    )  # fmt: skip


def two_meters(chance: Random) -> Answer:
    car, over_db = Car.drawn(chance), float(chance.choice((1, 2, 3, 6, 10)))
    clip = volts_from_watts(car.watts, car.ohms)
    true, average = clip * rms_ratio(over_db), clip * average_reading_ratio(over_db)
    return Answer(
        "two meters", 3,
        f"An amplifier clips at {plain(clip, 4)} V rms of a sine. A tone is turned {plain(over_db)} dB beyond. "
        "What do a true-rms and an average-responding meter show? (Estimate, then calculate.)",
        f"true rms {plain(true, 4)} V; average-responding {plain(average, 4)} V",
        {"true_volts": true, "average_volts": average},
        "Between the sine at the rail and a square wave, which has 1.41 times its rms, and 1.57 times its "
        "rectified mean.",
    )  # fmt: skip


def feed(chance: Random) -> Answer:
    watts, mm2 = float(chance.choice((300, 500, 800, 1000))), float(chance.choice((16, 25, 35, 50)))
    metres, volts = float(chance.choice((3, 4, 5, 6))), 13.8
    wire = power_feed(watts, 0.7, volts, metres, mm2)
    assert wire.amplifier_volts is not None
    return Answer(
        "the feed", 3,
        f"An amplifier that gives {plain(watts)} W at an efficiency of 0.7 is fed with {plain(volts)} V "
        f"through {plain(metres)} m of {plain(mm2)} mm2 copper ({plain(1e6 * COPPER_OHM_M)} ohm mm2 per "
        "metre), and as much back. Which volts reach it?",
        f"{wire.amplifier_volts:.2f} V", {"amplifier_volts": wire.amplifier_volts},
        "It takes its watts whatever the volts: volts at the amplifier times amperes are watts over "
        "efficiency. Fuse and cable by the makers' tables, not by this drop.",
    )  # fmt: skip


def programme_watts(chance: Random) -> Answer:
    car, crest = Car.drawn(chance), float(chance.choice((10, 12, 14)))
    ratio = average_power_ratio(crest, car.overlap_db)
    return Answer(
        "music's watts", 3,
        f"Music whose rms lies {plain(crest)} dB under its full-scale peaks plays through {car.plate} with "
        f"{plain(car.overlap_db)} dB of overlap. About how many watts does the load take on average?",
        f"{plain(car.watts * ratio, 2)} W", {"watts": car.watts * ratio},
        f"Unclipped: {plain(crest - 3.01, 3)} dB under the plate's watts, and {plain(car.overlap_db)} dB up "
        "again by the overlap; clipping takes a little off (Gaussian programme).",
    )  # fmt: skip


KINDS: dict[int, tuple[Kind, ...]] = {
    1: (ladder, watts_ladder, volts_of_watts, set_volts, loads),
    2: (limited_by, gain, headroom, set_volts),
    3: (two_meters, feed, programme_watts, gain),
}
"""Kinds of question by the level they are asked at."""
