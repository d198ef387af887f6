"""A job read whole: its system, the plan that follows from it, and every line of its record."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from gainkit.job.outputs import Output
from gainkit.job.places import JobFolder
from gainkit.job.plan import Plan, plan_system
from gainkit.job.readings import Reading, read_readings
from gainkit.job.record import PlanFigures, check_job
from gainkit.job.system import System, load_system
from gainkit.remarks import Remark


@dataclass(frozen=True)
class OpenJob:
    """A job read whole. now : each output's figures by the present plan."""

    folder: Path
    system: System
    plan: Plan
    readings: tuple[Reading, ...]
    problems: tuple[Remark, ...]

    def figures(self, output: Output) -> PlanFigures:
        """What a reading of an output is judged by, as the plan is now."""
        return plan_figures(self.system, self.plan, output)


def plan_figures(system: System, plan: Plan, output: Output) -> PlanFigures:
    """The figures of one output that its readings are judged by."""
    channel = plan.channel(output.channel)
    return PlanFigures(
        set_volts=channel.set_volts,
        tone_hz=channel.tone_hz,
        tone_dbfs=channel.tone_dbfs,
        overlap_db=channel.overlap_db,
        tolerance_db=system.checks.tolerance_db,
        limit_thd_percent=system.checks.limit_thd_percent,
        expected_polarity=output.expected_polarity,
    )


def open_job(folder: Path) -> OpenJob:
    """System, plan and record of a job folder. Raises GainkitError when it is no job."""
    check_job(folder)
    system = load_system(JobFolder(folder).system)
    readings, problems = read_readings(folder)
    return OpenJob(folder, system, plan_system(system), tuple(readings), tuple(problems))


def judged_within(job: OpenJob, tolerance_db: float | None) -> OpenJob:
    """A job whose readings are judged by another tolerance than the system file's [dB]; None: by its own."""
    if tolerance_db is None:
        return job
    checks = replace(job.system.checks, tolerance_db=tolerance_db)
    readings = tuple(_judged_by(each, tolerance_db) for each in job.readings)
    return replace(job, system=replace(job.system, checks=checks), readings=readings)


def _judged_by(reading: Reading, tolerance_db: float) -> Reading:
    """A reading judged by another tolerance than its own."""
    if reading.plan is None:
        return reading
    return replace(reading, plan=replace(reading.plan, tolerance_db=tolerance_db))
