"""The whole job on an invented car: tones, captures of a simulated chain, readings, and how near they came.

Every figure told is measured from the files that the demo wrote; the simulator's own truth stands beside it.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.capture import read_capture
from gainkit.capture.calibration import Calibration
from gainkit.errors import GainkitError
from gainkit.files import write_whole
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.job.plan import Plan, plan_system
from gainkit.job.readings import log_reading
from gainkit.job.system import load_system
from gainkit.levels import SINE_CREST, ratio_from_db
from gainkit.onset import OnsetResult, from_index, onset
from gainkit.simulator import Amplifier, Recorder, capture_track
from gainkit.simulator import onset as true_onset
from gainkit.toneset.checking import check_set
from gainkit.toneset.model import Target
from gainkit.toneset.reading import read_set
from gainkit.toneset.writing import write_set
from gainkit.volume import VolumeResult, volume, write_source

Floats = NDArray[np.float64]
Say = Callable[[str], None]

RATE = 48_000
FULL_SCALE_VOLTS = 60.0
CHANNEL = "Front"
FRONT_RAIL_VOLTS = 24.1
"""Peak volts at which the invented amplifier's front channel is held: 72.6 W into 4 ohm on 13.8 V."""

SOURCE_RAIL_VOLTS = 6.0
SOURCE_STEP_DB = 2.0
EXAMPLE = Path(__file__).parent / "job" / "example_system.toml"
POSITIONS = (25, 27, 29, 31, 33, 35)
LOUDEST_CLEAN = 31


@dataclass(frozen=True)
class Figure:
    """One figure as measured and as the simulator has it; unit in the name's own words."""

    name: str
    measured: float
    truth: float
    unit: str


@dataclass(frozen=True)
class DemoResult:
    """folder : where everything lies. figures : measured beside truth."""

    folder: Path
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class _Bench:
    """Where the demo works and whom it tells."""

    folder: Path
    say: Say

    def file(self, name: str) -> Path:
        return self.folder / "captures" / name


def run_demo(folder: Path, say: Say, *, overwrite: bool = False) -> DemoResult:
    """Run the whole path in a folder; ``say`` gets the story line by line.

    Raises GainkitError when the folder holds something and may not be replaced.
    """
    _prepare(folder, overwrite)
    bench = _Bench(folder, say)
    say(f"A technician sets the gain of an invented car. Everything lies in {folder}.")
    _plan(bench)
    staircase = _tones(bench)
    calibration = _calibrate(bench)
    source, source_figures = _source(bench, calibration)
    plan = plan_system(load_system(folder / "system.toml"))
    gain_figures = _gain(bench, calibration, plan)
    onset_figures = _onset(bench, calibration, source, staircase)
    figures = (*source_figures, *gain_figures, *onset_figures)
    say("\n7. How near was it? Measured from the files, beside the simulator's own truth")
    for figure in figures:
        pair = f"{figure.measured:9.4f} {figure.unit:<5} truth {figure.truth:9.4f} {figure.unit}"
        say(f"   {figure.name:<24} {pair}")
    return DemoResult(folder, figures)


