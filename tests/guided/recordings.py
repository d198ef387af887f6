"""Recordings of an invented three-channel car, by the simulator, as files that a technician would send."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from gainkit.demo.bench import track_of
from gainkit.demo.wiring import heard
from gainkit.generator.spec import ToneSpec
from gainkit.job.plan import ChannelPlan
from gainkit.levels import SINE_CREST, ratio_from_db
from gainkit.simulator import Amplifier, Recorder, capture_track

RATE = 48_000
FULL_SCALE_VOLTS = 80.0
RECORDER = Recorder(
    full_scale_volts=FULL_SCALE_VOLTS, clock_ppm=35.0, lead_in_seconds=0.5, lead_out_seconds=0.4,
    noise_volts=0.002,
)  # fmt: skip


@dataclass(frozen=True)
class Recordings:
    """Files in a folder of the technician's own."""

    folder: Path

    def _write(self, name: str, samples: NDArray[np.float64], subtype: str = "PCM_24") -> Path:
        path = self.folder / name
        soundfile.write(path, samples, RATE, subtype=subtype)
        return path

    def output(self, name: str, plan: ChannelPlan, spec: ToneSpec, off_db: float = 0.0) -> Path:
        """A track through an amplifier whose gain is off by so much from the plan's."""
        gain_db = 20 * np.log10(plan.set_volts / ratio_from_db(plan.tone_dbfs)) + off_db
        rail = plan.clip_volts * SINE_CREST * ratio_from_db(0.6)
        amplifier = Amplifier(gain_db=gain_db, positive_rail_volts=rail, noise_volts=0.002)
        units = capture_track(track_of(spec), RATE, 1.0, (amplifier, RECORDER))
        return self._write(name, np.stack([units / 2, -units / 2], axis=1) if plan.bridged else units)

    def tone(self, name: str, plan: ChannelPlan, off_db: float = 0.0) -> Path:
        """The setting tone."""
        spec = ToneSpec("sine", frequency_hz=plan.tone_hz, level_dbfs=plan.tone_dbfs, seconds=1.0)
        return self.output(name, plan, spec, off_db)

    def staircase(self, name: str, plan: ChannelPlan) -> Path:
        """The staircase."""
        spec = ToneSpec(
            "staircase", frequency_hz=plan.tone_hz, from_dbfs=-20, to_dbfs=0, step_db=1, dwell_seconds=1
        )
        return self.output(name, plan, spec)

    def calibration(self, volts: float) -> Path:
        """A clean tone of so many volts."""
        source = volts / ratio_from_db(-12.0)
        clean = Amplifier(gain_db=0.0, positive_rail_volts=100.0)
        track = track_of(ToneSpec("sine", level_dbfs=-12.0, seconds=1.0))
        return self._write("calibration.wav", capture_track(track, RATE, source, (clean, RECORDER)))

    def volume(self, position: int) -> Path:
        """The source at a volume position: 4 V at 31, cut above."""
        volts = 4.0 * ratio_from_db(float(position - 31))
        source = Amplifier(gain_db=0.0, positive_rail_volts=4.0 * SINE_CREST * 1.03)
        track = track_of(ToneSpec("sine", level_dbfs=0.0, seconds=1.0))
        return self._write(f"volume {position}.wav", capture_track(track, RATE, volts, (source, RECORDER)))

    def beeps(self) -> Path:
        """The beeps, one line channel each."""
        from gainkit.generator import kinds

        samples = kinds.build(ToneSpec("beeps", level_dbfs=-20.0), RATE).samples()
        return self._write("beeps.wav", np.asarray(samples, np.float64))

    def pulses(self, name: str, sign: float = 1.0, band: str = "midrange") -> Path:
        """A loudspeaker that plays the pulses."""
        track = track_of(ToneSpec("pulses", band=band, level_dbfs=-6.0, seconds=10.0))
        return self._write(name, heard(track, 90.0, sign, 5), "PCM_16")

    def noise(self, name: str, off_db: float = 0.0) -> Path:
        """A loudspeaker that plays the noise."""
        spec = ToneSpec("noise", low_hz=300, high_hz=3000, level_dbfs=-20.0, seconds=10.0, seed=4)
        return self._write(name, heard(track_of(spec), 90.0, ratio_from_db(off_db), 9), "PCM_16")
