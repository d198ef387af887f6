"""The source's own ceiling: the highest volume position whose output is clean, and the volts it gives.

One capture per position, all of the same tone. Positions rise in the order of their numbers, or as given when
one of them is no number.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.analysis.clean import is_clean_tone
from gainkit.analysis.model import Measurement, State
from gainkit.analysis.thresholds import LIMIT_THD_PERCENT
from gainkit.calculator.ranges import PERCENT, Range, refuse_outside
from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, all_within, fault, remark
from gainkit.results import Result
from gainkit.volume.rises import held_from, rises_less, same_recording

Position = str | int | float
"""As the control shows it; whole numbers stay whole when a record is read back."""

FLAT_DB = 0.5
"""A low and a high tone that differ by more show that tone controls are not flat [dB]."""

SAME_TONE = 0.1
"""Tones closer in frequency than this are the same one [-]."""

RAIL_TOLERANCE_DB = 0.02
"""A full-scale sine may reach the rail to within the uncertainty of both [dB]."""

BYTE_ORDER_MARK = "\ufeff"

TONE_DBFS = Range("dBFS", -60, 0, low_allowed=True)
"""A quieter tone says nothing of full scale: noise covers its distortion."""

FALLING_DB = 0.1
"""Output that falls by more from one position to the next was not recorded in that order [dB]."""

DISAGREEMENTS = frozenset(
    {"clean_above_distorted", "output_falls", "different_tones", "position_recorded_twice"}
)
"""Faults with which the answer is not written: the captures contradict each other."""

LARGE_STEP_DB = 3.0
"""A step of more than this onto the first distorted position may hold clean ones between [dB]."""


@dataclass(frozen=True)
class VolumePosition:
    """One position as measured; thd_percent and state None where it could not be judged."""

    position: Position
    rms_volts: float
    thd_percent: float | None
    state: State | None


@dataclass(frozen=True, repr=False)
class VolumeResult(Result):
    """The answer.

    highest_clean_position : the highest one up to which all are clean at 0 dBFS, None when not even the lowest
    is. positions : from low to high. source_volts : rms volts for 0 dBFS at that position [V], None without a
    clean position or without calibration. tone_dbfs : level of the tone that was played [dBFS].
    """

    highest_clean_position: Position | None
    positions: tuple[VolumePosition, ...]
    notes: tuple[Remark, ...]
    source_volts: float | None
    tone_dbfs: float


def find_clean_volume(
    measured: Sequence[tuple[Position, Measurement]],
    *,
    tone_dbfs: float = 0.0,
    limit_thd_percent: float = LIMIT_THD_PERCENT,
    tone_check: tuple[Measurement, Measurement] | None = None,
) -> VolumeResult:
    """Find a source's highest clean volume position, from measurements of one tone at several positions.

    Parameters
    ----------
    measured : (position, measurement) each, in any order if all positions are numbers, else from low to high.
        The same position twice with tones of different frequency is a check of the tone controls.
    tone_dbfs : level of the tone that was played [dBFS], -60 to 0; volts are brought to 0 dBFS from it.
    limit_thd_percent : THD at which a tone is no longer clean [%].
    tone_check : measurements of a low and a high tone of one level, for the tone controls.

    Returns
    -------
    VolumeResult
        highest_clean_position, source_volts [V rms for 0 dBFS], every position from low to high.

    Raises
    ------
    GainkitError
        For no positions (`no_positions`), one given twice with the same tone (`position_twice`), a check of the
        same tone (`tone_check_same`), or figures out of range (`outside_range`).

    Examples
    --------
    A source whose output is held at 7.4 V peak, at three positions:

    >>> import numpy as np
    >>> from gainkit.analysis import measure
    >>> from gainkit.capture import Capture
    >>> from gainkit.volume import find_clean_volume
    >>> sine = np.sin(2 * np.pi * 997 * np.arange(24_000) / 48_000)
    >>> waves = {24: 4.0 * sine, 28: 6.0 * sine, 32: np.clip(8.5 * sine, -7.4, 7.4)}
    >>> measured = [(at, measure(Capture.from_array(wave, 48_000))) for at, wave in waves.items()]
    >>> result = find_clean_volume(measured)
    >>> print(result.highest_clean_position, f"{result.source_volts:.2f} V")
    28 4.24 V
    """
    refuse_outside("tone_dbfs", tone_dbfs, TONE_DBFS)
    refuse_outside("limit_thd_percent", limit_thd_percent, PERCENT)
    rows = _rows(measured, tone_dbfs, limit_thd_percent)
    count = next((number for number, row in enumerate(rows) if not row.good), len(rows))
    best = rows[count - 1] if count else None
    calibrated = all(row.tone.calibrated for row in rows)
    volts = best.tone.tone_volts / ratio_from_db(tone_dbfs) if best is not None and calibrated else None
    notes = [
        *_ceiling_notes(rows, count, tone_dbfs),
        *_rise_notes(rows),
        *_order_notes(rows),
        *_flatness_notes([row.tones for row in rows], tone_check),
        *(note for row in rows for note in _own_notes(row, limit_thd_percent)),
    ]
    if not calibrated:
        notes.append(remark("no_volts_without_calibration"))
    return VolumeResult(
        highest_clean_position=None if best is None else best.position,
        positions=tuple(row.told() for row in rows),
        notes=tuple(notes),
        source_volts=volts,
        tone_dbfs=tone_dbfs,
    )


@dataclass(frozen=True)
class _Row:
    """One position: its tones, whether they are clean, whether a 0 dBFS tone would reach the rail there, and
    whether the level hardly rose any more from the position below."""

    position: Position
    tones: tuple[Measurement, ...]
    clean: bool
    reaches_rail: bool
    held: bool = False

    @property
    def tone(self) -> Measurement:
        """The tone that stands for the position."""
        return self.tones[0]

    @property
    def good(self) -> bool:
        """Clean at 0 dBFS."""
        return self.clean and not self.reaches_rail and not self.held

    def told(self) -> VolumePosition:
        """For the result."""
        thd = None if self.tone.recorder_overload else self.tone.thd_percent
        return VolumePosition(self.position, self.tone.rms_volts, thd, _worst_state(self.tones))


def write_source(path: Path, result: VolumeResult) -> None:
    """Set preamp_volts and clean_position in the [source] table of a system file; all else stays as it is.

    The file is replaced as a whole or not at all; comments are kept. Raises GainkitError when there is nothing
    to write (`no_clean_position`, `source_not_calibrated`), when the captures contradict each other
    (`captures_disagree`) or the file cannot be used (`system_file_missing`,
    `system_file_unusable`).
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    from gainkit.files import write_whole

    if result.highest_clean_position is None:
        raise GainkitError("no_clean_position").within("file", path)
    if result.source_volts is None:
        raise GainkitError("source_not_calibrated").within("file", path)
    if against := [each for each in result.notes if each.code in DISAGREEMENTS]:
        raise GainkitError("captures_disagree", disagreements=against).within("file", path)
    path = path.resolve()
    try:
        raw = path.read_bytes().decode("utf-8")
        text = raw.removeprefix(BYTE_ORDER_MARK)
        windows = 0 < text.count("\n") == text.count("\r\n")  # tomlkit adds lines that end in \n only
        document = tomlkit.parse(text.replace("\r\n", "\n") if windows else text)
        source: Any = document.get("source")
        if source is None:
            document["source"] = source = tomlkit.table()
        source["preamp_volts"] = float(f"{result.source_volts:.4g}")
        source["clean_position"] = result.highest_clean_position
    except FileNotFoundError:
        raise GainkitError("system_file_missing").within("file", path) from None
    except (OSError, UnicodeDecodeError, TOMLKitError, TypeError) as fault:
        raise GainkitError("system_file_unusable", reason=str(fault)).within("file", path) from fault
    changed = tomlkit.dumps(document)
    changed = changed.replace("\n", "\r\n") if windows else changed
    write_whole(path, raw[: len(raw) - len(text)] + changed, overwrite=True)