def _prepare(folder: Path, overwrite: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise GainkitError(f"{folder} is a file.", "Give the name of a folder.")
    if folder.is_dir() and any(folder.iterdir()):
        if not overwrite:
            raise GainkitError(f"{folder} is already there.", "Name another folder, or add --overwrite.")
        if not (folder / "system.toml").is_file():
            raise GainkitError(f"{folder} holds something else.", "Name a new folder for the demo.")
        for name in ("stick", "captures"):
            shutil.rmtree(folder / name, ignore_errors=True)
        for name in ("system.toml", "readings.jsonl", "recorder.toml"):
            (folder / name).unlink(missing_ok=True)
    (folder / "captures").mkdir(parents=True, exist_ok=True)


def _plan(bench: _Bench) -> None:
    write_whole(bench.folder / "system.toml", EXAMPLE.read_text(encoding="utf-8"))
    plan = plan_system(load_system(bench.folder / "system.toml"))
    bench.say("\n1. Plan: what is on the plates becomes volts for the meter      (gainkit plan system.toml)")
    for channel in plan.channels:
        gain = f"gain control {channel.sensitivity_volts:.2f} V" if channel.sensitivity_volts else "level trim"
        bench.say(
            f"   {channel.name:<10} {channel.tone_hz:4.0f} Hz at {channel.tone_dbfs:g} dBFS: "
            f"set {channel.set_volts:5.2f} V, {gain}, limited by the {channel.limited_by}"
        )


def _tones(bench: _Bench) -> Path:
    stick = bench.folder / "stick"
    written = write_set(read_set("phone", RATE), stick, Target(RATE))
    checked = check_set(stick)
    bench.say(
        "\n2. Tones on a stick, read back and checked      (gainkit tones write phone stick; tones check)"
    )
    verdict = "all whole, levels as asked" if checked.ok else "FAULTY"
    bench.say(f"   {len(written.tracks)} tracks, {written.size_bytes / 1e6:.0f} MB: {verdict}")
    return stick / str(next(track["file"] for track in written.tracks if track["kind"] == "staircase"))


def _track(spec: ToneSpec) -> Floats:
    """The left channel of a tone as the generator writes it, (frames,) in full-scale units."""
    return np.asarray(kinds.build(spec, RATE).samples()[:, 0])


def _recorded(
    bench: _Bench, name: str, track: Floats, source_volts: float, amplifier: Amplifier, seed: int
) -> Path:
    """Play a track through the simulated chain and keep what the interface recorded, 24 bit."""
    recorder = Recorder(
        sample_rate_hz=RATE,
        full_scale_volts=FULL_SCALE_VOLTS,
        clock_ppm=35.0,
        lead_in_seconds=0.7,
        lead_out_seconds=0.4,
        noise_volts=0.002,
    )
    path = bench.file(name)
    samples = capture_track(track, RATE, source_volts, (amplifier, recorder), seed=seed)
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    return path


def _calibrate(bench: _Bench) -> Path:
    """A clean tone whose rms the meter read: 10 V at the amplifier's output."""
    track = _track(ToneSpec("sine", level_dbfs=-12.0, seconds=2.0))
    reading_volts = 10.0
    amplifier = Amplifier(gain_db=0.0, positive_rail_volts=100.0)
    path = _recorded(bench, "calibration.wav", track, reading_volts / ratio_from_db(-12.0), amplifier, 11)
    found = measure(read_capture(path))
    calibration = Calibration(
        reading_volts / found.rms_volts, 1, float(RATE), "2026-03-14", "997 Hz tone, meter 10 V rms"
    )
    out = bench.folder / "recorder.toml"
    write_whole(out, calibration.as_toml())
    bench.say(
        "\n3. Recorder: one meter reading tells its volts      (gainkit calibrate ... --reading-volts 10)"
    )
    bench.say(
        f"   digital full scale is {calibration.full_scale_volts:.3f} V peak (set up as {FULL_SCALE_VOLTS:g} V)"
    )
    return out


def _source(bench: _Bench, calibration: Path) -> tuple[VolumeResult, list[Figure]]:
    """The radio's volume, position by position, with a 0 dBFS tone."""
    track = _track(ToneSpec("sine", level_dbfs=0.0, seconds=1.0))
    preamp = Amplifier(gain_db=0.0, positive_rail_volts=SOURCE_RAIL_VOLTS)
    loudest = 0.97 * SOURCE_RAIL_VOLTS / SINE_CREST
    measured: list[tuple[str, Measurement]] = []
    for position in POSITIONS:
        volts = loudest * ratio_from_db((position - LOUDEST_CLEAN) / 2 * SOURCE_STEP_DB)
        path = _recorded(bench, f"volume_{position}.wav", track, volts, preamp, position)
        measured.append((str(position), measure(read_capture(path, calibration=calibration))))
    result = volume(measured)
    write_source(bench.folder / "system.toml", result)
    bench.say(
        "\n4. Source: how far does the volume go?      (gainkit volume 25=... 35=... --write system.toml)"
    )
    for row in result.positions:
        bench.say(
            f"   position {row.position}: {row.rms_volts:6.3f} V, THD {row.thd_percent:6.3f} %, {row.state}"
        )
    if result.source_volts is None:
        raise GainkitError("The demo found no clean volume position.", "This is a fault of gainkit: report it.")
    bench.say(
        f"   highest clean position {result.highest_clean_position}: {result.source_volts:.3f} V for 0 dBFS"
    )
    return result, [Figure("source for 0 dBFS", result.source_volts, loudest, "V")]


def _gain(bench: _Bench, calibration: Path, plan: Plan) -> list[Figure]:
    """The front channel as found, far too high, and as left."""
    channel = plan.channel(CHANNEL)
    source_volts = plan.source.preamp_volts
    if source_volts is None or channel.gain_db is None:
        raise GainkitError("The demo's system file names no source.", "This is a fault of gainkit: report it.")
    track = _track(ToneSpec("sine", level_dbfs=channel.tone_dbfs, seconds=2.0))
    asked = MeasureOptions(load_ohms=4.0, target_volts=channel.set_volts)
    bench.say(f"\n5. Gain of the {CHANNEL.lower()} channel      (gainkit measure ... --log . --for Front)")
    amplifier = Amplifier(
        gain_db=channel.gain_db + 2.5, positive_rail_volts=FRONT_RAIL_VOLTS, noise_volts=0.003
    )
    figures: list[Figure] = []
    for name in ("as found", "as left"):
        file = name.replace(" ", "_") + ".wav"
        path = _recorded(bench, f"front_{file}", track, source_volts, amplifier, 40 + len(figures))
        found = measure(read_capture(path, calibration=calibration), asked)
        log_reading(bench.folder, "measure", CHANNEL, found, [path])
        change = found.target.change_db if found.target is not None else None
        if change is None:
            raise GainkitError("The demo's target cannot be reached.", "This is a fault of gainkit: report it.")
        turn = "on target" if abs(change) < 0.05 else f"turn by {change:+.2f} dB"
        over = found.clipping.overdrive_db or 0.0
        bench.say(
            f"   {name}: {found.rms_volts:.2f} V, {found.clipping.state} ({max(over, 0):.2f} dB over), "
            f"THD {found.thd_percent:.3f} %: {turn}"
        )
        wanted = source_volts * ratio_from_db(channel.tone_dbfs) * amplifier.gain
        if name == "as found":
            truth_db = max(20 * float(np.log10(wanted * SINE_CREST / FRONT_RAIL_VOLTS)), 0.0)
            figures.append(Figure("overdrive as found", over, truth_db, "dB"))
        else:
            figures.append(Figure("output as left", found.rms_volts, wanted, "V"))
        amplifier = replace(amplifier, gain_db=amplifier.gain_db + change)
    return figures


def _onset(bench: _Bench, calibration: Path, source: VolumeResult, track: Path) -> list[Figure]:
    """Where the set channel begins to clip: the staircase on the stick, through the chain."""
    plan = plan_system(load_system(bench.folder / "system.toml"))
    channel = plan.channel(CHANNEL)
    if channel.gain_db is None or source.source_volts is None:
        raise GainkitError("The demo's system file names no source.", "This is a fault of gainkit: report it.")
    played, _ = soundfile.read(track, always_2d=True)
    amplifier = Amplifier(gain_db=channel.gain_db, positive_rail_volts=FRONT_RAIL_VOLTS, noise_volts=0.003)
    path = _recorded(bench, "front_staircase.wav", played[:, 0], source.source_volts, amplifier, 60)
    levels = from_index(bench.folder / "stick" / "index.json", track.name)
    found: OnsetResult = onset(
        read_capture(path, calibration=calibration), levels, source_volts=source.source_volts
    )
    log_reading(bench.folder, "onset", CHANNEL, found, [path])
    truth = true_onset(amplifier, source.source_volts)
    if found.onset_dbfs is None or found.onset_volts is None or truth is None:
        raise GainkitError("The demo found no onset.", "This is a fault of gainkit: report it.")
    bench.say(
        "\n6. Onset: where does the set channel clip?      (gainkit onset front_staircase.wav --index ...)"
    )
    bench.say(
        f"   1 % THD at {found.onset_dbfs:.2f} dBFS and {found.onset_volts:.2f} V; louder recordings are cut "
        f"by up to {-found.onset_dbfs:.1f} dB (an overlap of {channel.overlap_db:g} dB was planned)"
    )
    return [
        Figure("onset", found.onset_dbfs, truth.level_dbfs, "dBFS"),
        Figure("output at the onset", found.onset_volts, truth.output_volts, "V"),
    ]
