"""A job's status, plan and readings as one HTML page: nothing fetched, every text escaped, pictures inside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gainkit.charts import Look, chart_svg, draw_headroom, draw_onset
from gainkit.errors import GainkitError
from gainkit.files import refuse_existing, write_whole
from gainkit.job.plan import Plan
from gainkit.job.readings import Reading
from gainkit.job.status import TOLERANCE_DB, ChannelStatus, JobStatus, Level, job_status, open_job
from gainkit.onset.find import OnsetResult, StepResult

if TYPE_CHECKING:
    from jinja2 import Environment

    from gainkit.charts.saving import Draw

LONGEST_TEXT = 160
"""Texts of the system file are cut after so many signs on the page."""

LEAST_PERCENT = 0.01
"""Distortion below this is of no interest on the page [%]."""

ROUNDED = 0.005
"""Volts that differ by less than this are the same, rounded [-]."""

TEMPLATES = Path(__file__).parent


@dataclass(frozen=True)
class SheetMade:
    """What was written. verdict : one line for a person. ok : every channel was left on target."""

    file: str
    ok: bool
    verdict: str
    problems: tuple[str, ...]


@dataclass(frozen=True)
class Picture:
    """An inline SVG element, made by our own charts."""

    svg: str
    caption: str


def write_sheet(
    folder: Path, out: Path, *, tolerance_db: float = TOLERANCE_DB, overwrite: bool = False
) -> SheetMade:
    """Write the as-left page of a job folder.

    tolerance_db : a level within this of its target is on target. Raises GainkitError for a folder that is no
    job, a file that is there, and a name that is not .html.
    """
    if out.suffix.lower() not in (".html", ".htm"):
        raise GainkitError(f"{out} does not end in .html.", "Name the page's file with it.")
    refuse_existing(out, overwrite)
    status = job_status(folder, tolerance_db)
    write_whole(out, page(folder, status), overwrite=overwrite)
    return SheetMade(str(out), status.ok, verdict(status), status.problems)


def verdict(status: JobStatus) -> str:
    """The page's first line."""
    done = sum(channel.met is True for channel in status.channels)
    missed = sum(channel.met is False for channel in status.channels)
    unknown = len(status.channels) - done - missed
    if status.ok:
        return f"all {done} channels are on target"
    parts = [f"{done} of {len(status.channels)} channels on target"]
    parts += [f"{missed} not"] if missed else []
    parts += [f"{unknown} not measured"] if unknown else []
    return ", ".join(parts)


def page(folder: Path, status: JobStatus) -> str:
    """The HTML text."""
    system, plan, readings, _ = open_job(folder)
    rows = [
        {
            "status": channel,
            "plan": plan.channel(channel.name),
            "lacks": lacking(channel),
            "counts": channel.left is not None and channel.left.fault is None,
        }
        for channel in status.channels
    ]
    cautions: dict[str, list[str]] = {}
    for channel in plan.channels:
        for caution in map(str, channel.cautions):
            cautions.setdefault(caution, []).append(cut(channel.name))
    return str(
        _environment()
        .get_template("page.html.j2")
        .render(
            job=system.job,
            source=system.source,
            supply=system.supply,
            status=status,
            same_source=_same(system.source.preamp_volts, status.source.source_volts),
            verdict=verdict(status),
            rows=rows,
            pictures=pictures(plan, readings),
            cautions=list(cautions.items()),
        )
    )


def _same(planned_volts: float | None, measured_volts: float | None) -> bool:
    """Whether the plan's volts are the measured ones, rounded."""
    if planned_volts is None or measured_volts is None:
        return False
    return abs(planned_volts - measured_volts) < ROUNDED * measured_volts


def lacking(channel: ChannelStatus) -> str:
    """What was not measured, in words."""
    words = {"level": "level", "onset": "onset of clipping", "polarity": "polarity", "match": "match"}
    return ", ".join(words[kind] for kind in channel.lacks)


def pictures(plan: Plan, readings: list[Reading]) -> list[Picture]:
    """Headroom of the first channel that has a gain, and the first onset that was measured."""
    made = []
    look = Look(size="page")
    channel = next((each for each in plan.channels if each.gain_db is not None and not each.built_in), None)
    if channel is not None:
        draw: Draw = lambda ax: draw_headroom(ax, channel, name="setting")  # noqa: E731
        caption = f"{cut(channel.name)}: headroom against gain."
        made.append(Picture(chart_svg(draw, look, name="headroom"), caption))
    for reading in readings:
        found = onset_of(reading)
        if found is not None:
            caption = f"{cut(reading.channel or 'Channel')}: distortion against level."
            made.append(Picture(chart_svg(lambda ax: draw_onset(ax, found), look, name="onset"), caption))  # noqa: B023
            break
    return made


def onset_of(reading: Reading) -> OnsetResult | None:
    """An onset reading as the result it was; None for another kind, and for one that holds no steps."""
    if reading.kind != "onset":
        return None
    try:
        found = reading.result | {
            "steps": tuple(StepResult(**step) for step in reading.result["steps"]),
            "notes": tuple(reading.result["notes"]),
        }
        result = OnsetResult(**found)
    except (TypeError, KeyError):
        return None
    return result if any(step.thd_percent is not None for step in result.steps) else None


def cut(text: Any) -> str:
    """A text of the user's, without control signs, and not longer than the page bears."""
    clean = "".join(sign if sign.isprintable() else " " for sign in str(text))
    return clean if len(clean) <= LONGEST_TEXT else clean[: LONGEST_TEXT - 1] + "\u2026"


def figure(digits: int, unit: str, sign: bool = False) -> Callable[[float | None], str]:
    """A filter that prints a number with its unit, and a dash for None."""

    def printed(number: float | None) -> str:
        if number is None:
            return "\u2013"
        return f"{number:{'+' if sign else ''}.{digits}f}\u00a0{unit}"

    return printed


def distortion(level: Level | None) -> str:
    """THD, or that it lies below what the recording resolves."""
    if level is None or level.thd_percent is None:
        return "\u2013"
    floor = max(1.5 * (level.thd_floor_percent or 0.0), LEAST_PERCENT)
    return f"<\u00a0{floor:.2g}\u00a0%" if level.thd_percent < floor else f"{level.thd_percent:.2g}\u00a0%"


def met_word(met: bool | None) -> str:
    return {True: "met", False: "NOT met", None: "not measured"}[met]


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {
        "volts": figure(2, "V"), "db": figure(1, "dB", sign=True), "db2": figure(2, "dB", sign=True),
        "dbfs": figure(2, "dBFS"), "hz": figure(0, "Hz"), "watts": figure(0, "W"), "distortion": distortion,
        "met": met_word, "cut": cut,
    }  # fmt: skip
    return environment
