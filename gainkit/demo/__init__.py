"""The whole job on an invented car: tones, captures of a simulated chain, readings, and how near they came.

Every figure told is measured from the files that the demo wrote; the simulator's own truth stands beside it.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from gainkit.demo.bench import DemoBench, DemoFigure, Say
from gainkit.demo.chain import noise_step, response_step
from gainkit.demo.pages import pages_step
from gainkit.demo.steps import (
    calibrate_step,
    gain_step,
    onset_step,
    others_step,
    plan_step,
    source_step,
    tones_step,
)
from gainkit.demo.wiring import match_step, polarity_step
from gainkit.errors import GainkitError
from gainkit.job.places import JobFolder
from gainkit.job.plan import plan_system
from gainkit.job.system import load_system
from gainkit.words import PYTHON, Door, with_names

__all__ = ["DemoFigure", "DemoResult", "run_demo"]


@dataclass(frozen=True)
class DemoResult:
    """folder : where everything lies. figures : measured beside truth."""

    folder: Path
    figures: tuple[DemoFigure, ...]


def run_demo(
    folder: str | Path = "gainkit-demo", say: Say = print, *, overwrite: bool = False, door: Door = PYTHON
) -> DemoResult:
    """Run the whole path on an invented car in a folder.

    Parameters
    ----------
    folder : str or Path
        To be made.
    say : function
        Gets the story line by line.
    overwrite : bool
        Replace an earlier demo.
    door : Door
        How the story names the jobs.

    Returns
    -------
    DemoResult
        The folder, and each figure that was found beside the true one.

    Raises
    ------
    GainkitError
        When the folder holds something and may not be replaced.

    Examples
    --------
    >>> import gainkit
    >>> gainkit.run_demo("a-demo")  # doctest: +SKIP
    """
    folder = Path(folder)
    _prepare(folder, overwrite)
    bench = DemoBench(folder, lambda line: say(with_names(line, door)))
    bench.say(f"A technician sets the gain of an invented car. Everything lies in {folder}.")
    plan_step(bench)
    staircase = tones_step(bench)
    calibration = calibrate_step(bench)
    source, source_figures = source_step(bench, calibration)
    plan = plan_system(load_system(JobFolder(folder).system))
    gain_figures = gain_step(bench, calibration, plan)
    onset_figures = onset_step(bench, calibration, source, staircase)
    others_step(bench, calibration, plan)
    wiring_figures = [*polarity_step(bench), *match_step(bench)]
    chain_figures = [*response_step(bench, calibration, plan), *noise_step(bench, calibration, plan)]
    pages_step(bench, calibration, staircase)
    figures = (*source_figures, *gain_figures, *onset_figures, *wiring_figures, *chain_figures)
    bench.say("\n13. How near was it? Measured from the files, beside the simulator's own truth")
    for figure in figures:
        pair = f"{figure.measured:9.4f} {figure.unit:<5} truth {figure.truth:9.4f} {figure.unit}"
        bench.say(f"   {figure.name:<24} {pair}")
    bench.say("\n   Turn the knob yourself, guided in a browser      (<run_bench()>, simulated)")
    return DemoResult(folder, figures)


def _prepare(folder: Path, overwrite: bool) -> None:
    job = JobFolder(folder)
    if folder.exists() and not folder.is_dir():
        raise GainkitError("not_a_folder", "folder", folder)
    if folder.is_dir() and any(folder.iterdir()):
        if not overwrite:
            raise GainkitError("file_exists", "folder", folder)
        if not job.is_job:
            raise GainkitError("folder_not_ours", "folder", folder)
        for place in (job.stick, folder / "sweep", job.captures, job.charts):
            shutil.rmtree(place, ignore_errors=True)
        pages = (folder / name for name in ("sweep.toml", "sheet.html", "index.html"))
        for path in (job.system, job.record, job.calibration, *pages):
            path.unlink(missing_ok=True)
    for place in (job.captures, job.charts):
        place.mkdir(parents=True, exist_ok=True)
