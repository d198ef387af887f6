"""`gainkit chart`: pictures of a plan or of a capture."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, grouped, show
from gainkit.cli.onset import level_plan
from gainkit.cli.options import Band, ChannelOptions, CheckLimit, FileOptions, LevelOptions, parse_band
from gainkit.cli.pictures import fitted, tone_draws, write_chart

if TYPE_CHECKING:
    from gainkit.batch import Question
    from gainkit.charts.drawing import Draw
    from gainkit.onset import LevelPlan


class ChartKind(StrEnum):
    """Kinds of chart."""

    headroom = "headroom"
    levels = "levels"
    power = "power"
    waveform = "waveform"
    spectrum = "spectrum"
    onset = "onset"
    bands = "bands"
    noise = "noise"
    response = "response"
    job = "job"
    compare = "compare"


class SizeName(StrEnum):
    """Where the picture will be seen."""

    phone = "phone"
    page = "page"
    slide = "slide"


class ThemeName(StrEnum):
    """On what ground."""

    light = "light"
    dark = "dark"


Size = Annotated[SizeName, typer.Option("--size", help="Where it will be seen.")]
Theme = Annotated[ThemeName, typer.Option("--theme", help="Light or dark ground.")]


def register(app: typer.Typer) -> None:
    """Add `chart` to the tree."""
    app.command("chart")(grouped(chart))


def chart(
    *,
    kind: Annotated[ChartKind, typer.Argument(help="What to draw.")],
    out: Annotated[Path, typer.Option("--out", help="File to write: .png, .svg, .pdf or .html.")],
    system: Annotated[
        Path | None, typer.Option("--system", help="System file, for headroom, levels and power.")
    ] = None,
    for_channel: Annotated[str | None, typer.Option("--for", help="Its channel [the first].")] = None,
    job: Annotated[Path | None, typer.Option("--job", help="Job folder, for job and compare.")] = None,
    capture: Annotated[
        list[Path] | None, typer.Option("--capture", help="Recording to draw; several for bands.")
    ] = None,
    noise_volts: Annotated[
        float | None, typer.Option("--noise-volts", help="Noise at the output at this gain, for headroom.")
    ] = None,
    third: Annotated[bool, typer.Option("--third", help="Third-octave bands instead of octaves.")] = False,
    played: LevelOptions,
    scale: FileOptions,
    channels: ChannelOptions,
    band_hz: Band = "10:20000",
    limit_thd_percent: CheckLimit = None,
    size: Size = SizeName.page,
    theme: Theme = ThemeName.light,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Draw a plan, captures or a job.

    A plan: headroom, levels, power. Captures: waveform, spectrum, onset, bands, response, noise. A job folder:
    job, compare.

    A name that ends in .html makes a page that tells its figures when it is touched, for a phone as well.
    """
    from gainkit.advice import Checks
    from gainkit.analysis.model import MeasureOptions
    from gainkit.batch import Question
    from gainkit.beside import limited
    from gainkit.charts import Look

    limit = limited(Checks(), limit_thd_percent).limit_thd_percent
    options = MeasureOptions(**vars(channels), band_hz=parse_band(band_hz), limit_thd_percent=limit)
    asked = [
        Question(path, options, scale.full_scale_volts, scale.calibration, scale.interval_seconds)
        for path in capture or ()
    ]
    if kind in (ChartKind.headroom, ChartKind.levels, ChartKind.power):
        draw = _of_plan(kind, system, for_channel, noise_volts)
    elif kind is ChartKind.onset:
        draw = _of_onset(_one(asked), level_plan(played))
    elif kind is ChartKind.bands:
        draw = _of_bands(asked, third)
    elif kind is ChartKind.response:
        draw = _of_response(_one(asked), played.index, played.track)
    elif kind is ChartKind.noise:
        draw = _of_noise(_one(asked))
    elif kind in (ChartKind.job, ChartKind.compare):
        draw = _of_job(kind, job)
    else:
        draw = tone_draws(*fitted(_one(asked)))[0 if kind is ChartKind.waveform else 1]
    made = write_chart(kind.value, [draw], out, Look(size.value, theme.value), overwrite)
    show(made, json_, lambda: f"Wrote {made.file}: {made.title}")


def _of_plan(kind: ChartKind, file: Path | None, name: str | None, noise_volts: float | None) -> Draw:
    """Headroom, levels or power of one channel of a system file."""
    from gainkit.charts import draw_headroom, draw_levels, draw_power
    from gainkit.errors import GainkitError
    from gainkit.job import load_system, plan_system

    if file is None:
        raise GainkitError("system_missing", "system", kind=kind.value)
    system = load_system(file)
    own = system.channels[0] if name is None else system.channel(name)
    each = plan_system(system).channel(own.name)
    if kind is ChartKind.headroom:
        return lambda ax: draw_headroom(ax, each, noise_volts=noise_volts, name=each.name)
    if kind is ChartKind.levels:
        return lambda ax: draw_levels(ax, each, own.channel.crest_factor_db, each.name, each.built_in)
    return lambda ax: draw_power(ax, each)


def _of_onset(question: Question, plan: LevelPlan) -> Draw:
    from gainkit.batch import opened
    from gainkit.charts import draw_onset
    from gainkit.onset import find_onset

    onset = find_onset(opened(question), plan, question.options)
    return lambda ax: draw_onset(ax, onset)


def _of_bands(asked: list[Question], third: bool) -> Draw:
    from gainkit.batch import opened
    from gainkit.charts import draw_bands
    from gainkit.errors import GainkitError
    from gainkit.matching import MatchOptions, match_levels

    if not asked:
        raise GainkitError("captures_missing", "recording")
    first = asked[0].options
    options = MatchOptions(channel=first.channel, minus=first.minus, third_octave=third)
    match = match_levels([opened(question) for question in asked], options)
    return lambda ax: draw_bands(ax, match)


def _of_noise(question: Question) -> Draw:
    from gainkit.batch import opened
    from gainkit.charts import draw_noise
    from gainkit.noise import find_noise

    options = question.options
    noise = find_noise(opened(question), channel=options.channel, minus=options.minus)
    return lambda ax: draw_noise(ax, noise)


def _of_response(question: Question, index: Path | None, track: str | None) -> Draw:
    """What a sweep shows, by the entry of its track in the index."""
    from gainkit.batch import opened
    from gainkit.charts import draw_response
    from gainkit.errors import GainkitError
    from gainkit.response import find_response, from_index

    if index is None:
        raise GainkitError("index_needed", "index")
    options = question.options
    sweep = from_index(index, track)
    response = find_response(opened(question), sweep, channel=options.channel, minus=options.minus)
    return lambda ax: draw_response(ax, response)


def _of_job(kind: ChartKind, folder: Path | None) -> Draw:
    """All outputs of a job beside their targets, or as found against as left."""
    from gainkit.charts import draw_compare, draw_job
    from gainkit.errors import GainkitError
    from gainkit.job.standing import job_status

    if folder is None:
        raise GainkitError("job_missing", "--job", kind=kind.value)
    status = job_status(folder)
    return (lambda ax: draw_job(ax, status)) if kind is ChartKind.job else (lambda ax: draw_compare(ax, status))


def _one(asked: list[Question]) -> Question:
    from gainkit.errors import GainkitError

    if len(asked) != 1:
        raise GainkitError("one_capture", "recording", len(asked))
    return asked[0]
