"""The simulated amplifier that a trainer turns a knob of: what the recorder would hold, and how it is read."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

import numpy as np

from gainkit.analysis import Measurement
from gainkit.bench.desk import Desk
from gainkit.calculator.ranges import Range
from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.job.log import note_typed
from gainkit.job.typed import Confirmed, FreeText
from gainkit.levels import SINE_CREST, ratio_from_db
from gainkit.remarks import Remark
from gainkit.simulator import Amplifier, Recorder, capture_track
from gainkit.steps import Step
from gainkit.steps.taking import measure_here
from gainkit.words import remark_text

KNOB_DB = Range("dB", -20, 20, low_allowed=True)
"""The knob's two ends around the setting that the plan asks for."""

FOUND_DB = 3.0
"""Where the knob stands at first: too loud, as many are found [dB]."""

RATE_HZ = 48_000
SECONDS = 0.3
RAIL_DB = 1.5
"""The simulated rail lies this far above the plan's clip volts [dB]: a real one is never just what the plate
says."""

DEVICE = "simulated amplifier"

MARK = "readings_are_simulated"
"""The code by which a job's record says that no car was connected."""


@dataclass
class Simulation:
    """A knob for each output of one job."""

    desk: Desk
    knobs: dict[str, float] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def knob(self, step: Step) -> float:
        """Where the knob of a step's output stands [dB from the plan's setting]."""
        return self.knobs.get(step.output or "", FOUND_DB)

    def turn(self, db: float) -> None:
        """Turn the knob of the current step's output, and read what comes out."""
        if not KNOB_DB.holds(db):
            raise GainkitError("knob_out_of_range", "db", db, KNOB_DB)
        step = self.desk.step()
        if step.output is not None:
            with self.lock:
                self.knobs[step.output] = db
            self.read()

    def read(self) -> None:
        """One live reading at the current step, where it is a gain and its cautions are confirmed."""
        step = self.desk.step()
        if step.kind == "gain" and not step.unconfirmed:
            self.desk.show_live(self.measured(step), DEVICE)

    def measured(self, step: Step) -> Measurement:
        """The tone of a step through the amplifier, recorded and measured as any other."""
        job = self.desk.job()
        assert step.output is not None
        plan = job.plan.channel(job.system.output(step.output).channel)
        frames = np.arange(round(SECONDS * RATE_HZ))
        track = ratio_from_db(plan.tone_dbfs) * np.sin(2 * np.pi * plan.tone_hz * frames / RATE_HZ)
        source_volts = 1.0
        gain = plan.set_volts / ratio_from_db(plan.tone_dbfs) / source_volts
        amplifier = Amplifier(
            gain_db=20 * np.log10(gain) + self.knob(step),
            positive_rail_volts=plan.clip_volts * SINE_CREST * ratio_from_db(RAIL_DB),
            noise_volts=plan.set_volts * 1e-4,
        )
        recorder = Recorder(full_scale_volts=plan.clip_volts * SINE_CREST * 2)
        both = plan.bridged or plan.built_in
        units = capture_track(track, RATE_HZ, source_volts, (amplifier, recorder))
        table = np.stack([units / 2, -units / 2], axis=1) if both else units
        capture = Capture.from_array(
            table, RATE_HZ, file=DEVICE, volts_per_unit=recorder.full_scale_volts, calibrated=True
        )
        return measure_here(step, job, capture)


def mark_simulated(desk: Desk) -> None:
    """Say in a job's record that its readings are simulated; they never go among real ones.

    Raises GainkitError (`simulate_needs_own_job`) for a job with readings that does not say so.
    """
    readings = desk.job().readings
    if any(each.kind == "confirm" and each.result.confirmed == MARK for each in readings):
        return
    if readings:
        raise GainkitError("simulate_needs_own_job", "job", str(desk.folder))
    note_typed(desk.folder, None, Confirmed(MARK))
    note_typed(desk.folder, None, FreeText(remark_text(Remark(MARK))))


def refuse_simulated(desk: Desk) -> None:
    """Real readings do not go among simulated ones. Raises GainkitError (`job_is_simulated`)."""
    readings = desk.job().readings
    if any(each.kind == "confirm" and each.result.confirmed == MARK for each in readings):
        raise GainkitError("job_is_simulated", "job", str(desk.folder))
