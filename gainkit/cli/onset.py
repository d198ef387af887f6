"""`gainkit onset`: where a chain begins to clip."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, note, remark, shown
from gainkit.cli.options import (
    Band,
    Calibration,
    Channel,
    ChartFile,
    CheckLimit,
    Dwell,
    First,
    ForChannel,
    FullScale,
    Glide,
    Index,
    Interval,
    Last,
    LogFolder,
    Minus,
    Step,
    SystemFile,
    Track,
    check_log,
    parse_band,
)  # fmt: skip

if TYPE_CHECKING:
    from gainkit.capture import Capture
    from gainkit.charts.saving import Draw
    from gainkit.onset import LevelPlan, OnsetResult, StepResult

CAUTIONS = (
    "A staircase ends at full level: loudspeakers unplugged, the maker's least load kept.",
    "The onset holds for the load it was recorded into. Without one, an unregulated amplifier clips later than "
    "it will with loudspeakers: use a dummy load of their ohms (it gets hot), or keep a margin.",
    "Bridged and built-in amplifier outputs must not be grounded: use a differential input or --minus.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("onset")(onset)


def onset(
    capture: Annotated[Path, typer.Argument(help="Recording of a staircase or glide through the amplifier.")],
    compare: Annotated[
        Path | None,
        typer.Option("--compare", help="The same at another gain: which side of the control clips?"),
    ] = None,
    index: Index = None,
    track: Track = None,
    from_dbfs: First = None,
    to_dbfs: Last = None,
    step_db: Step = None,
    dwell_seconds: Dwell = None,
    glide_seconds: Glide = None,
    full_scale_volts: FullScale = None,
    calibration: Calibration = None,
    interval_seconds: Interval = None,
    channel: Channel = 1,
    minus: Minus = None,
    band_hz: Band = "10:20000",
    limit_thd_percent: CheckLimit = None,
    source_volts: Annotated[
        float | None, typer.Option(help="Volts the source puts out for 0 dBFS: gain is then the amplifier's.")
    ] = None,
    system: SystemFile = None,
    log: LogFolder = None,
    for_channel: ForChannel = None,
    chart: ChartFile = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Find the tone level at which an amplifier begins to clip, from one recording of a staircase or glide."""
    from gainkit.analysis.model import MeasureOptions
    from gainkit.capture import read_capture
    from gainkit.errors import GainkitError
    from gainkit.onset import find_onset

    check_log(log, for_channel)
    plan = level_plan(index, track, (from_dbfs, to_dbfs, step_db, dwell_seconds, glide_seconds))
    limit = limit_of(system, log, limit_thd_percent)
    options = MeasureOptions(channel=channel, minus=minus, band_hz=parse_band(band_hz), limit_thd_percent=limit)

    def reading(path: Path) -> Capture:
        return read_capture(
            path, full_scale_volts=full_scale_volts, calibration=calibration, interval_seconds=interval_seconds
        )

    opened = reading(capture)
    result = find_onset(opened, plan, options, source_volts=1.0 if source_volts is None else source_volts)
    if compare is not None:
        from gainkit.cli.onset_compare import show_comparison

        if log is not None:
            raise GainkitError("not_both", "compare", str(compare), other="log")
        other = reading(compare)
        show_comparison((opened, result), (other, find_onset(other, plan, options)), json_)
        return
    if chart is not None:
        from gainkit.charts import draw_onset

        chart_of("onset", lambda ax: draw_onset(ax, result), chart, overwrite)
    text = lambda: onset_text(opened.file, result, plan.glide, opened.calibrated, source_volts)  # noqa: E731
    with shown(result, json_, text):
        note(log, "onset", for_channel, result, [capture])


def chart_of(kind: str, draw: Draw, out: Path, overwrite: bool) -> None:
    """Draw a result beside its answer, and say where it lies."""
    from gainkit.cli.pictures import write_chart

    remark(f"{write_chart(kind, [draw], out, overwrite=overwrite).file}: chart written.")


def limit_of(system: Path | None, log: Path | None, limit_thd_percent: float | None) -> float:
    """THD at which a tone is not clean [%]: as given, or of the system file, the job's if none is named, or the
    usual one."""
    from gainkit.advice import Checks
    from gainkit.beside import expected_of, limited

    file = system if system is not None or log is None else log / "system.toml"
    if file is None:
        return limited(Checks(), limit_thd_percent).limit_thd_percent
    return expected_of(file, None, limit_thd_percent).checks.limit_thd_percent