def _rows(
    measured: Sequence[tuple[Position, Measurement]], tone_dbfs: float, limit_thd_percent: float
) -> list[_Row]:
    """The positions from low to high, each judged."""
    groups = _grouped(measured)
    rail = _lowest_rail([tone for _, tones in groups for tone in tones])
    held = held_from([tones[0].tone_volts for _, tones in groups])
    return [
        _Row(
            position,
            tuple(tones),
            clean=all(is_clean_tone(tone, limit_thd_percent) for tone in tones),
            reaches_rail=_reaches_rail(tones[0], rail, tone_dbfs),
            held=number >= held,
        )
        for number, (position, tones) in enumerate(groups)
    ]


def _grouped(measured: Sequence[tuple[Position, Measurement]]) -> list[tuple[Position, list[Measurement]]]:
    """Measurements by position, from low to high."""
    if not measured:
        raise GainkitError("no_positions", "measured")
    groups: dict[Position, list[Measurement]] = {}
    numbers = [_number(position) for position, _ in measured]
    numeric = all(number is not None for number in numbers)
    for (given, tone), number in zip(measured, numbers, strict=True):
        position: Position = str(given) if not numeric or number is None else number
        tones = groups.setdefault(position, [])
        if any(_same_tone(tone, other) for other in tones):
            raise GainkitError("position_twice", "measured", str(given))
        tones.append(tone)
    order = sorted(groups.items(), key=lambda item: float(item[0])) if numeric else list(groups.items())
    return [(_plain(position), tones) for position, tones in order]


