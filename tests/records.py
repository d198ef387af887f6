"""Results to be logged, without a recording behind them: what a command would have given."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gainkit.analysis import Clipping, Measurement
from gainkit.job.log import log_reading
from gainkit.job.model import JobStatus, OutputStatus
from gainkit.matching import MatchedCapture, MatchResult
from gainkit.noise import NoiseResult
from gainkit.onset import OnsetResult, StepResult
from gainkit.polarity import PolarityPair, PolarityResult
from gainkit.results import from_plain
from gainkit.routing import RoutingResult
from gainkit.volume import VolumePosition, VolumeResult

SYSTEM = """
[job]
title = "Three outputs"
technician = "R. Okafor"
[source]
preamp_volts = 4.0
[supply]
volts = 13.8
[[channel]]
name = "Front"
outputs = ["left", "right"]
rated_watts = 50
rated_ohms = 4
load_ohms = 4
overlap_db = 5
[[channel]]
name = "Rear"
rated_watts = 25
rated_ohms = 4
load_ohms = 4
overlap_db = 5
"""
"""Front/left and Front/right at 14.14 V, Rear at 10 V, with 997 Hz at -5 dBFS."""

OUTPUTS = ("Front/left", "Front/right", "Rear")
VOLTS = {"Front/left": 200**0.5, "Front/right": 200**0.5, "Rear": 10.0}


def new_job(folder: Path, system: str = SYSTEM) -> Path:
    """A job folder with that system file."""
    folder.mkdir(parents=True)
    (folder / "system.toml").write_text(system, encoding="utf-8")
    return folder


def measured(
    rms_volts: float, *, state: str | None = "clean", thd_percent: float | None = 0.02, **more: Any
) -> Measurement:
    """A calibrated measurement of the setting tone."""
    clipping = Clipping(
        state=state,  # type: ignore[arg-type]
        side="both" if state == "clipped" else None,
        positive_rail_volts=None,
        negative_rail_volts=None,
        overdrive_db=1.5 if state == "clipped" else 0.0,
    )
    plain: dict[str, Any] = {
        "file": "tone.wav", "channel": 1, "minus": None, "sample_rate_hz": 48000.0, "seconds": 2.0,
        "cycles": 1994.0, "calibrated": True, "frequency_hz": 997.0, "rms_volts": rms_volts,
        "fundamental_volts": rms_volts, "peak_volts": rms_volts * 2**0.5, "dc_volts": 0.0,
        "thd_percent": thd_percent, "thd_floor_percent": 0.001, "harmonics": [], "recorder_overload": False,
        "steady_tone": True, "notes": [],
    }  # fmt: skip
    from gainkit.results import to_plain

    return from_plain(Measurement, plain | {"clipping": to_plain(clipping)} | more)


def onset(onset_dbfs: float | None, state: str | None = "clean") -> OnsetResult:
    """An onset, or a staircase whose loudest step has that state."""
    step = {"level_dbfs": 0.0, "state": state}
    plain = {"found": onset_dbfs is not None, "limit_thd_percent": 1.0, "onset_dbfs": onset_dbfs, "notes": []}
    steps = [from_plain(StepResult, step)]
    from gainkit.results import to_plain

    return from_plain(OnsetResult, plain | {"steps": to_plain(steps)})


def polarity(sign: str, confidence: float = 0.999) -> PolarityResult:
    """A polarity by pulses."""
    plain = {"polarity": sign, "confidence": confidence, "pulses": 19, "agreeing": 19, "band": "midrange"}
    return from_plain(PolarityResult, plain | {"notes": []})


def pair(relation: str) -> PolarityPair:
    """Two loudspeakers compared."""
    return from_plain(PolarityPair, {"relation": relation, "confidence": 0.999, "captures": [], "files": []})


def volume(position: float | str, volts: float | None) -> VolumeResult:
    """The source's highest clean position."""
    rows = (VolumePosition(position, volts or 1.0, 0.01, "clean"),)
    return VolumeResult(position, rows, (), volts, 0.0)


def routing(ok: bool) -> RoutingResult:
    """Routing as heard."""
    return from_plain(RoutingResult, {"heard": [], "ok": ok, "problems": [], "notes": [], "by_ear": False})


def match(*trims_db: float) -> MatchResult:
    """Captures c0.wav (the reference), c1.wav, ... with their trims."""
    rows = tuple(
        MatchedCapture(
            f"c{place}.wav", -30.0, trim_db, 0.1, None if place == 0 else 0.1, -30.0, -31.0, 10.0, ()
        )
        for place, trim_db in enumerate(trims_db)
    )
    return MatchResult("c0.wav", rows, False, "Z", ())


def noise(verdict: str, dc_volts: float = 0.0) -> NoiseResult:
    """Noise as read, 62 dB under the target."""
    plain = {
        "rms_volts": 0.01, "a_weighted_volts": 0.008, "below_target_db": 62.0, "dc_volts": dc_volts,
        "hiss_volts": 0.008, "families": [], "verdict": verdict, "notes": [], "file": "silence.wav",
        "channel": 1,
        "seconds": 10.0, "sample_rate_hz": 48000.0, "calibrated": True, "band_hz": [10.0, 20000.0],
        "hiss_a_weighted_volts": 0.008, "bands": [],
    }  # fmt: skip
    return from_plain(NoiseResult, plain)


def status_of(status: JobStatus, name: str) -> OutputStatus:
    return next(each for each in status.outputs if each.name == name)


def all_on_target(job: Path) -> None:
    for name in OUTPUTS:
        log_reading(job, "measure", name, measured(VOLTS[name]))
