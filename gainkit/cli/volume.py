"""`gainkit volume`: how far the source may be turned."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
import typer.core

from gainkit.cli.common import JsonFlag, OverwriteFlag, grouped, remark
from gainkit.cli.onset import chart_of, limit_of
from gainkit.cli.options import Band, ChannelOptions, ChartFile, CheckLimit, FileOptions, SystemFile, parse_band
from gainkit.cli.place import NoteOptions, NoteRequest, Noting, place_of, tell
from gainkit.figures import level_unit, plain

if TYPE_CHECKING:
    from gainkit.volume import VolumePosition, VolumeResult


BELOW_ZERO = re.compile(r"-\d+(\.\d*)?=")
LEAST_PERCENT = 0.001
"""Less is of no interest in a source [%]."""


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("volume", cls=Positions)(grouped(volume))


class Positions(typer.core.TyperCommand):
    """A command whose arguments may begin with a minus: '-20=capture.wav' is a position in decibels."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Positions below zero behind all options, where nothing is taken for one any more."""
        before = args[: args.index("--")] if "--" in args else args
        below = [each for each in before if BELOW_ZERO.match(each)]
        if below:
            rest = [each for each in before if each not in below]
            after = args[len(before) + 1 :]
            args = [*rest, "--", *below, *after]
        return super().parse_args(ctx, args)


def volume(
    *,
    captures: Annotated[
        list[str], typer.Argument(metavar="POSITION=CAPTURE...", help="One capture per volume position.")
    ],
    tone_dbfs: Annotated[float, typer.Option(help="Level of the tone that was played.")] = 0.0,
    tone_check: Annotated[
        tuple[Path, Path] | None,
        typer.Option(metavar="LOW HIGH", help="Captures of a low and a high tone of one level."),
    ] = None,
    files: FileOptions,
    channels: ChannelOptions,
    band_hz: Band = "10:20000",
    limit_thd_percent: CheckLimit = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", help="System file in which preamp_volts and clean_position are set."),
    ] = None,
    system: SystemFile = None,
    note: NoteOptions,
    chart: ChartFile = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Find the source's highest clean volume position from one capture per position.

    --write changes the system file that is there: naming it is the permission, --overwrite is not asked.
    """
    from gainkit.analysis import measure
    from gainkit.analysis.model import MeasureOptions
    from gainkit.volume import find_clean_volume, write_source

    place = place_of(NoteRequest("volume", note, None, system, files))
    limit = limit_of(place.system, limit_thd_percent)
    options = MeasureOptions(**vars(channels), band_hz=parse_band(band_hz), limit_thd_percent=limit)
    pairs = [split_pair(text) for text in captures]
    paths = [path for _, path in pairs] + list(tone_check or ())
    tones = [measure(files.open(path, place.calibration), options) for path in paths]
    result = find_clean_volume(
        list(zip([position for position, _ in pairs], tones, strict=False)),
        tone_dbfs=tone_dbfs,
        limit_thd_percent=limit,
        tone_check=None if tone_check is None else (tones[-2], tones[-1]),
    )
    if chart is not None:
        from gainkit.charts import draw_volume

        chart_of("volume", lambda ax: draw_volume(ax, result), chart, overwrite)
    tell(place, result, json_, lambda: volume_text(result, tones[0].calibrated, limit), [Noting(result, paths)])
    if write is not None:
        write_source(write, result)
        remark(f"{write}: source preamp_volts and clean_position are set.")


def split_pair(text: str) -> tuple[str, Path]:
    """POSITION=CAPTURE to both. Raises GainkitError when it is not of that form."""
    from gainkit.errors import GainkitError

    position, equals, path = text.partition("=")
    if not equals or not position.strip() or not path:
        raise GainkitError("not_position_and_capture", "positions", text)
    return position.strip(), Path(path)


def _thd(thd_percent: float | None) -> str:
    if thd_percent is None:
        return "-"
    return plain(thd_percent) if thd_percent >= LEAST_PERCENT else f"< {plain(LEAST_PERCENT)}"


def _state(position: VolumePosition, limit_thd_percent: float) -> str:
    """Clean only where no rail is seen and the distortion is below the limit."""
    if position.state == "clean" and (position.thd_percent or 0.0) >= limit_thd_percent:
        return "distorted"
    return position.state or "not judged"


def volume_text(result: VolumeResult, calibrated: bool, limit_thd_percent: float = math.inf) -> str:
    """The ceiling first, then the positions, then what to know."""
    from gainkit.cli.plain import bullets, columns, sections, wrapped

    unit = level_unit(calibrated)
    best = result.highest_clean_position
    verdict = "NO CLEAN POSITION." if best is None else f"HIGHEST CLEAN POSITION: {best}."
    if result.source_volts is not None:
        verdict += f" The source gives {plain(result.source_volts, 4)} V rms there for 0 dBFS."
        if result.tone_dbfs < 0:
            verdict += f" (Scaled from {result.tone_dbfs:zg} dBFS.)"
    rows = [
        (
            f"  {each.position}",
            plain(each.rms_volts, 4),
            _thd(each.thd_percent),
            _state(each, limit_thd_percent),
        )
        for each in result.positions
    ]
    return sections(
        wrapped(verdict, "", ""),
        columns(("  position", unit, "THD %", "state"), rows),
        bullets("Notes:", result.notes),
    )
