"""Plan, tones, calibration, source, gain and onset, each measured from the files that the demo wrote."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.capture import read_capture
from gainkit.capture.calibration import Calibration
from gainkit.demo.bench import FULL_SCALE_VOLTS, RATE, DemoBench, DemoFigure, recorded, track_of
from gainkit.errors import GainkitError
from gainkit.files import write_whole
from gainkit.generator.spec import ToneSpec
from gainkit.job.log import log_reading
from gainkit.job.plan import ChannelPlan, Plan, plan_system
from gainkit.job.system import load_system
from gainkit.levels import SINE_CREST, ratio_from_db
from gainkit.onset import OnsetResult, find_onset, from_index
from gainkit.simulator import Amplifier, true_onset
from gainkit.toneset.checking import check_tones
from gainkit.toneset.writing import write_tones
from gainkit.volume import VolumeResult, find_clean_volume, write_source

CHANNEL = "Front"
OUTPUT = "Front/left"
"""The output that is set before the reader's eyes."""

FRONT_RAIL_VOLTS = 24.1
"""Peak volts at which the invented amplifier's front channel is held: 72.6 W into 4 ohm on 13.8 V."""

SOURCE_RAIL_VOLTS = 6.0
SOURCE_STEP_DB = 2.0
EXAMPLE = Path(__file__).parent.parent / "job" / "example_system.toml"
POSITIONS = (25, 27, 29, 31, 33, 35)
LOUDEST_CLEAN = 31


def plan_step(bench: DemoBench) -> None:
    write_whole(bench.job.system, EXAMPLE.read_text(encoding="utf-8"))
    plan = plan_system(load_system(bench.job.system))
    bench.say("\n1. Plan: what is on the plates becomes volts for the meter      (<plan_system()>)")
    for channel in plan.channels:
        gain = f"gain control {channel.sensitivity_volts:.2f} V" if channel.sensitivity_volts else "level trim"
        bench.say(
            f"   {channel.name:<10} {channel.tone_hz:4.0f} Hz at {channel.tone_dbfs:zg} dBFS: "
            f"set {channel.set_volts:5.2f} V, {gain}, limited by the {channel.limited_by}"
        )


def tones_step(bench: DemoBench) -> Path:
    stick = bench.job.stick
    written = write_tones("phone", stick, rate=RATE)
    checked = check_tones(stick)
    bench.say("\n2. Tones on a stick, read back and checked      (<write_tones()>; <check_tones()>)")
    verdict = "all whole, levels as asked" if checked.ok else "FAULTY"
    bench.say(f"   {len(written.tracks)} tracks, {written.size_bytes / 1e6:.0f} MB: {verdict}")
    return stick / next(track.file for track in written.tracks if track.kind == "staircase")


def calibrate_step(bench: DemoBench) -> Path:
    """A clean tone whose rms the meter read: 10 V at the amplifier's output."""
    track = track_of(ToneSpec("sine", level_dbfs=-12.0, seconds=2.0))
    reading_volts = 10.0
    amplifier = Amplifier(gain_db=0.0, positive_rail_volts=100.0)
    path = recorded(bench, "calibration.wav", track, reading_volts / ratio_from_db(-12.0), amplifier, 11)
    measurement = measure(read_capture(path))
    calibration = Calibration(
        reading_volts / measurement.rms_volts, 1, float(RATE), "2026-03-14", "997 Hz tone, meter 10 V rms"
    )
    out = bench.job.calibration
    write_whole(out, calibration.as_toml())
    bench.say("\n3. Recorder: one meter reading tells its volts      (<calibrate_recorder()>)")
    bench.say(
        f"   digital full scale is {calibration.full_scale_volts:.3f} V peak (set up as {FULL_SCALE_VOLTS:g} V)"
    )
    return out


def source_step(bench: DemoBench, calibration: Path) -> tuple[VolumeResult, list[DemoFigure]]:
    """The radio's volume, position by position, with a 0 dBFS tone."""
    track = track_of(ToneSpec("sine", level_dbfs=0.0, seconds=1.0))
    preamp = Amplifier(gain_db=0.0, positive_rail_volts=SOURCE_RAIL_VOLTS)
    loudest = 0.97 * SOURCE_RAIL_VOLTS / SINE_CREST
    measured: list[tuple[str, Measurement]] = []
    for position in POSITIONS:
        volts = loudest * ratio_from_db((position - LOUDEST_CLEAN) / 2 * SOURCE_STEP_DB)
        path = recorded(bench, f"volume_{position}.wav", track, volts, preamp, position)
        measured.append((str(position), measure(read_capture(path, calibration=calibration))))
    result = find_clean_volume(measured)
    log_reading(bench.folder, "volume", None, result, [bench.file(f"volume_{p}.wav") for p in POSITIONS])
    write_source(bench.job.system, result)
    bench.say("\n4. Source: how far does the volume go?      (<find_clean_volume()>)")
    for row in result.positions:
        bench.say(
            f"   position {row.position}: {row.rms_volts:6.3f} V, THD {row.thd_percent:6.3f} %, {row.state}"
        )
    if result.source_volts is None:
        raise GainkitError("demo_broken", what="a clean volume position")
    bench.say(
        f"   highest clean position {result.highest_clean_position}: {result.source_volts:.3f} V for 0 dBFS"
    )
    return result, [DemoFigure("source for 0 dBFS", result.source_volts, loudest, "V")]