def _number(position: Position) -> float | None:
    try:
        number = float(position)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _plain(position: Position) -> Position:
    """28.0 as 28: positions are counted, mostly."""
    return int(position) if isinstance(position, float) and position.is_integer() else position


def _same_tone(one: Measurement, other: Measurement) -> bool:
    if one.frequency_hz is None or other.frequency_hz is None:
        return True
    return abs(one.frequency_hz / other.frequency_hz - 1) < SAME_TONE


def _worst_state(tones: Sequence[Measurement]) -> State | None:
    """The worst state of one position's tones; None when one could not be judged."""
    states = [tone.clipping.state for tone in tones]
    order: tuple[State, ...] = ("clipped", "at-onset")
    for state in order:
        if state in states:
            return state
    return None if None in states else "clean"


def _lowest_rail(tones: Sequence[Measurement]) -> float | None:
    """The rail that any capture shows, the nearest to zero [V peak]."""
    rails = [
        abs(rail)
        for tone in tones
        if tone.clipping.state in {"clipped", "at-onset"}
        for rail in (tone.clipping.positive_rail_volts, tone.clipping.negative_rail_volts)
        if rail is not None
    ]
    return min(rails) if rails else None


def _reaches_rail(tone: Measurement, rail: float | None, tone_dbfs: float) -> bool:
    """True when a tone of 0 dBFS at that position would pass the rail that a louder position shows."""
    if rail is None:
        return False
    peak = tone.tone_volts * SINE_CREST / ratio_from_db(tone_dbfs)
    return peak > rail * ratio_from_db(RAIL_TOLERANCE_DB)


