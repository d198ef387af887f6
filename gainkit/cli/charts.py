"""`gainkit chart`: pictures of a plan or of a capture."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show
from gainkit.cli.measure import Band, Calibration, Channel, FullScale, Interval, LimitThd, Minus, parse_band
from gainkit.cli.onset import Dwell, First, Glide, Index, Last, Step, Track, level_plan

if TYPE_CHECKING:
    from gainkit.analysis import ToneFit, Verdict
    from gainkit.batch import Question
    from gainkit.charts.saving import Draw
    from gainkit.onset import LevelPlan


class Kind(StrEnum):
    """Kinds of chart."""

    headroom = "headroom"
    levels = "levels"
    power = "power"
    waveform = "waveform"
    spectrum = "spectrum"
    onset = "onset"
    bands = "bands"


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


@dataclass(frozen=True)
class ChartMade:
    """What `chart` answers."""

    file: str
    kind: str
    title: str


def register(app: typer.Typer) -> None:
    """Add `chart` to the tree."""
    app.command("chart")(chart)


def chart(
    kind: Annotated[Kind, typer.Argument(help="What to draw.")],
    out: Annotated[Path, typer.Option("--out", help="File to write: .png, .svg or .pdf.")],
    system: Annotated[
        Path | None, typer.Option("--system", help="System file, for headroom, levels and power.")
    ] = None,
    for_channel: Annotated[str | None, typer.Option("--for", help="Its channel [the first].")] = None,
    capture: Annotated[
        list[Path] | None, typer.Option("--capture", help="Recording to draw; several for bands.")
    ] = None,
    noise_volts: Annotated[
        float | None, typer.Option("--noise-volts", help="Noise at the output at this gain, for headroom.")
    ] = None,
    third: Annotated[bool, typer.Option("--third", help="Third-octave bands instead of octaves.")] = False,
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
    size: Size = SizeName.page,
    theme: Theme = ThemeName.light,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Draw headroom, levels or power of a plan; waveform, spectrum, onset or noise bands of a capture."""
    from gainkit.analysis.model import MeasureOptions
    from gainkit.batch import Question

    options = MeasureOptions(
        channel=channel, minus=minus, band_hz=parse_band(band_hz), limit_thd_percent=limit_thd_percent
    )
    asked = [Question(path, options, full_scale_volts, calibration, interval_seconds) for path in capture or ()]
    if kind in (Kind.headroom, Kind.levels, Kind.power):
        draw = _of_plan(kind, system, for_channel, noise_volts)
    elif kind is Kind.onset:
        figures = (from_dbfs, to_dbfs, step_db, dwell_seconds, glide_seconds)
        draw = _of_onset(_one(asked), level_plan(index, track, figures))
    elif kind is Kind.bands:
        draw = _of_bands(asked, third)
    else:
        draw = tone_draws(*fitted(_one(asked)))[0 if kind is Kind.waveform else 1]
    made = write_chart(kind.value, [draw], out, size, theme, overwrite)
    show(made, json_, lambda: f"Wrote {made.file}: {made.title}")


def write_chart(
    kind: str, draws: list[Draw], out: Path, size: str = "page", theme: str = "light", overwrite: bool = False
) -> ChartMade:
    """Draw to a file; what was made."""
    from gainkit.charts import Look, save_chart

    look = Look(size=SizeName(size).value, theme=ThemeName(theme).value)
    return ChartMade(str(out), kind, save_chart(draws, out, look, overwrite=overwrite))


def fitted(question: Question) -> tuple[ToneFit, Verdict, str]:
    """The tone of a capture, the verdict on it, and the unit of its samples."""
    from gainkit.analysis import tone_of
    from gainkit.batch import opened
    from gainkit.errors import GainkitError

    capture = opened(question)
    found = tone_of(capture, question.options)
    if isinstance(found, str):
        raise GainkitError(f"{capture.file}: no steady tone: {found}", "Draw a recording of one steady tone.")
    return *found, "V" if capture.calibrated else "full scale"


def tone_draws(tone: ToneFit, verdict: Verdict, unit: str) -> list[Draw]:
    """Waveform, then spectrum."""
    from gainkit.charts import draw_spectrum, draw_waveform

    return [lambda ax: draw_waveform(ax, tone, verdict, unit=unit), lambda ax: draw_spectrum(ax, tone)]


def _of_plan(kind: Kind, file: Path | None, name: str | None, noise_volts: float | None) -> Draw:
    """Headroom, levels or power of one channel of a system file."""
    from gainkit.charts import draw_headroom, draw_levels, draw_power
    from gainkit.errors import GainkitError
    from gainkit.job import load_system, plan_system

    if file is None:
        raise GainkitError(f"A chart of {kind} needs a system file.", "Give --system SYSTEM.toml.")
    system = load_system(file)
    own = system.channels[0] if name is None else system.channel(name)
    each = plan_system(system).channel(own.name)
    if kind is Kind.headroom:
        return lambda ax: draw_headroom(ax, each, noise_volts=noise_volts, name=each.name)
    if kind is Kind.levels:
        return lambda ax: draw_levels(ax, each, own.crest_factor_db, name=each.name)
    return lambda ax: draw_power(ax, each)


def _of_onset(question: Question, plan: LevelPlan) -> Draw:
    from gainkit.batch import opened
    from gainkit.charts import draw_onset
    from gainkit.onset import onset as find_onset

    found = find_onset(opened(question), plan, question.options)
    return lambda ax: draw_onset(ax, found)


def _of_bands(asked: list[Question], third: bool) -> Draw:
    from gainkit.batch import opened
    from gainkit.charts import draw_bands
    from gainkit.errors import GainkitError
    from gainkit.matching import MatchOptions, match

    if not asked:
        raise GainkitError("A chart of bands needs recordings of noise.", "Give --capture FILE, once for each.")
    first = asked[0].options
    options = MatchOptions(channel=first.channel, minus=first.minus, third_octave=third)
    found = match([opened(question) for question in asked], options)
    return lambda ax: draw_bands(ax, found)


def _one(asked: list[Question]) -> Question:
    from gainkit.errors import GainkitError

    if len(asked) != 1:
        raise GainkitError("This chart is drawn from one recording.", "Give --capture FILE, once.")
    return asked[0]