def gain_step(bench: DemoBench, calibration: Path, plan: Plan) -> list[DemoFigure]:
    """The front channel as found, far too high, and as left."""
    channel = plan.channel(CHANNEL)
    source_volts = plan.source.preamp_volts
    if source_volts is None or channel.gain_db is None:
        raise GainkitError("demo_broken", what="the source of its system file")
    track = track_of(ToneSpec("sine", level_dbfs=channel.tone_dbfs, seconds=2.0))
    asked = MeasureOptions(load_ohms=4.0, target_volts=channel.set_volts)
    bench.say(f"\n5. Gain of {OUTPUT}      (<measure()>)")
    amplifier = Amplifier(
        gain_db=channel.gain_db + 2.5, positive_rail_volts=FRONT_RAIL_VOLTS, noise_volts=0.003
    )
    figures: list[DemoFigure] = []
    for name in ("as found", "as left"):
        file = name.replace(" ", "_") + ".wav"
        path = recorded(bench, f"front_left_{file}", track, source_volts, amplifier, 40 + len(figures))
        measurement = measure(read_capture(path, calibration=calibration), asked)
        log_reading(bench.folder, "measure", OUTPUT, measurement, [path])
        change = measurement.target.change_db if measurement.target is not None else None
        if change is None:
            raise GainkitError("demo_broken", what="a way to its target")
        turn = "on target" if abs(change) < 0.05 else f"turn by {change:+z.2f} dB"
        over = measurement.clipping.overdrive_db or 0.0
        bench.say(
            f"   {name}: {measurement.rms_volts:.2f} V, {measurement.clipping.state} "
            f"({max(over, 0):z.2f} dB over), THD {measurement.thd_percent:.3f} %: {turn}"
        )
        wanted = source_volts * ratio_from_db(channel.tone_dbfs) * amplifier.gain
        if name == "as found":
            truth_db = max(20 * float(np.log10(wanted * SINE_CREST / FRONT_RAIL_VOLTS)), 0.0)
            figures.append(DemoFigure("overdrive as found", over, truth_db, "dB"))
        else:
            figures.append(DemoFigure("output as left", measurement.rms_volts, wanted, "V"))
        amplifier = replace(amplifier, gain_db=amplifier.gain_db + change)
    return figures


def onset_step(bench: DemoBench, calibration: Path, source: VolumeResult, track: Path) -> list[DemoFigure]:
    """Where the set channel begins to clip: the staircase on the stick, through the chain."""
    plan = plan_system(load_system(bench.job.system))
    channel = plan.channel(CHANNEL)
    if channel.gain_db is None or source.source_volts is None:
        raise GainkitError("demo_broken", what="the source of its system file")
    played, _ = soundfile.read(track, always_2d=True)
    amplifier = Amplifier(gain_db=channel.gain_db, positive_rail_volts=FRONT_RAIL_VOLTS, noise_volts=0.003)
    path = recorded(bench, "front_staircase.wav", played[:, 0], source.source_volts, amplifier, 60)
    levels = from_index(bench.job.index, track.name)
    onset: OnsetResult = find_onset(
        read_capture(path, calibration=calibration), levels, source_volts=source.source_volts
    )
    log_reading(bench.folder, "onset", OUTPUT, onset, [path])
    truth = true_onset(amplifier, source.source_volts)
    if onset.onset_dbfs is None or onset.onset_volts is None or truth is None:
        raise GainkitError("demo_broken", what="the onset")
    bench.say("\n6. Onset: where does the set channel clip?      (<find_onset()>)")
    bench.say(
        f"   1 % THD at {onset.onset_dbfs:z.2f} dBFS and {onset.onset_volts:.2f} V; louder recordings are cut "
        f"by up to {-onset.onset_dbfs:z.1f} dB (an overlap of {channel.overlap_db:zg} dB was planned)"
    )
    return [
        DemoFigure("onset", onset.onset_dbfs, truth.level_dbfs, "dBFS"),
        DemoFigure("output at the onset", onset.onset_volts, truth.output_volts, "V"),
    ]


def others_step(bench: DemoBench, calibration: Path, plan: Plan) -> None:
    """The other outputs as left, each a little off its target as a hand leaves it."""
    bench.say("\n7. The other outputs, set the same way")
    others = [(channel, name) for channel in plan.channels for name in channel.outputs if name != OUTPUT]
    for number, (channel, name) in enumerate(others):
        measurement, path = _as_left(bench, calibration, channel, name, (0.12, -0.2, 0.08)[number % 3])
        log_reading(bench.folder, "measure", name, measurement, [path])
        change = measurement.target.change_db if measurement.target is not None else None
        bench.say(
            f"   {name}: {measurement.rms_volts:.2f} V of {channel.set_volts:.2f} V, "
            f"{measurement.clipping.state} ({-(change or 0.0):+z.2f} dB off)"
        )


def _as_left(
    bench: DemoBench, calibration: Path, channel: ChannelPlan, output: str, off_db: float
) -> tuple[Measurement, Path]:
    spec = ToneSpec("sine", frequency_hz=channel.tone_hz, level_dbfs=channel.tone_dbfs, seconds=2.0)
    volts = channel.set_volts * ratio_from_db(off_db - channel.tone_dbfs)
    amplifier = Amplifier(
        gain_db=0.0, positive_rail_volts=channel.clip_volts * SINE_CREST * 1.03, noise_volts=0.003
    )
    name = f"{output.lower().replace('/', '_')}_as_left.wav"
    balanced = channel.bridged or channel.built_in
    path = recorded(bench, name, track_of(spec), volts, amplifier, 80, balanced=balanced)
    asked = MeasureOptions(
        minus=2 if balanced else None, load_ohms=channel.load_ohms, target_volts=channel.set_volts
    )
    return measure(read_capture(path, calibration=calibration), asked), path
