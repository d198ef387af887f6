"""`gainkit onset` and `gainkit volume`: where a chain begins to clip, and how far the source may be turned."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, note, remark, shown
from gainkit.cli.options import (
    Band,
    Calibration,
    Channel,
    ChartFile,
    Dwell,
    First,
    ForChannel,
    FullScale,
    Glide,
    Index,
    Interval,
    Last,
    LimitThd,
    LogFolder,
    Minus,
    Step,
    Track,
    check_log,
    parse_band,
)  # fmt: skip

if TYPE_CHECKING:
    from gainkit.charts.saving import Draw
    from gainkit.onset import LevelPlan, OnsetResult, StepResult
    from gainkit.volume import VolumeResult

FROM, TO, STEP, DWELL = -20.0, 0.0, 1.0, 1.0
"""The staircase that is taken when nothing is said: the one that `gainkit tones` writes."""

CAUTIONS = (
    "A staircase ends at full level: loudspeakers unplugged, the maker's least load kept.",
    "The onset holds for the load it was recorded into. Without one, an unregulated amplifier clips later than "
    "it will with loudspeakers: use a dummy load of their ohms (it gets hot), or keep a margin.",
    "Bridged and built-in amplifier outputs must not be grounded: use a differential input or --minus.",
)


def register(app: typer.Typer) -> None:
    """Add `onset` and `volume` to the tree."""
    app.command("onset")(onset)
    app.command("volume")(volume)


def onset(
    capture: Annotated[Path, typer.Argument(help="Recording of a staircase or glide through the amplifier.")],
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
    limit_thd_percent: LimitThd = 1.0,
    source_volts: Annotated[
        float | None, typer.Option(help="Volts the source puts out for 0 dBFS: gain is then the amplifier's.")
    ] = None,
    log: LogFolder = None,
    for_channel: ForChannel = None,
    chart: ChartFile = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Find the tone level at which an amplifier begins to clip, from one recording of a staircase or glide."""
    from gainkit.analysis.model import MeasureOptions
    from gainkit.capture import read_capture
    from gainkit.onset import onset as find_onset

    check_log(log, for_channel)
    plan = level_plan(index, track, (from_dbfs, to_dbfs, step_db, dwell_seconds, glide_seconds))
    options = MeasureOptions(
        channel=channel, minus=minus, band_hz=parse_band(band_hz), limit_thd_percent=limit_thd_percent
    )
    opened = read_capture(
        capture, full_scale_volts=full_scale_volts, calibration=calibration, interval_seconds=interval_seconds
    )
    result = find_onset(opened, plan, options, source_volts=1.0 if source_volts is None else source_volts)
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


def level_plan(index: Path | None, track: str | None, figures: tuple[float | None, ...]) -> LevelPlan:
    """What was played: from the index, or from the figures; never both."""
    from gainkit.onset import from_index, glide, staircase

    first, last, step, dwell, seconds = figures
    if index is not None:
        if any(figure is not None for figure in figures):
            raise typer.BadParameter(
                "tells the levels already: leave --from-dbfs and the like away", param_hint="--index"
            )
        return from_index(index, track)
    if track is not None:
        raise typer.BadParameter("needs the index.json that lies beside it (--index)", param_hint="--track")
    start, stop = FROM if first is None else first, TO if last is None else last
    if seconds is not None:
        if step is not None or dwell is not None:
            raise typer.BadParameter(
                "a glide has no steps: leave --step-db and --dwell-seconds away", param_hint="--glide-seconds"
            )
        return glide(start, stop, seconds)
    return staircase(start, stop, STEP if step is None else step, DWELL if dwell is None else dwell)


def onset_text(
    file: str, result: OnsetResult, gliding: bool, calibrated: bool, source_volts: float | None
) -> str:
    """The verdict first, then the figures behind it, the steps, and what to know."""
    from gainkit.cli.plain import bullets, columns, sections, wrapped

    unit = "V" if calibrated else "of full scale"
    limit = f"{result.limit_thd_percent:g} %"
    if result.found:
        volts = f"{result.onset_volts:.4g} {unit} rms"
        verdict = f"ONSET AT {result.onset_dbfs:.2f} dBFS. THD reaches {limit} there, at {volts}."
        advice = (
            f"Recording peaks above {result.onset_dbfs:.1f} dBFS are cut at this setting."
            if result.onset_dbfs is not None and result.onset_dbfs < 0
            else ""
        )
    elif _loudest_unjudged(result):
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
        bullets("Cautions:", CAUTIONS),
    )


def _loudest_unjudged(result: OnsetResult) -> bool:
    """True when no figure stands for the loudest step."""
    return max(result.steps, key=lambda step: step.level_dbfs).state is None


