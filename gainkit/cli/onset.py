"""`gainkit onset`: where a chain begins to clip."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, grouped, remark
from gainkit.cli.options import (
    Band,
    BesideOptions,
    ChannelOptions,
    ChartFile,
    CheckLimit,
    FileOptions,
    LevelOptions,
    parse_band,
)
from gainkit.cli.place import NoteOptions, NoteRequest, Noting, place_of, tell
from gainkit.figures import level_unit, plain

if TYPE_CHECKING:
    from gainkit.charts.drawing import Draw
    from gainkit.onset import LevelPlan, OnsetResult, StepResult

CAUTIONS = (
    "A staircase ends at full level: loudspeakers unplugged, the maker's least load kept.",
    "The onset holds for the load it was recorded into. Without one, an unregulated amplifier clips later than "
    "it will with loudspeakers: use a dummy load of their ohms (it gets hot), or keep a margin.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("onset")(grouped(onset))


def onset(
    *,
    capture: Annotated[Path, typer.Argument(help="Recording of a staircase or glide through the amplifier.")],
    compare: Annotated[
        Path | None,
        typer.Option("--compare", help="The same at another gain: which side of the control clips?"),
    ] = None,
    played: LevelOptions,
    files: FileOptions,
    channels: ChannelOptions,
    band_hz: Band = "10:20000",
    limit_thd_percent: CheckLimit = None,
    source_volts: Annotated[
        float | None, typer.Option(help="Volts the source puts out for 0 dBFS: gain is then the amplifier's.")
    ] = None,
    beside: BesideOptions,
    note: NoteOptions,
    chart: ChartFile = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Find the tone level at which an amplifier begins to clip, from one recording of a staircase or glide."""
    from gainkit.analysis.model import MeasureOptions
    from gainkit.errors import GainkitError
    from gainkit.onset import find_onset

    place = place_of(NoteRequest("onset", note, beside.for_output, beside.system, files))
    if played.index is None and place.index is not None and not played.figures:
        played = replace(played, index=place.index)
        remark(f"Levels of the track by {place.index}.")
    plan = level_plan(played)
    limit = limit_of(place.system, limit_thd_percent)
    options = MeasureOptions(**vars(channels), band_hz=parse_band(band_hz), limit_thd_percent=limit)
    opened = files.open(capture, place.calibration)
    result = find_onset(opened, plan, options, source_volts=1.0 if source_volts is None else source_volts)
    if compare is not None:
        from gainkit.cli.onset_compare import show_comparison

        if note.log is not None:
            raise GainkitError("not_both", "compare", str(compare), other="log")
        other = files.open(compare, place.calibration)
        show_comparison((opened, result), (other, find_onset(other, plan, options)), json_)
        return
    if chart is not None:
        from gainkit.charts import draw_onset

        chart_of("onset", lambda ax: draw_onset(ax, result), chart, overwrite)
    overlap_db = overlap_of(place.system, place.output)

    def text() -> str:
        return onset_text(
            opened.file, result, plan.glide, opened.calibrated, source_volts, overlap_db, channels.minus
        )

    tell(place, result, json_, text, [Noting(result, [capture])])


def chart_of(kind: str, draw: Draw, out: Path, overwrite: bool) -> None:
    """Draw a result beside its answer, and say where it lies."""
    from gainkit.cli.pictures import write_chart

    remark(f"{write_chart(kind, [draw], out, overwrite=overwrite).file}: chart written.")


def overlap_of(system: Path | None, output: str | None) -> tuple[float, float] | None:
    """The overlap that the plan of an output asks for, and the tolerance [dB]; None without one."""
    if system is None or output is None:
        return None
    from gainkit.beside import expected_of

    expected = expected_of(system, output)
    return None if expected.plan is None else (expected.plan.overlap_db, expected.checks.tolerance_db)


def limit_of(system: Path | None, limit_thd_percent: float | None) -> float:
    """THD at which a tone is not clean [%]: as given, or of the job's system file, or the usual one."""
    from gainkit.advice import Checks
    from gainkit.beside import expected_of, limited

    if system is None:
        return limited(Checks(), limit_thd_percent).limit_thd_percent
    return expected_of(system, None, limit_thd_percent).checks.limit_thd_percent


