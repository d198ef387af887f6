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
from typing import TYPE_CHECKING, Any

from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    from gainkit.analysis.model import Measurement, State

Position = str | float

FLAT_DB = 0.5
"""A low and a high tone that differ by more show that tone controls are not flat [dB]."""

SAME_TONE = 0.1
"""Tones closer in frequency than this are the same one [-]."""

RAIL_TOLERANCE_DB = 0.02
"""A full-scale sine may reach the rail to within the uncertainty of both [dB]."""

BYTE_ORDER_MARK = "\ufeff"

FALLING_DB = 0.1
LARGE_STEP_DB = 3.0


@dataclass(frozen=True)
class VolumePosition:
    """One position as measured; thd_percent and state None where it could not be judged."""

    position: Position
    rms_volts: float
    thd_percent: float | None
    state: State | None


@dataclass(frozen=True)
class VolumeResult:
    """The answer.

    highest_clean_position : the highest one up to which all are clean at 0 dBFS, None when not even the lowest
    is. positions : from low to high. source_volts : rms volts for 0 dBFS at that position [V], None without a
    clean position or without calibration. tone_dbfs : level of the tone that was played [dBFS].
    """

    highest_clean_position: Position | None
    positions: tuple[VolumePosition, ...]
    notes: tuple[str, ...]
    source_volts: float | None
    tone_dbfs: float


def volume(
    measured: Sequence[tuple[str, Measurement]],
    *,
    tone_dbfs: float = 0.0,
    limit_thd_percent: float = 1.0,
    tone_check: tuple[Measurement, Measurement] | None = None,
) -> VolumeResult:
    """Judge a source by captures of one tone at several volume positions.

    measured : (position as text, measurement). The same position twice with tones of different frequency is
    a check of the tone controls; so is tone_check, a low and a high tone of the same level. tone_dbfs : level
    of the tone [dBFS]; volts are brought to 0 dBFS from it. Raises GainkitError for what cannot be compared.
    """
    if not -60 <= tone_dbfs <= 0:
        raise GainkitError(f"--tone-dbfs is {tone_dbfs:g} dBFS.", "Give the tone's level, from -60 to 0 dBFS.")
    groups = _grouped(measured)
    rows = [(position, tones[0]) for position, tones in groups]
    clean = [all(_is_clean(tone, limit_thd_percent) for tone in tones) for _, tones in groups]
    rail = _lowest_rail([tone for _, tones in groups for tone in tones])
    reached = [_reaches_rail(tone, rail, tone_dbfs) for _, tone in rows]
    good = [is_clean and not reaches for is_clean, reaches in zip(clean, reached, strict=True)]
    count = good.index(False) if False in good else len(good)
    best = rows[count - 1] if count else None
    calibrated = all(tone.calibrated for _, tone in rows)
    volts = best[1].rms_volts / ratio_from_db(tone_dbfs) if best is not None and calibrated else None
    notes = [
        *_ceiling_notes(rows, good, clean, count, tone_dbfs),
        *_order_notes(rows),
        *_flatness_notes([tones for _, tones in groups], tone_check),
        *(
            f"Position {position}: {note}"
            for position, tone in rows
            for note in _own_notes(tone, limit_thd_percent)
        ),
    ]
    if not calibrated:
        notes.append("Without calibration there are no volts for the system file: give --full-scale-volts.")
    return VolumeResult(
        highest_clean_position=None if best is None else best[0],
        positions=tuple(
            VolumePosition(
                position,
                tones[0].rms_volts,
                None if tones[0].recorder_overload else tones[0].thd_percent,
                _worst_state(tones),
            )
            for position, tones in groups
        ),
        notes=tuple(notes),
        source_volts=volts,
        tone_dbfs=tone_dbfs,
    )


def split_pair(text: str) -> tuple[str, Path]:
    """POSITION=CAPTURE to both. Raises GainkitError when it is not of that form."""
    position, equals, path = text.partition("=")
    if not equals or not position.strip() or not path:
        raise GainkitError(
            f"'{text}' is not POSITION=CAPTURE.", "Write the volume position, =, and its capture: 28=pos28.wav."
        )
    return position.strip(), Path(path)