def _row(step: StepResult) -> tuple[str, ...]:
    from gainkit.onset.steps import FLOOR_FACTOR

    thd = "-"
    if step.thd_percent is not None and step.thd_floor_percent is not None:
        floor = FLOOR_FACTOR * step.thd_floor_percent
        thd = f"< {floor:.2g}" if step.thd_percent < floor else f"{step.thd_percent:.3g}"
    volts = "-" if step.rms_volts is None else f"{step.rms_volts:.4g}"
    return f"  {step.level_dbfs:.2f}", volts, thd, step.state or "not judged"


def _worth_showing(step: StepResult, result: OnsetResult) -> bool:
    """Of a glide's many windows: those within 2 dB of the onset, and every fourth of the rest."""
    near = result.onset_dbfs is not None and abs(step.level_dbfs - result.onset_dbfs) <= 1.0
    return near or result.steps.index(step) % 4 == 0


def volume(
    captures: Annotated[
        list[str], typer.Argument(metavar="POSITION=CAPTURE...", help="One capture per volume position.")
    ],
    tone_dbfs: Annotated[float, typer.Option(help="Level of the tone that was played.")] = 0.0,
    tone_check: Annotated[
        tuple[Path, Path] | None,
        typer.Option(metavar="LOW HIGH", help="Captures of a low and a high tone of one level."),
    ] = None,
    full_scale_volts: FullScale = None,
    calibration: Calibration = None,
    interval_seconds: Interval = None,
    channel: Channel = 1,
    minus: Minus = None,
    band_hz: Band = "10:20000",
    limit_thd_percent: LimitThd = 1.0,
    write: Annotated[
        Path | None,
        typer.Option("--write", help="System file in which preamp_volts and clean_position are set."),
    ] = None,
    log: LogFolder = None,
    chart: ChartFile = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Find the source's highest clean volume position from one capture per position.

    --write changes the system file that is there: naming it is the permission, --overwrite is not asked.
    """
    from gainkit.analysis import measure
    from gainkit.analysis.model import MeasureOptions
    from gainkit.capture import read_capture
    from gainkit.volume import split_pair, write_source
    from gainkit.volume import volume as judge_volume

    options = MeasureOptions(
        channel=channel, minus=minus, band_hz=parse_band(band_hz), limit_thd_percent=limit_thd_percent
    )
    check_log(log, None, needs_channel=False)
    pairs = [split_pair(text) for text in captures]
    paths = [path for _, path in pairs] + list(tone_check or ())
    tones = [
        measure(
            read_capture(
                path,
                full_scale_volts=full_scale_volts,
                calibration=calibration,
                interval_seconds=interval_seconds,
            ),
            options,
        )
        for path in paths
    ]
    result = judge_volume(
        list(zip([position for position, _ in pairs], tones, strict=False)),
        tone_dbfs=tone_dbfs,
        limit_thd_percent=limit_thd_percent,
        tone_check=None if tone_check is None else (tones[-2], tones[-1]),
    )
    if write is not None:
        write_source(write, result)
        remark(f"{write}: source preamp_volts and clean_position are set.")
    if chart is not None:
        from gainkit.charts import draw_volume

        chart_of("volume", lambda ax: draw_volume(ax, result), chart, overwrite)
    with shown(result, json_, lambda: volume_text(result, tones[0].calibrated)):
        note(log, "volume", None, result, paths)


def _thd_text(thd_percent: float | None) -> str:
    if thd_percent is None:
        return "-"
    return f"{thd_percent:.3g}" if thd_percent >= 0.001 else "< 0.001"


def volume_text(result: VolumeResult, calibrated: bool) -> str:
    """The ceiling first, then the positions, then what to know."""
    from gainkit.cli.plain import bullets, columns, sections, wrapped

    unit = "V" if calibrated else "of full scale"
    best = result.highest_clean_position
    verdict = "NO CLEAN POSITION." if best is None else f"HIGHEST CLEAN POSITION: {best}."
    if result.source_volts is not None:
        verdict += f" The source gives {result.source_volts:.4g} V rms there for 0 dBFS."
        if result.tone_dbfs < 0:
            verdict += f" (Scaled from {result.tone_dbfs:g} dBFS.)"
    rows = [
        (
            f"  {each.position}",
            f"{each.rms_volts:.4g}",
            _thd_text(each.thd_percent),
            each.state or "not judged",
        )
        for each in result.positions
    ]
    return sections(
        wrapped(verdict, "", ""),
        columns(("  position", unit, "THD %", "state"), rows),
        bullets("Notes:", result.notes),
    )