def level_plan(played: LevelOptions) -> LevelPlan:
    """What was played: from the index, or from figures, never from both."""
    from gainkit.errors import GainkitError
    from gainkit.onset import from_index, glide, staircase

    given = played.figures
    if played.index is not None:
        for name in given:
            raise GainkitError("not_both", name, other="index")
        return from_index(played.index, played.track)
    if played.track is not None:
        raise GainkitError("track_without_index", "track", played.track)
    if "glide_seconds" in given:
        for name in given.keys() & {"step_db", "dwell_seconds"}:
            raise GainkitError("glide_without_steps", name, given[name])
        return glide(**given)
    return staircase(**given)


def onset_text(
    file: str,
    result: OnsetResult,
    gliding: bool,
    calibrated: bool,
    source_volts: float | None,
    overlap: tuple[float, float] | None = None,
    minus: int | None = None,
) -> str:
    """The verdict first, beside the planned overlap where one is known, then the figures, the steps about the
    onset, and what to know. overlap : planned overlap and tolerance [dB]. minus : the channel subtracted."""
    from gainkit.calculator.leads import hook_up_cautions
    from gainkit.cli.plain import bullets, columns, sections, wrapped

    unit = level_unit(calibrated)
    figures = []
    if result.onset_dbfs is not None and result.onset_uncertainty_db is not None:
        figures.append(
            f"  Onset       {result.onset_dbfs:z.2f} dBFS +- {_within(result.onset_uncertainty_db)} dB (95 %)"
        )
    if result.rail_volts is not None:
        figures.append(f"  Rail        {plain(result.rail_volts, 4)} {unit} peak")
    if result.small_signal_gain_db is not None:
        about = "from the source's volts" if source_volts is not None else "output in dBV for 0 dBFS"
        figures.append(f"  Gain        {result.small_signal_gain_db:z.2f} dB ({about}), small signal")
    if not calibrated:
        figures.append("  No calibration: figures are in parts of digital full scale, not volts.")
    steps = [step for step in result.steps if _worth_showing(step, result, gliding)]
    table = columns(("  dBFS", unit, "THD %", "state"), [_row(step) for step in steps])
    left_out = len(result.steps) - len(steps)
    return sections(
        wrapped(f"{file}: {_verdict(result, unit, overlap)}", "", ""),
        "\n".join(figures),
        table + (f"\n  ({left_out} more are in --json)" if left_out else ""),
        bullets("Notes:", result.notes),
        bullets("Cautions:", (*hook_up_cautions(minus), *CAUTIONS)),
    )


def _verdict(result: OnsetResult, unit: str, overlap: tuple[float, float] | None) -> str:
    """Whether the plan is met, where the onset lies, and what that does to recordings."""
    limit = f"{plain(result.limit_thd_percent, 6)} %"
    if result.onset_dbfs is None:
        if not result.loudest_judged:
            return "ONSET NOT KNOWN. The loudest steps could not be judged."
        return _without_onset(result, limit, overlap)
    told = f"ONSET {'OF DISTORTION ' if result.by_bend else ''}AT {result.onset_dbfs:z.2f} dBFS."
    volts = f"at {plain(result.onset_volts or 0.0, 4)} {unit} rms"
    if result.by_bend:
        told += f" THD reaches {limit} there, {volts}, by a bend of the curve, at no rail."
    elif result.under_distortion:
        told += f" The rail is first met there, {volts}."
    elif result.before_filter:
        told += f" THD reaches {limit} there, {volts}, before the low-pass behind the rail."
    else:
        told += f" THD reaches {limit} there, {volts}."
    if result.clipping_begins_dbfs is not None:
        told += f" Clipping begins at {result.clipping_begins_dbfs:z.2f} dBFS, where the crest meets the rail."
    if result.distorted_dbfs:
        told += f" {_distorted(result, limit)}"
    if overlap is not None:
        does = "DISTORTS" if result.by_bend else "CLIPS"
        distorted = result.by_bend or bool(result.distorted_dbfs)
        return f"{_met(result.onset_dbfs, overlap, does, distorted=distorted)} {told}"
    if result.by_bend:
        return told
    begins = result.onset_dbfs if result.clipping_begins_dbfs is None else result.clipping_begins_dbfs
    cut = f" Recording peaks above {begins:z.1f} dBFS are cut at this setting."
    return told + (cut if begins < 0 else "")


