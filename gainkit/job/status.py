"""How a job stands: every channel's latest readings beside its target, and what is still to be measured."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.job.plan import ChannelPlan, Plan, plan_system
from gainkit.job.readings import Reading, check_job, read_readings
from gainkit.job.system import System, load_system
from gainkit.levels import db_from_ratio

TOLERANCE_DB = 0.5
"""A level within this of its target is on target [dB] (our choice: a gain control is hardly set finer)."""

OTHER_TONE = 0.02
"""A tone this far off the planned one is another [-]."""

MOST_THD_PERCENT = 1.0
"""A tone with more distortion is not on target, whatever its level [%]."""

DC_VOLTS, DC_SHARE = 0.1, 0.02
"""DC above this, and above this share of the tone's volts, does not belong at an output [V], [-] (common
practice, no source)."""

OTHER_VOLUME_DB = 0.1
"""The source's volts moved by more than this are another volume [dB]."""


@dataclass(frozen=True)
class Level:
    """One level reading beside the plan.

    error_db : how far it stands from the target, positive too loud [dB]; None without calibration.
    overdrive_db : beyond the rail [dB], 0 when clean. fault : why the reading does not count, None when it
    does. distortion : what is wrong with the wave besides its level and clipping, None if nothing. met : within
    the tolerance, not clipped, not distorted; None when it cannot be told.
    """

    when: str
    captures: tuple[str, ...]
    rms_volts: float | None
    error_db: float | None
    thd_percent: float | None
    thd_floor_percent: float | None
    state: str | None
    overdrive_db: float | None
    watts: float | None
    fault: str | None
    distortion: str | None
    met: bool | None


@dataclass(frozen=True)
class ChannelStatus:
    """A channel and what is known of it; `found` is its first level reading when there are at least two.

    onset_dbfs, onset_volts : from the latest onset reading; polarity, trim_db : likewise, None when not
    measured. lacks : kinds of reading not there yet, or without an answer.
    """

    name: str
    set_volts: float
    tone_hz: float
    tone_dbfs: float
    found: Level | None
    left: Level | None
    onset_dbfs: float | None
    onset_volts: float | None
    polarity: str | None
    trim_db: float | None
    lacks: tuple[str, ...]
    verdict: str

    @property
    def met(self) -> bool | None:
        """Whether the channel was left on target; None when that is not measured."""
        return None if self.left is None else self.left.met


@dataclass(frozen=True)
class SourceStatus:
    """The source's volume as measured (None: not measured) and as the system file has it."""

    highest_clean_position: str | None
    source_volts: float | None
    planned_position: str | None
    planned_volts: float | None

    @property
    def confirmed(self) -> bool:
        """Whether the position of the plan is the one that was measured."""
        measured, planned = self.highest_clean_position, self.planned_position
        return measured is not None and planned is not None and _same_position(measured, planned)


@dataclass(frozen=True)
class JobStatus:
    """ok : every channel was left on target. problems : of the record itself, for a person."""

    folder: str
    ok: bool
    tolerance_db: float
    source: SourceStatus
    channels: tuple[ChannelStatus, ...]
    problems: tuple[str, ...]


def job_status(folder: Path, tolerance_db: float = TOLERANCE_DB) -> JobStatus:
    """Read a job folder and tell how it stands. Raises GainkitError for a folder that is no job."""
    system, plan, readings, problems = open_job(folder)
    if not 0 < tolerance_db < 20:
        raise GainkitError(f"--tolerance-db is {tolerance_db:g} dB.", "Give more than 0 and less than 20 dB.")
    names = {_key(channel.name) for channel in plan.channels}
    strangers = sorted({r.channel for r in readings if r.channel is not None and _key(r.channel) not in names})
    problems += [f"Readings for a channel {name!r} that the system file does not have." for name in strangers]
    stale = _before_another_volume(readings)
    problems += _source_problems(system, readings) + _one_lead(plan, readings)
    channels = tuple(
        _channel(channel, _of(readings, channel.name), stale, tolerance_db) for channel in plan.channels
    )
    return JobStatus(
        folder=str(folder),
        ok=all(channel.met is True for channel in channels) and not _source_problems(system, readings),
        tolerance_db=tolerance_db,
        source=_source(system, readings),
        channels=channels,
        problems=tuple(problems),
    )


