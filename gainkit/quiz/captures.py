"""Questions about recordings: an invented chain plays a tone, the analysis answers, the truth stays hidden."""

from __future__ import annotations

from pathlib import Path
from random import Random

import numpy as np

from gainkit.advice import Checks, what_to_turn
from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.calculator.targets import find_target
from gainkit.capture import read_capture
from gainkit.figures import plain
from gainkit.levels import SINE_CREST, ratio_from_db
from gainkit.quiz.model import Answer, Car
from gainkit.simulator import Amplifier, Recorder, capture_track

RATE = 48_000
SECONDS = 1.0
FULL_SCALE_VOLTS = 120.0
"""Of the recorder that the class is given [V peak]: above every rail of `model.WATTS`."""

TONE_HZ = {"subwoofer": 50.0}
USUAL_HZ = 400.0

FAULTS = ("clean", "too loud", "too quiet", "hum", "one side", "DC")
"""What a recording may show, drawn by chance."""


def recording(chance: Random, level: int, folder: Path, name: str) -> Answer:
    """A recording of a channel that is set well or not; made in a folder, measured from its file.

    Level 2 draws from right, too loud and too quiet; level 3 from all.
    """
    car = Car.drawn(chance)
    target = find_target(car.channel())
    assert target.gain_db is not None
    fault = chance.choice(FAULTS if level > 2 else FAULTS[:3])
    off_db = {"too loud": chance.uniform(1.0, 5.0), "too quiet": -chance.uniform(1.0, 6.0)}.get(fault, 0.0)
    # a clean channel stands just below its rail: plates are cautious
    rail = target.clip_volts * SINE_CREST * ratio_from_db(0.3)
    amplifier = Amplifier(
        gain_db=target.gain_db + off_db,
        positive_rail_volts=rail * (0.7 if fault == "one side" else 1.0),
        negative_rail_volts=rail,
        noise_volts=0.002,
        hum_volts=target.clip_volts * chance.uniform(0.01, 0.03) if fault == "hum" else 0.0,
        hum_hz=60.0,
        offset_volts=chance.choice((-1, 1)) * chance.uniform(0.8, 3.0) if fault == "DC" else 0.0,
    )
    tone_hz = TONE_HZ.get(car.place, USUAL_HZ)
    track = ratio_from_db(target.tone_dbfs) * np.sin(
        2 * np.pi * tone_hz * np.arange(int(SECONDS * RATE)) / RATE
    )
    recorder = Recorder(RATE, FULL_SCALE_VOLTS)
    seed = chance.randrange(1 << 30)
    _write(folder / name, capture_track(track, RATE, car.source_volts, (amplifier, recorder), seed=seed))
    seen = measure(
        read_capture(folder / name, full_scale_volts=FULL_SCALE_VOLTS),
        MeasureOptions(target_volts=target.set_volts),
    )
    return Answer(
        "a recording", level,
        f"{name} was recorded at the {car.place} output while a tone at {plain(target.tone_dbfs)} dBFS played. "
        f"It should show {plain(target.set_volts, 4)} V rms. Is the channel set right, and if not: what is "
        "wrong, and what is to be turned?",
        _told(seen), _figures(seen),
        f"<measure()> {name} <full_scale_volts> {plain(FULL_SCALE_VOLTS)} <target_volts> "
        f"{plain(target.set_volts, 4)}",
        name,
        {
            "fault": fault, "off_db": off_db, "rail_volts": amplifier.positive_rail_volts,
            "hum_volts": amplifier.hum_volts, "offset_volts": amplifier.offset_volts,
            "set_volts": target.set_volts,
            "tone_hz": tone_hz,
        },
    )  # fmt: skip


def _write(path: Path, units: np.ndarray) -> None:
    import soundfile

    soundfile.write(path, units, RATE, subtype="PCM_24")


def _figures(seen: Measurement) -> dict[str, float]:
    told = {"rms_volts": seen.rms_volts, "dc_volts": seen.dc_volts}
    if seen.thd_percent is not None:
        told["thd_percent"] = seen.thd_percent
    if seen.clipping.overdrive_db:
        told["overdrive_db"] = seen.clipping.overdrive_db
    if seen.target is not None and seen.target.change_db is not None:
        told["change_db"] = seen.target.change_db
    return told


def _told(seen: Measurement) -> str:
    """The verdict for a person: what is seen, what is to be turned, what else is to be known."""
    clipping, turn = seen.clipping, what_to_turn(seen, Checks())
    parts = [f"{plain(seen.rms_volts, 4)} V rms"]
    if clipping.state == "clipped":
        side = "" if clipping.side in (None, "both") else f" on the {clipping.side} side"
        parts.append(f"clipped{side}, {clipping.overdrive_db or 0.0:z.1f} dB beyond the rail")
    elif clipping.state is not None:
        parts.append("no clipping" if clipping.state == "clean" else "at the onset of clipping")
    ways = {
        "on-target": "on target",
        "out-of-reach": "the target cannot be reached clean",
        "unknown": "not told",
    }
    if turn.change_db is not None and turn.state in ("up", "down"):
        parts.append(f"turn {turn.state} by {abs(turn.change_db):z.1f} dB")
    else:
        parts.append(ways.get(turn.state, turn.state))
    more = [str(each) for each in seen.notes if each.severity != "remark" or each.code == "hum"]
    told = "; ".join(parts)
    if abs(seen.dc_volts) > 0.5:
        told += f"; {plain(seen.dc_volts)} V of DC, which no turning mends: "
        told += "no loudspeaker before its cause is found"
    return " ".join([told + ".", *more])