def _within(uncertainty_db: float) -> str:
    """An uncertainty in hundredths of a decibel, never rounded down."""
    return f"{math.ceil(100 * uncertainty_db - 1e-6) / 100:.2f}"


def _without_onset(result: OnsetResult, limit: str, overlap: tuple[float, float] | None) -> str:
    """What is told where no onset was found; whoever distorts at no rail is not told to turn up."""
    if result.held_dbfs is not None:
        return f"ONSET NOT KNOWN. From {result.held_dbfs:z.2f} dBFS on the output is held."
    if result.distorted_dbfs:
        return f"{_distorted(result, limit)} No onset of clipping was found."
    loudest_dbfs = max(step.level_dbfs for step in result.steps)
    met = "" if overlap is None else _met(loudest_dbfs, overlap) + " "
    return f"{met}NO ONSET FOUND. THD did not reach {limit} by clipping."


def _distorted(result: OnsetResult, limit: str) -> str:
    """That steps are over the limit by another cause than a rail, and which."""
    levels = result.distorted_dbfs
    where = (
        f"AT {levels[0]:z.2f} dBFS" if len(levels) == 1 else f"FROM {levels[0]:z.2f} TO {levels[-1]:z.2f} dBFS"
    )
    worst = max(
        step.thd_percent or 0.0
        for step in result.steps
        if step.state == "distorted" and step.level_dbfs <= levels[-1]
    )
    return f"DISTORTED {where}: THD up to {plain(worst)} % is above {limit}, not by clipping."


def _met(
    onset_dbfs: float, overlap: tuple[float, float], does: str = "CLIPS", *, distorted: bool = False
) -> str:
    """Whether an output begins to clip, or to distort, where the plan has it; one that is distorted is not told
    that more gain would do."""
    planned_db, tolerance_db = overlap
    off_db = onset_dbfs + planned_db
    planned = f"planned is an overlap of {planned_db:zg} dB"
    if off_db < -tolerance_db:
        return f"{does} {-off_db:z.1f} dB TOO EARLY ({planned})."
    if off_db > tolerance_db:
        more = "" if distorted else ": the gain is lower than it could be"
        return f"{does} {off_db:z.1f} dB LATER THAN PLANNED ({planned}){more}."
    return f"OVERLAP AS PLANNED ({planned})."


def _row(step: StepResult) -> tuple[str, ...]:
    volts = "-" if step.rms_volts is None else plain(step.rms_volts, 4)
    return f"  {step.level_dbfs:z.2f}", volts, _thd(step), step.state or "not judged"


def _thd(step: StepResult) -> str:
    """THD, or below what it could not be seen."""
    from gainkit.analysis.thresholds import SEEN_OVER_FLOOR

    if step.thd_percent is None or step.thd_floor_percent is None:
        return "-"
    if step.distortion_seen:
        return plain(step.thd_percent)
    return f"< {plain(SEEN_OVER_FLOOR * step.thd_floor_percent, 2)}"


NEAR_DB = 2.0
"""Steps this near the onset are shown; of the others the quietest and the loudest [dB]."""

MOST_STEPS = 8
"""A staircase without an onset is shown by so many of its steps [-]."""


def _worth_showing(step: StepResult, result: OnsetResult, gliding: bool) -> bool:
    """The steps about the onset (of a glide's many windows every second), the quietest and the loudest."""
    place = result.steps.index(step)
    if place in (0, len(result.steps) - 1):
        return True
    if result.onset_dbfs is None:
        return place % -(-len(result.steps) // MOST_STEPS) == 0
    near = abs(step.level_dbfs - result.onset_dbfs) <= (NEAR_DB / 2 if gliding else NEAR_DB)
    return near and (not gliding or place % 2 == 0)