def open_job(folder: Path) -> tuple[System, Plan, list[Reading], list[str]]:
    """System, plan, readings and what could not be read of them. Raises GainkitError when it is no job."""
    check_job(folder)
    system = load_system(folder / "system.toml")
    readings, problems = read_readings(folder)
    return system, plan_system(system), readings, problems


def latest(readings: Sequence[Reading], kind: str) -> Reading | None:
    """The last reading of a kind."""
    return next((reading for reading in reversed(readings) if reading.kind == kind), None)


def _key(name: str) -> str:
    return name.strip().casefold()


def _of(readings: Iterable[Reading], name: str) -> list[Reading]:
    return [r for r in readings if r.channel is not None and _key(r.channel) == _key(name)]


def _source_problems(system: System, readings: list[Reading]) -> list[str]:
    """Where the volume as measured is not the one that the plan says the channels are set at."""
    source = _source(system, readings)
    measured, planned = source.highest_clean_position, source.planned_position
    if measured is None or planned is None or source.confirmed:
        return []
    return [
        f"The highest clean volume position was measured as {measured}; the system file says {planned}. "
        "Correct it ('gainkit volume ... --write'), and set the channels there."
    ]


def _same_position(one: str, other: str) -> bool:
    try:
        return float(one) == float(other)
    except ValueError:
        return _key(one) == _key(other)


def _one_lead(plan: Plan, readings: list[Reading]) -> list[str]:
    """Channels with both leads live whose last level came from one channel of the recorder."""
    problems = []
    for channel in plan.channels:
        level = latest(_of(readings, channel.name), "measure")
        balanced = channel.bridged or channel.built_in
        if balanced and level is not None and "minus" in level.result and level.result["minus"] is None:
            problems.append(
                f"{channel.name}: its level was read on one channel of the recorder. That counts only from a "
                "differential input across both leads; one lead against ground shows half."
            )
    return problems


def _before_another_volume(readings: Sequence[Reading]) -> list[Reading]:
    """Readings that were taken before the source was set to another volume."""
    moved, before = 0, None
    for place, reading in enumerate(readings):
        if reading.kind != "volume":
            continue
        if before is not None and _moved(before.result, reading.result):
            moved = place
        before = reading
    return list(readings[:moved])


def _moved(before: dict[str, Any], after: dict[str, Any]) -> bool:
    volts = [_number(each.get("source_volts")) for each in (before, after)]
    if None not in volts and min(each or 0.0 for each in volts) > 0:
        return abs(db_from_ratio((volts[1] or 0.0) / (volts[0] or 1.0))) > OTHER_VOLUME_DB
    return bool(before.get("highest_clean_position") != after.get("highest_clean_position"))


def _channel(
    plan: ChannelPlan, readings: list[Reading], stale: list[Reading], tolerance_db: float
) -> ChannelStatus:
    levels = [
        _level(r, plan, any(r is each for each in stale), tolerance_db) for r in readings if r.kind == "measure"
    ]
    onset, polarity, match = (latest(readings, kind) for kind in ("onset", "polarity", "match"))
    left = levels[-1] if levels else None
    return ChannelStatus(
        name=plan.name,
        set_volts=plan.set_volts,
        tone_hz=plan.tone_hz,
        tone_dbfs=plan.tone_dbfs,
        found=levels[0] if len(levels) > 1 else None,
        left=left,
        onset_dbfs=None if onset is None else _number(onset.result.get("onset_dbfs")),
        onset_volts=None if onset is None else _number(onset.result.get("onset_volts")),
        polarity=None if polarity is None else str(polarity.result.get("polarity")),
        trim_db=None if match is None else _trim(match.result),
        lacks=tuple(
            word
            for word, answered in (
                ("level", left is not None),
                ("onset", onset is not None and _onset_known(onset.result)),
                ("polarity", polarity is not None and _polarity_known(polarity.result)),
                ("match", match is not None),
            )
            if not answered
        ),
        verdict=_verdict(left, plan),
    )


def _polarity_known(result: dict[str, Any]) -> bool:
    """Whether it was decided, and more than probably."""
    from gainkit.polarity import PROBABLE

    confidence = _number(result.get("confidence"))
    return result.get("polarity") != "undecided" and (confidence is None or confidence >= PROBABLE)


def _onset_known(result: dict[str, Any]) -> bool:
    """Whether an onset was found, or the loudest step was judged and did not clip."""
    listed = result.get("steps")
    steps = [each for each in listed if isinstance(each, dict)] if isinstance(listed, list) else []
    levels = [_number(each.get("level_dbfs")) or 0.0 for each in steps]
    if result.get("onset_dbfs") is not None or not steps:
        return result.get("onset_dbfs") is not None
    return steps[levels.index(max(levels))].get("state") is not None