def write_source(path: Path, result: VolumeResult) -> None:
    """Set preamp_volts and clean_position in the [source] table of a system file; all else stays as it is.

    The file is replaced as a whole or not at all; comments are kept. Raises GainkitError when there is nothing
    to write or the file cannot be used.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    from gainkit.files import write_whole

    if result.highest_clean_position is None or result.source_volts is None:
        why = "no position is clean" if result.highest_clean_position is None else "nothing is calibrated"
        raise GainkitError(f"{path} was not written: {why}.", "Mend that first, then run the command again.")
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
        raise GainkitError(f"{path} is not there.", "`gainkit job new DIR` writes a system file.") from None
    except (OSError, UnicodeDecodeError, TOMLKitError, TypeError) as fault:
        raise GainkitError(
            f"{path} cannot be used as a system file: {fault}.", "`gainkit plan` on it tells what is wrong."
        ) from fault
    changed = tomlkit.dumps(document)
    changed = changed.replace("\n", "\r\n") if windows else changed
    write_whole(path, raw[: len(raw) - len(text)] + changed, overwrite=True)


def _grouped(measured: Sequence[tuple[str, Measurement]]) -> list[tuple[Position, list[Measurement]]]:
    """Measurements by position, from low to high."""
    if not measured:
        raise GainkitError("No position was given.", "Give POSITION=CAPTURE for each volume position.")
    groups: dict[Position, list[Measurement]] = {}
    numbers = [_number(text) for text, _ in measured]
    numeric = all(number is not None for number in numbers)
    for (text, tone), number in zip(measured, numbers, strict=True):
        position: Position = text if not numeric or number is None else number
        tones = groups.setdefault(position, [])
        if any(_same_tone(tone, other) for other in tones):
            raise GainkitError(
                f"Position {text} is given twice with the same tone.",
                "Give each position once; a second capture of it only with a tone of another frequency.",
            )
        tones.append(tone)
    order = sorted(groups.items(), key=lambda item: float(item[0])) if numeric else list(groups.items())
    return [(_plain(position), tones) for position, tones in order]


def _number(text: str) -> float | None:
    try:
        number = float(text)
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


def _is_clean(tone: Measurement, limit_thd_percent: float) -> bool:
    return (
        tone.steady_tone
        and not tone.recorder_overload
        and tone.clipping.state == "clean"
        and tone.thd_percent is not None
        and tone.thd_percent < limit_thd_percent
    )


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
    peak = tone.rms_volts * SINE_CREST / ratio_from_db(tone_dbfs)
    return peak > rail * ratio_from_db(RAIL_TOLERANCE_DB)


def _ceiling_notes(
    rows: Sequence[tuple[Position, Measurement]],
    good: Sequence[bool],
    clean: Sequence[bool],
    count: int,
    tone_dbfs: float,
) -> list[str]:
    """What the ceiling stands on, and what was not tried."""
    notes = []
    positions = [position for position, _ in rows]
    if count == 0:
        notes.append(
            f"Not even the lowest position ({positions[0]}) is clean: try lower, or look for another cause."
        )
    elif count == len(rows):
        notes.append(
            f"The highest position tried ({positions[-1]}) is still clean. If the control goes on, try higher."
        )
        if tone_dbfs < 0:
            notes.append(
                f"The tone was {tone_dbfs:g} dBFS and no rail was reached: a full-scale recording is "
                f"{-tone_dbfs:g} dB louder and may clip. Play a 0 dBFS tone to be sure."
            )
    else:
        step = db_from_ratio(rows[count][1].rms_volts / rows[count - 1][1].rms_volts)
        if step > LARGE_STEP_DB:
            notes.append(
                f"From {positions[count - 1]} to {positions[count]} the output rises by {step:.1f} dB: "
                "positions between them may be clean too."
            )
    later = [position for position, is_clean in zip(positions[count:], good[count:], strict=True) if is_clean]
    if later:
        notes.append(
            f"Position {', '.join(map(str, later))} is clean above one that is not: the captures do not agree. "
            "Record them again; the lower ceiling is given."
        )
    held = [p for p, is_clean, ok in zip(positions, clean, good, strict=True) if is_clean and not ok]
    if held:
        notes.append(
            f"Position {', '.join(map(str, held))} is clean with this {tone_dbfs:g} dBFS tone, but a "
            "full-scale recording would pass the rail that a higher position shows."
        )
    return notes


def _order_notes(rows: Sequence[tuple[Position, Measurement]]) -> list[str]:
    """Output that falls, or another tone, from one position to the next."""
    notes = []
    for (lower, before), (higher, after) in itertools.pairwise(rows):
        if not _same_tone(before, after):
            notes.append(
                f"Positions {lower} and {higher} were recorded with different tones: "
                f"{before.frequency_hz:.4g} Hz and {after.frequency_hz:.4g} Hz."
            )
        elif after.rms_volts > 0 and before.rms_volts > after.rms_volts * ratio_from_db(FALLING_DB):
            fall = db_from_ratio(before.rms_volts / after.rms_volts)
            notes.append(
                f"From {lower} to {higher} the output falls by {fall:.1f} dB: check which capture is which."
            )
    return notes


def _flatness_notes(
    groups: Sequence[Sequence[Measurement]], tone_check: tuple[Measurement, Measurement] | None
) -> list[str]:
    """Tone controls that are not flat: a low and a high tone of one level that differ."""
    pairs = [(tones[0], other) for tones in groups for other in tones[1:]]
    if tone_check is not None:
        if _same_tone(*tone_check):
            raise GainkitError(
                "--tone-check was given two captures of the same tone.",
                "Give one of a low and one of a high tone of the same level, 50 Hz and 997 Hz for example.",
            )
        pairs.append(tone_check)
    notes = []
    for pair in pairs:
        if any(tone.fundamental_volts is None or tone.recorder_overload for tone in pair):
            notes.append("The tone controls could not be checked: one of the two captures has no usable tone.")
            continue
        low, high = sorted(pair, key=lambda tone: tone.frequency_hz or 0.0)
        more = db_from_ratio((low.fundamental_volts or 0.0) / (high.fundamental_volts or 1.0))
        if abs(more) > FLAT_DB:
            louder, softer = (low, high) if more > 0 else (high, low)
            notes.append(
                f"Tone controls are not flat: {louder.frequency_hz:.4g} Hz is {abs(more):.1f} dB louder than "
                f"{softer.frequency_hz:.4g} Hz. Set bass, treble, loudness and equaliser flat and start again."
            )
        else:
            notes.append(
                f"Tone controls are flat: {low.frequency_hz:.4g} Hz and {high.frequency_hz:.4g} Hz differ by "
                f"{abs(more):.2f} dB."
            )
    return notes


def _own_notes(tone: Measurement, limit_thd_percent: float) -> tuple[str, ...]:
    """A capture's own notes where it is not clean for another reason than a rail."""
    if tone.clipping.state not in {"at-onset", "clipped"} and not _is_clean(tone, limit_thd_percent):
        return tuple(str(note) for note in tone.notes)
    return ()