def _ceiling_notes(rows: Sequence[_Row], count: int, tone_dbfs: float) -> list[Remark]:
    """What the ceiling stands on, and what was not tried; count : good positions from the lowest on."""
    notes = []
    if count == 0:
        notes.append(fault("lowest_not_clean", position=rows[0].position))
    elif count == len(rows):
        notes.append(remark("highest_still_clean", position=rows[-1].position))
        if tone_dbfs < 0:
            notes.append(remark("full_scale_not_tried", tone_dbfs=tone_dbfs, louder_db=-tone_dbfs))
    else:
        lower, higher = rows[count - 1], rows[count]
        rise = db_from_ratio(higher.tone.tone_volts / lower.tone.tone_volts)
        if rise > LARGE_STEP_DB:
            notes.append(
                remark("positions_between", lower=lower.position, higher=higher.position, rise_db=rise)
            )
    later = [row.position for row in rows[count:] if row.good]
    if later:
        notes.append(fault("clean_above_distorted", positions=later))
    would = [row.position for row in rows if row.clean and row.reaches_rail]
    if would:
        notes.append(remark("full_scale_would_clip", positions=would, tone_dbfs=tone_dbfs))
    held = [row.position for row in rows if row.clean and row.held]
    if held:
        notes.append(fault("level_held", positions=held))
    return notes


def _rise_notes(rows: Sequence[_Row]) -> list[Remark]:
    """That a source without distortion rises less than its volume's usual step: finer steps, or compression."""
    good = list(itertools.takewhile(lambda row: row.good, rows))
    numbers = [_number(row.position) for row in good]
    if any(number is None for number in numbers):
        return []
    told = rises_less([number or 0.0 for number in numbers], [row.tone.tone_volts for row in good])
    if told is None:
        return []
    at, usual_db, less_db = told
    return [fault("level_rises_less", lower=good[at - 1].position, usual_db=usual_db, less_db=less_db)]


def _order_notes(rows: Sequence[_Row]) -> list[Remark]:
    """Output that falls, or another tone, from one position to the next."""
    notes = []
    for lower, higher in itertools.pairwise(rows):
        before, after = lower.tone, higher.tone
        between = {"lower": lower.position, "higher": higher.position}
        if same_recording(before, after):
            notes.append(fault("position_recorded_twice", **between))
        if not _same_tone(before, after):
            tones = {"lower_hz": before.frequency_hz, "higher_hz": after.frequency_hz}
            notes.append(fault("different_tones", **between, **tones))
        elif after.rms_volts > 0 and before.rms_volts > after.rms_volts * ratio_from_db(FALLING_DB):
            fall = db_from_ratio(before.rms_volts / after.rms_volts)
            notes.append(fault("output_falls", **between, fall_db=fall))
    return notes


def _flatness_notes(
    groups: Sequence[Sequence[Measurement]], tone_check: tuple[Measurement, Measurement] | None
) -> list[Remark]:
    """Tone controls that are not flat: a low and a high tone of one level that differ."""
    pairs = [(tones[0], other) for tones in groups for other in tones[1:]]
    if tone_check is not None:
        if _same_tone(*tone_check):
            raise GainkitError("tone_check_same", "tone_check")
        pairs.append(tone_check)
    return [_flatness(pair) for pair in pairs]


def _flatness(pair: tuple[Measurement, Measurement]) -> Remark:
    if any(tone.fundamental_volts is None or tone.recorder_overload for tone in pair):
        return fault("tone_controls_not_checked")
    low, high = sorted(pair, key=lambda tone: tone.frequency_hz or 0.0)
    low_over_high = db_from_ratio((low.fundamental_volts or 0.0) / (high.fundamental_volts or 1.0))
    make, code = (
        (fault, "tone_controls_not_flat") if abs(low_over_high) > FLAT_DB else (remark, "tone_controls_flat")
    )
    return make(code, low_hz=low.frequency_hz, high_hz=high.frequency_hz, low_over_high_db=low_over_high)


def _own_notes(row: _Row, limit_thd_percent: float) -> list[Remark]:
    """A capture's own notes where it is not clean for another reason than a rail."""
    tone = row.tone
    if is_clean_tone(tone, limit_thd_percent):
        return all_within([each for each in tone.notes if each.severity != "remark"], "position", row.position)
    if tone.clipping.state in {"at-onset", "clipped"}:
        return []
    return all_within(tone.notes, "position", row.position)
