"""The set chain looked through: a boost that was left on, by the sweep; a hum that was left in, by silence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from gainkit.capture import read_capture
from gainkit.demo.bench import FULL_SCALE_VOLTS, RATE, DemoBench, DemoFigure, Floats, recorded
from gainkit.demo.steps import CHANNEL, FRONT_RAIL_VOLTS, OUTPUT
from gainkit.errors import GainkitError
from gainkit.files import write_whole
from gainkit.job.log import log_reading
from gainkit.job.plan import Plan
from gainkit.noise import find_noise
from gainkit.response import find_response, from_index
from gainkit.simulator import Amplifier
from gainkit.toneset.writing import write_tones

SWEEP_SET = """title = "Sweep"
about = "One sweep over the whole band, for line outputs and amplifiers without loudspeakers."
[[track]]
kind = "sweep"
band = "full"
seconds = 6
level_dbfs = -20
title = "Sweep 20 Hz to 18 kHz"
use = "Record it from before its start to after its end: gainkit response."
"""
"""A tone set of one's own: what the phone's set leaves out."""

BOOST_DB, BOOST_HZ = 6.0, 90.0
HUM_HZ, HUM_VOLTS = 50.0, 0.030
HISS_VOLTS = 0.00015
SILENCE_SECONDS = 4.0


def response_step(bench: DemoBench, calibration: Path, plan: Plan) -> list[DemoFigure]:
    """The front's response as found, the radio's loudness on, and as left."""
    channel = plan.channel(CHANNEL)
    source_volts = plan.source.preamp_volts
    if source_volts is None or channel.gain_db is None:
        raise GainkitError("demo_broken", what="the source of its system file")
    write_whole(bench.folder / "sweep.toml", SWEEP_SET)
    folder = bench.folder / "sweep"
    (track,) = write_tones(bench.folder / "sweep.toml", folder, rate=RATE).tracks
    played = soundfile.read(folder / track.file, always_2d=True)[0][:, 0]
    amplifier = Amplifier(gain_db=channel.gain_db, positive_rail_volts=FRONT_RAIL_VOLTS, noise_volts=0.003)
    bench.say(f"\n10. Response of {OUTPUT}, by a sweep      (<find_response()>)")
    figures = []
    for number, (name, wave) in enumerate((("as found", _boosted(played)), ("as left", played))):
        path = recorded(
            bench, f"sweep_{name.replace(' ', '_')}.wav", wave, source_volts, amplifier, 90 + number
        )
        response = find_response(read_capture(path, calibration=calibration), from_index(folder / "index.json"))
        log_reading(bench.folder, "response", OUTPUT, response, [path])
        told = [f"{each.gain_db:+z.1f} dB at {each.centre_hz:.0f} Hz" for each in response.boosts]
        bench.say(f"   {name}: {', '.join([str(response.verdict), *told])}")
        if name == "as found":
            if len(response.boosts) != 1:
                raise GainkitError("demo_broken", what="the boost of its radio")
            figures.append(DemoFigure("bass boost as found", response.boosts[0].gain_db, BOOST_DB, "dB"))
    return figures


def _boosted(track: Floats) -> Floats:
    """The track through the radio's loudness: a low shelf of second order (analogue), (frames,)."""
    frames = len(track)
    amount = 10.0 ** (BOOST_DB / 40.0)
    s = 1j * np.fft.rfftfreq(2 * frames, 1 / RATE) / BOOST_HZ
    damped = np.sqrt(2.0 * amount) * s
    shelf = amount * (s**2 + damped + amount) / (amount * s**2 + damped + 1.0)
    return np.asarray(np.fft.irfft(np.fft.rfft(track, 2 * frames) * shelf)[:frames])


def noise_step(bench: DemoBench, calibration: Path, plan: Plan) -> list[DemoFigure]:
    """Silence at the front's output: the mains' hum by a second ground, and without it."""
    target_volts = plan.channel(CHANNEL).set_volts
    bench.say(f"\n11. Noise at {OUTPUT}, while silence plays      (<find_noise()>)")
    figures = []
    for number, (name, hum_volts) in enumerate((("as found", HUM_VOLTS), ("as left", 0.0))):
        path = bench.file(f"silence_{name.replace(' ', '_')}.wav")
        soundfile.write(path, _quiet(hum_volts, number) / FULL_SCALE_VOLTS, RATE, subtype="PCM_24")
        noise = find_noise(read_capture(path, calibration=calibration), target_volts=target_volts)
        log_reading(bench.folder, "noise", OUTPUT, noise, [path])
        under = "" if noise.below_target_db is None else f", {noise.below_target_db:z.0f} dB under the target"
        bench.say(f"   {name}: {noise.verdict}{under}")
        if name == "as found":
            if not noise.families:
                raise GainkitError("demo_broken", what="the hum of its ground")
            figures.append(DemoFigure("hum as found", noise.families[0].rms_volts, HUM_VOLTS, "V"))
    return figures


def _quiet(hum_volts: float, seed: int) -> Floats:
    """An output while silence plays [V], (frames,): hiss, and hum of the mains with its odd orders."""
    frames = round(SILENCE_SECONDS * RATE)
    turns = 2.0 * np.pi * HUM_HZ * np.arange(frames) / RATE
    orders = {1: 1.0, 3: 0.5, 5: 0.25, 7: 0.1}
    hum = sum(part * np.sin(order * turns + order) for order, part in orders.items())
    share = hum_volts / np.sqrt(0.5 * sum(part**2 for part in orders.values()))
    hiss = np.random.default_rng(seed).normal(0.0, HISS_VOLTS, frames)
    return np.asarray(share * hum + hiss)
