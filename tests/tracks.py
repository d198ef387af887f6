"""Level tracks as they are played through a simulated amplifier, short enough for a test."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

from gainkit import simulator
from gainkit.capture import Capture
from gainkit.generator import kinds
from gainkit.generator.model import Waveform
from gainkit.generator.spec import ToneSpec
from gainkit.results import to_plain
from gainkit.simulator import Amplifier, Recorder

RATE = 48_000
SOURCE_VOLTS = 2.0
RAIL = 28.0
NOISE_70_DB = RAIL / math.sqrt(2) * 10 ** (-70 / 20)


def track(kind: str, rate: int = RATE, **parameters: float) -> Waveform:
    """A track as `gainkit tones` writes it, short enough for a test."""
    given = {"from_dbfs": -12.0, "to_dbfs": 0.0, **parameters}
    if kind == "staircase":
        given = {"dwell_seconds": 0.4, "step_db": 1.0, **given}
    else:
        given = {"seconds": 6.0, **given}
    return kinds.kind_named(kind).build(kinds.checked(ToneSpec(kind=kind, **given), rate), rate)  # type: ignore[arg-type]


def index_of(wave: Waveform, kind: str, folder: Path) -> Path:
    """An index.json with that track alone."""
    entry = {
        "file": "01_levels.wav",
        "kind": kind,
        "frequency_hz": wave.frequency_hz,
        "marker": to_plain(wave.marker),
        "steps": [dataclasses.asdict(step) for step in wave.steps],
    }
    path = folder / "index.json"
    path.write_text(json.dumps({"sample_rate_hz": wave.sample_rate_hz, "tracks": [entry]}))
    return path


def amplifier(onset_about_dbfs: float = -4.4, **stage: float) -> Amplifier:
    """A stage whose rail is met by a tone of about that level."""
    gain_db = 20 * math.log10(RAIL / (SOURCE_VOLTS * math.sqrt(2))) - onset_about_dbfs
    return Amplifier(**{"gain_db": gain_db, "positive_rail_volts": RAIL, "noise_volts": NOISE_70_DB, **stage})


def recorded(wave: Waveform, stage: Amplifier, recorder: Recorder | None = None, seed: int = 1) -> Capture:
    chosen = recorder or Recorder(full_scale_volts=40, lead_in_seconds=0.7, lead_out_seconds=0.4)
    units = simulator.capture_track(
        wave.samples()[:, 0], wave.sample_rate_hz, SOURCE_VOLTS, (stage, chosen), seed=seed
    )
    capture = Capture.from_array(units, chosen.sample_rate_hz, volts_per_unit=chosen.full_scale_volts)
    step = 2.0 ** (1 - chosen.bits) if chosen.bits else None
    return dataclasses.replace(capture, has_full_scale=True, hard_full_scale=True, step_units=step)