FIGURES = ("from_dbfs", "to_dbfs", "step_db", "dwell_seconds", "glide_seconds")
"""What tells a staircase or a glide without an index, in the order of `level_plan`."""


def level_plan(index: Path | None, track: str | None, figures: Sequence[float | None]) -> LevelPlan:
    """What was played: from the index, or from FIGURES, None where one is not given; never from both."""
    from gainkit.errors import GainkitError
    from gainkit.onset import from_index, glide, staircase

    given = {name: figure for name, figure in zip(FIGURES, figures, strict=True) if figure is not None}
    if index is not None:
        for name in given:
            raise GainkitError("not_both", name, other="index")
        return from_index(index, track)
    if track is not None:
        raise GainkitError("track_without_index", "track", track)
    if "glide_seconds" in given:
        for name in given.keys() & {"step_db", "dwell_seconds"}:
            raise GainkitError("glide_without_steps", name, given[name])
        return glide(**given)
    return staircase(**given)


def onset_text(
    file: str, result: OnsetResult, gliding: bool, calibrated: bool, source_volts: float | None
) -> str:
    """The verdict first, then the figures behind it, the steps, and what to know."""
    from gainkit.calculator.leads import hook_up_cautions
    from gainkit.cli.plain import bullets, columns, sections, wrapped

    unit = "V" if calibrated else "of full scale"
    limit = f"{result.limit_thd_percent:g} %"
    if result.found:
        volts = f"{result.onset_volts:.4g} {unit} rms"
        verdict = f"ONSET AT {result.onset_dbfs:.2f} dBFS. THD reaches {limit} there, at {volts}."
        if result.clipping_begins_dbfs is not None:
            verdict += (
                f" Clipping begins at {result.clipping_begins_dbfs:.2f} dBFS, where the crest meets the rail."
            )
        advice = (
            f"Recording peaks above {result.onset_dbfs:.1f} dBFS are cut at this setting."
            if result.onset_dbfs is not None and result.onset_dbfs < 0
            else ""
        )
    elif not result.loudest_judged:
        verdict, advice = "ONSET NOT KNOWN. The loudest steps could not be judged.", ""
    else:
        verdict, advice = f"NO ONSET FOUND. THD did not reach {limit} by clipping.", ""
    figures = []
    if result.rail_volts is not None:
        figures.append(f"  Rail        {result.rail_volts:.4g} {unit} peak")
    if result.small_signal_gain_db is not None:
        about = "from the source's volts" if source_volts is not None else "output in dBV for 0 dBFS"
        figures.append(f"  Gain        {result.small_signal_gain_db:.2f} dB ({about}), small signal")
    if not calibrated:
        figures.append("  No calibration: figures are in parts of digital full scale, not volts.")
    shown = [s for s in result.steps if _worth_showing(s, result)] if gliding else result.steps
    table = columns(("  dBFS", unit, "THD %", "state"), [_row(step) for step in shown])
    return sections(
        wrapped(f"{file}: {verdict}", "", ""),
        wrapped(advice, "", "") if advice else "",
        "\n".join(figures),
        table,
        bullets("Notes:", result.notes),
        bullets("Cautions:", (*hook_up_cautions(), *CAUTIONS)),
    )


def _row(step: StepResult) -> tuple[str, ...]:
    volts = "-" if step.rms_volts is None else f"{step.rms_volts:.4g}"
    return f"  {step.level_dbfs:.2f}", volts, _thd(step), step.state or "not judged"


def _thd(step: StepResult) -> str:
    """THD, or below what it could not be seen."""
    from gainkit.analysis.thresholds import SEEN_OVER_FLOOR
    from gainkit.figures import plain

    if step.thd_percent is None or step.thd_floor_percent is None:
        return "-"
    if step.distortion_seen:
        return plain(step.thd_percent)
    return f"< {plain(SEEN_OVER_FLOOR * step.thd_floor_percent, 2)}"


def _worth_showing(step: StepResult, result: OnsetResult) -> bool:
    """Of a glide's many windows: those within 2 dB of the onset, and every fourth of the rest."""
    near = result.onset_dbfs is not None and abs(step.level_dbfs - result.onset_dbfs) <= 1.0
    return near or result.steps.index(step) % 4 == 0
