"""Options that mean the same in every command."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from gainkit.beside import Expected
    from gainkit.capture import Capture


class SupplyState(StrEnum):
    """What was running when the supply was measured."""

    resting = "resting"
    idling = "idling"
    loaded = "loaded"


CaptureFiles = Annotated[
    list[Path],
    typer.Argument(metavar="CAPTURE...", help="Audio file or oscilloscope text; a folder: all in it."),
]
FullScale = Annotated[
    float | None, typer.Option("--full-scale-volts", help="Peak volts that digital 1.0 stands for.")
]
Calibration = Annotated[Path | None, typer.Option("--calibration", help="File written by `gainkit calibrate`.")]
Interval = Annotated[
    float | None, typer.Option("--interval-seconds", help="Sample interval of a text without a time column.")
]
Channel = Annotated[int, typer.Option("--channel", min=1, help="Channel to measure, counted from 1.")]
ChannelIfNamed = Annotated[
    int | None, typer.Option("--channel", min=1, help="Channel to measure, counted from 1 [1].")
]
Minus = Annotated[int | None, typer.Option("--minus", min=1, help="Subtract this channel (bridged outputs).")]
Start = Annotated[float | None, typer.Option("--start", help="Begin here [s].")]
Stop = Annotated[float | None, typer.Option("--stop", help="End here [s].")]
Band = Annotated[str, typer.Option("--band-hz", help="Band of noise and harmonics, LOW:HIGH.")]
CheckLimit = Annotated[
    float | None,
    typer.Option("--limit-thd-percent", help="THD at which a tone is not clean [the system file's, or 1]."),
]
SystemFile = Annotated[
    Path | None, typer.Option("--system", help="System file whose limits count [the job's].")
]
Index = Annotated[Path | None, typer.Option("--index", help="index.json beside the track played.")]
Track = Annotated[str | None, typer.Option("--track", help="File name of the track in the index.")]
First = Annotated[float | None, typer.Option("--from-dbfs", help="First level of the track [-20].")]
Last = Annotated[float | None, typer.Option("--to-dbfs", help="Last level of the track [0].")]
Step = Annotated[float | None, typer.Option("--step-db", help="Step of a staircase [1].")]
Dwell = Annotated[float | None, typer.Option("--dwell-seconds", help="Length of a step [1].")]
Glide = Annotated[float | None, typer.Option("--glide-seconds", help="The track is a glide of this length.")]
ForChannel = Annotated[str | None, typer.Option("--for", help="Output of the system file or job: Front/left.")]
ChartFile = Annotated[Path | None, typer.Option("--chart", help="Chart to draw of it: .png, .svg or .pdf.")]


@dataclass(frozen=True)
class ScaleOptions:
    """What a recorder's digital 1.0 stands for."""

    full_scale_volts: FullScale = None
    calibration: Calibration = None

    def open(self, path: Path, calibration: Path | None) -> Capture:
        """The capture in a file, by the calibration that counts: the one given, or that of the job."""
        from gainkit.capture import read_capture

        return read_capture(
            path, full_scale_volts=self.full_scale_volts, calibration=calibration, **self.of_text()
        )

    def of_text(self) -> dict[str, float | None]:
        """What is told of a text besides."""
        return {}


@dataclass(frozen=True)
class FileOptions(ScaleOptions):
    """The same, and how a text of samples is read."""

    interval_seconds: Interval = None

    def of_text(self) -> dict[str, float | None]:
        """The sample interval of a text without a time column."""
        return {"interval_seconds": self.interval_seconds}


@dataclass(frozen=True)
class ChannelOptions:
    """Which channel of a recording."""

    channel: Channel = 1
    minus: Minus = None


@dataclass(frozen=True)
class ChannelIfNamedOptions:
    """The same, where it matters whether somebody said which."""

    channel: ChannelIfNamed = None
    minus: Minus = None


@dataclass(frozen=True)
class LevelOptions:
    """Which staircase or glide was played."""

    index: Index = None
    track: Track = None
    from_dbfs: First = None
    to_dbfs: Last = None
    step_db: Step = None
    dwell_seconds: Dwell = None
    glide_seconds: Glide = None

    @property
    def figures(self) -> dict[str, float]:
        """Those of its figures that are given, by name."""
        names = ("from_dbfs", "to_dbfs", "step_db", "dwell_seconds", "glide_seconds")
        return {name: getattr(self, name) for name in names if getattr(self, name) is not None}


@dataclass(frozen=True)
class OutputOptions:
    """What a tone is measured beside, where it is typed."""

    load_ohms: Annotated[float | None, typer.Option("--load-ohms", help="Load on the output, for watts.")] = (
        None
    )
    target_volts: Annotated[
        float | None, typer.Option("--target-volts", help="Volts the output should read.")
    ] = None

    def beside(self, expected: Expected) -> dict[str, Any]:
        """The load, and the volts that should be read: those typed, or those of the plan."""
        planned = None if expected.plan is None else expected.plan.set_volts
        return {
            "load_ohms": self.load_ohms,
            "target_volts": planned if self.target_volts is None else self.target_volts,
        }


@dataclass(frozen=True)
class BesideOptions:
    """The output that a recording is of, and the car it is in."""

    system: Annotated[
        Path | None, typer.Option("--system", help="System file that holds the plan [the job's].")
    ] = None
    for_output: ForChannel = None


def parse_band(text: str) -> tuple[float, float]:
    """LOW:HIGH in Hz to two figures."""
    from gainkit.errors import GainkitError
    from gainkit.figures_typed import parse_figure

    try:
        low, high = (parse_figure(part, "Hz") for part in text.split(":"))
    except ValueError:
        raise GainkitError("not_a_band", "band_hz", text, "LOW:HIGH in Hz") from None
    return low, high
