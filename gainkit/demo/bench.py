"""Where the demo works: its folder, its simulated chain, and what it says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.job.places import JobFolder
from gainkit.simulator import Amplifier, Recorder, capture_track

Floats = NDArray[np.float64]
Say = Callable[[str], None]

RATE = 48_000
FULL_SCALE_VOLTS = 60.0


@dataclass(frozen=True)
class DemoFigure:
    """One figure as measured and as the simulator has it; unit in the name's own words."""

    name: str
    measured: float
    truth: float
    unit: str


@dataclass(frozen=True)
class DemoBench:
    """Where the demo works and whom it tells."""

    folder: Path
    say: Say

    @property
    def job(self) -> JobFolder:
        """What lies where in it."""
        return JobFolder(self.folder)

    def file(self, name: str) -> Path:
        return self.job.captures / name


def track_of(spec: ToneSpec) -> Floats:
    """The left channel of a tone as the generator writes it, (frames,) in full-scale units."""
    return np.asarray(kinds.build(spec, RATE).samples()[:, 0])


def recorded(
    bench: DemoBench,
    name: str,
    track: Floats,
    source_volts: float,
    amplifier: Amplifier,
    seed: int,
    *,
    balanced: bool = False,
) -> Path:
    """Play a track through the simulated chain and keep what the interface recorded, 24 bit.

    balanced : both leads are live; each goes to a channel of its own and carries half.
    """
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
    if balanced:
        samples = np.stack([samples / 2, -samples / 2], axis=1)
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    return path
