"""`gainkit response`: what a chain did to the sweep: flat, filtered, equalised, how late, how distorted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, grouped, remark
from gainkit.cli.options import BesideOptions, ChannelOptions, ChartFile, FileOptions, Index, Track
from gainkit.cli.place import NoteOptions, NoteRequest, Noting, place_of, tell

if TYPE_CHECKING:
    from gainkit.response import Boost, Filter, Flatness, Response, Sweep


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("response")(grouped(response))


def response(
    *,
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="Recording of a sweep track.")],
    index: Index = None,
    track: Track = None,
    from_hz: Annotated[float | None, typer.Option("--from-hz", help="First frequency of the sweep.")] = None,
    to_hz: Annotated[float | None, typer.Option("--to-hz", help="Last frequency of the sweep.")] = None,
    seconds: Annotated[float | None, typer.Option("--seconds", help="Length of the sweep.")] = None,
    reference: Annotated[
        Path | None, typer.Option("--reference", help="Another recording of the same sweep: the difference.")
    ] = None,
    smooth_octaves: Annotated[
        float,
        typer.Option("--smooth-octaves", help="Width that powers are averaged over.", show_default="1/12"),
    ] = 1 / 12,
    crossover_hz: Annotated[
        float | None, typer.Option("--crossover-hz", help="A tweeter's crossover [the plan's high-pass].")
    ] = None,
    files: FileOptions,
    channels: ChannelOptions,
    beside: BesideOptions,
    note: NoteOptions,
    chart: ChartFile = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Tell what a chain did to the sweep: flat, filtered, equalised, how late, how distorted.

    Start the recorder before the track and stop it after. Filters back on before a tweeter is connected.
    """
    from gainkit.beside import Expected, expected_of, response_beside_plan
    from gainkit.response import find_response

    place = place_of(NoteRequest("response", note, beside.for_output, beside.system, files, own_system=True))
    if index is None and place.index is not None and from_hz is None and to_hz is None and seconds is None:
        index = place.index
        remark(f"Sweep by {index}.")
    expected = Expected() if place.system is None else expected_of(place.system, place.output)
    crossover = crossover_hz or (None if expected.plan is None else expected.plan.highpass_hz)

    result = find_response(
        files.open(capture, place.calibration),
        _sweep(index, track, (from_hz, to_hz, seconds)),
        reference=None if reference is None else files.open(reference, place.calibration),
        smooth_octaves=smooth_octaves,
        **vars(channels),
        crossover_hz=crossover,
    )
    result = response_beside_plan(result, expected)
    if chart is not None:
        from gainkit.charts import draw_response
        from gainkit.cli.onset import chart_of

        chart_of("response", lambda ax: draw_response(ax, result), chart, overwrite)
    tell(place, result, json_, lambda: as_text(result), [Noting(result, [capture])])


def _sweep(
    index: Path | None, track: str | None, figures: tuple[float | None, float | None, float | None]
) -> Sweep:
    """What was played: from the index, or from its figures."""
    from gainkit.errors import GainkitError
    from gainkit.response import from_figures, from_index

    first, last, seconds = figures
    if index is not None:
        for name, figure in zip(("from_hz", "to_hz", "seconds"), figures, strict=True):
            if figure is not None:
                raise GainkitError("not_both", name, figure, other="index")
        return from_index(index, track)
    if track is not None:
        raise GainkitError("track_without_index", "track", track)
    if first is None or last is None or seconds is None:
        raise GainkitError("sweep_not_named", "index")
    return from_figures(first, last, seconds)


def as_text(result: Response) -> str:
    """Danger first, then the verdict and what it rests on."""
    from gainkit.cli.plain import said, sections, wrapped

    dangers = [each for each in result.notes if each.severity == "danger"]
    others = [each for each in result.notes if each.severity != "danger"]
    verdict = (result.verdict or "not found").upper()
    return sections(
        *(wrapped(each, "", "") for each in said(dangers)),
        f"{result.file}: {verdict}.",
        "\n".join(_figures(result)),
        *(wrapped(each, "  - ", "    ") for each in said(others)),
        *([f"Right side\n{as_text(result.right)}"] if result.right is not None else []),
    )


def _figures(result: Response) -> list[str]:
    """One line for each thing that was found."""
    from gainkit.figures import plain

    lines = []
    if result.band_hz is not None:
        low, high = result.band_hz
        lines.append(f"  Heard       {plain(low)} Hz to {plain(high)} Hz, 10 dB or more over the noise")
    if result.flat is not None:
        flat = result.flat
        lines.append(f"  Flat        {plain(flat.low_hz)} Hz to {plain(flat.high_hz)} Hz, {_span(flat)} dB")
    lines += [_filter("High-pass", result.highpass)] if result.highpass is not None else []
    lines += [_filter("Low-pass", result.lowpass)] if result.lowpass is not None else []
    lines += [_boost(each) for each in result.boosts]
    lines += [
        f"  Bend        {each.level_db:+z.1f} dB at {plain(each.frequency_hz)} Hz, re the passband"
        for each in result.bends
    ]
    if result.delay_seconds is not None:
        lines.append(
            f"  Delay       {1000 * result.delay_seconds:z.3f} ms, "
            f"{34_320 * result.delay_seconds:z.1f} cm of air"
        )
    if result.right_later_seconds is not None and result.right_farther_cm is not None:
        lines.append(
            f"  Right       {1000 * result.right_later_seconds:+z.3f} ms after left, "
            f"{result.right_farther_cm:+z.1f} cm: delay the nearer one by so much"
        )
    return lines


def _span(flat: Flatness) -> str:
    from gainkit.figures import LEAST_DB, decibel_span

    if max(flat.plus_db, -flat.minus_db) < LEAST_DB:
        return f"within {LEAST_DB}"
    return decibel_span(flat.plus_db, flat.minus_db, "and", 2)


def _filter(name: str, fitted: Filter) -> str:
    from gainkit.figures import plain

    return (
        f"  {name:<11} {plain(fitted.corner_hz, 4)} Hz, {fitted.family}, order {fitted.order} "
        f"({6 * fitted.order} dB per octave), misfit {fitted.misfit_db:z.2f} dB"
    )


def _boost(boost: Boost) -> str:
    from gainkit.figures import plain

    kind = {"peak": "Band", "low-shelf": "Low shelf", "high-shelf": "High shelf"}[boost.kind]
    place = f"{plain(boost.centre_hz)} Hz, {boost.width_octaves:.1f} octaves wide"
    return f"  {kind:<11} {boost.gain_db:+z.1f} dB at {place}"