def _level(reading: Reading, plan: ChannelPlan, stale: bool, tolerance_db: float) -> Level:
    result = reading.result
    clipping = result.get("clipping")
    clipping = clipping if isinstance(clipping, dict) else {}
    volts = _number(result.get("rms_volts"))
    calibrated = result.get("calibrated") is True
    error = db_from_ratio(volts / plan.set_volts) if calibrated and volts is not None and volts > 0 else None
    state = clipping.get("state")
    fault = _fault(result, plan, stale)
    met = None
    if error is not None and fault is None:
        met = abs(error) <= tolerance_db and state != "clipped" and _distortion(result) is None
    return Level(
        when=reading.when,
        captures=reading.captures,
        rms_volts=volts if calibrated else None,
        error_db=error,
        thd_percent=_number(result.get("thd_percent")),
        thd_floor_percent=_number(result.get("thd_floor_percent")),
        state=state if isinstance(state, str) else None,
        overdrive_db=_number(clipping.get("overdrive_db")),
        watts=_number(result.get("watts")),
        fault=fault,
        distortion=_distortion(result),
        met=met,
    )


def stray_dc(dc_volts: float, rms_volts: float) -> bool:
    """Whether there is more DC than belongs at an output."""
    return abs(dc_volts) > max(DC_VOLTS, DC_SHARE * rms_volts)


def _distortion(result: dict[str, Any]) -> str | None:
    """What is wrong with the wave besides clipping: THD over the limit, or DC."""
    thd, dc, volts = (_number(result.get(key)) for key in ("thd_percent", "dc_volts", "rms_volts"))
    if thd is not None and thd >= MOST_THD_PERCENT:
        return f"DISTORTED, THD {thd:.2g} %"
    if dc is not None and result.get("calibrated") is True and stray_dc(dc, volts or 0.0):
        return f"DC OF {dc:+.2g} V"
    return None


def _fault(result: dict[str, Any], plan: ChannelPlan, stale: bool) -> str | None:
    """Why a level reading does not count."""
    heard = _number(result.get("frequency_hz"))
    if result.get("recorder_overload") is True:
        return "last recording overloaded"
    if result.get("steady_tone") is False:
        return "last recording held no steady tone"
    if heard is not None and plan.tone_hz > 0 and abs(heard / plan.tone_hz - 1) > OTHER_TONE:
        return f"last recording was of {heard:.4g} Hz, not of {plan.tone_hz:g} Hz"
    return "taken at another volume of the source" if stale else None


def _verdict(left: Level | None, plan: ChannelPlan) -> str:
    """One line for a person."""
    if left is None:
        return "level not measured"
    if left.fault is not None:
        return f"{left.fault}: measure again"
    if left.error_db is None:
        return "recorded without calibration: volts not known"
    told = f"{left.rms_volts:.2f} V of {plan.set_volts:.2f} V ({left.error_db:+.2f} dB)"
    if left.met:
        return f"on target, {told}"
    if left.state == "clipped":
        return f"CLIPPED by {max(left.overdrive_db or 0.0, 0.0):.2f} dB, {told}"
    if left.distortion is not None:
        return f"{left.distortion}, {told}"
    return f"MISSES ITS TARGET, {told}"


def _trim(result: dict[str, Any]) -> float | None:
    """The trim of a match reading: of its first capture that is not the reference, or 0 for the reference."""
    captures = [each for each in result.get("captures", []) if isinstance(each, dict)]
    others = [each for each in captures if each.get("file") != result.get("reference")]
    chosen = (others or captures)[:1]
    return _number(chosen[0].get("trim_db")) if chosen else None


def _source(system: System, readings: list[Reading]) -> SourceStatus:
    volume = latest(readings, "volume")
    result = {} if volume is None else volume.result
    position, planned = result.get("highest_clean_position"), system.source.clean_position
    return SourceStatus(
        highest_clean_position=None if position is None else str(position),
        source_volts=_number(result.get("source_volts")),
        planned_position=None if planned is None else str(planned),
        planned_volts=system.source.preamp_volts,
    )


def _number(found: Any) -> float | None:
    """A figure of a reading; None for what is not one."""
    return float(found) if isinstance(found, (int, float)) and not isinstance(found, bool) else None
