"""What is known of one amplifier channel, and the volts at which it clips."""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from gainkit.calculator import ranges
from gainkit.calculator.amplifier import (
    Rating,
    bridged_ratings,
    built_in_limit_volts,
    clip_volts_at_load,
    supply_scaled,
)
from gainkit.calculator.ranges import one_of, refuse_faults, within
from gainkit.errors import GainkitError

METER_KINDS = ("true-rms", "average-responding")
"""What a meter makes of a wave that is no sine."""

ROUNDING_DB = 1e-9
"""Levels closer than this are the same [dB]: what adding and subtracting leaves."""


@dataclass(frozen=True)
class MeterLimits:
    """What the meter's page says: accuracy, and the frequencies it is made for (None: not known).

    percent : share of the reading [%]; floor_volts : its fixed part [V]. tone_tolerance_db : how far the tone's
    own level may be off [dB]. Raises GainkitError for what no page says.
    """

    kind: str = one_of(METER_KINDS, default="true-rms")
    percent: float = within(ranges.PERCENT, default=0.0)
    floor_volts: float = within(ranges.METER_FLOOR_VOLTS, default=0.0)
    tone_tolerance_db: float = within(ranges.TONE_TOLERANCE_DB, default=0.0)
    low_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    high_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """Rules between the fields."""
        if self.low_hz is not None and self.high_hz is not None and self.low_hz >= self.high_hz:
            yield GainkitError(
                "wrong_order", "low_hz", self.low_hz, unit="Hz", other="high_hz", most=self.high_hz
            )


@dataclass(frozen=True)
class Channel:
    """What is known of one amplifier channel and of what hangs on it.

    Parameters
    ----------
    ratings : tuple of Rating
        The plate's watts at ohms, each load once; may be empty where measured_clip_volts is given, and for a
        built-in stage.
    load_ohms : float
        Nominal load [ohm].
    speaker_watts : float, optional
        Continuous limit of what hangs on it [W].
    margin_db, overlap_db : float
        Kept in hand below the lower limit, and gain overlap, both 0 to 60 [dB].
    tone_dbfs : float, optional
        Level of the setting tone, at most -overlap_db, which it is when left out [dBFS].
    tone_hz : float, optional
        Its frequency [Hz].
    source_volts : float, optional
        Rms volts for 0 dBFS at the highest clean volume position [V].
    supply_volts, rated_supply_volts : float, optional
        Supply under test and as rated [V].
    regulated : bool
        The rails do not follow the supply.
    min_ohms : float, optional
        Lowest load that one unbridged channel may drive, checked per half when bridged [ohm].
    bridged, per_half : bool
        Two channels drive one load; the ratings are those of one half of such a pair.
    measured_clip_volts : float, optional
        Measured onset of clipping [V rms]; replaces what the plate says.
    built_in : bool
        The radio's own bridge-tied output stage, limited by the supply itself.
    real_load_ohms : float, optional
        Impedance measured at the loudspeaker [ohm].
    highpass_hz, lowpass_hz, crossover_hz : float, optional
        Filters in the amplifier, and the passive crossover behind it [Hz].
    meter : MeterLimits
        The meter that it is set with.
    sensitivity_min_volts, sensitivity_max_volts : float, optional
        The marks at the ends of its gain control [V rms]; for the plan, which tells what it cannot reach.

    Raises
    ------
    GainkitError
        `outside_range` and `missing` for single figures; `wrong_kind`, `same_load_twice`,
        `output_limit_unknown`, `tone_above_overlap`, `wrong_order`, `built_in_is_bridged` and
        `per_half_unbridged` for what does not go together.

    Examples
    --------
    >>> front = Channel((Rating(75, 4),), load_ohms=4, overlap_db=5)
    >>> round(channel_clip_volts(front), 2)
    17.32
    """

    ratings: tuple[Rating, ...]
    load_ohms: float = within(ranges.OHMS)
    speaker_watts: float | None = within(ranges.WATTS, default=None)
    margin_db: float = within(ranges.DB_IN_HAND, default=0.0)
    overlap_db: float = within(ranges.DB_IN_HAND, default=0.0)
    tone_dbfs: float | None = within(ranges.LEVEL_DBFS, default=None)
    tone_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    source_volts: float | None = within(ranges.VOLTS, default=None)
    supply_volts: float | None = within(ranges.SUPPLY_VOLTS, default=None)
    rated_supply_volts: float | None = within(ranges.SUPPLY_VOLTS, default=None)
    regulated: bool = False
    min_ohms: float | None = within(ranges.OHMS, default=None)
    bridged: bool = False
    per_half: bool = False
    measured_clip_volts: float | None = within(ranges.VOLTS, default=None)
    built_in: bool = False
    real_load_ohms: float | None = within(ranges.OHMS, default=None)
    highpass_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    lowpass_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    crossover_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    meter: MeterLimits = field(default_factory=MeterLimits)
    sensitivity_min_volts: float | None = within(ranges.VOLTS, default=None)
    sensitivity_max_volts: float | None = within(ranges.VOLTS, default=None)

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """Rules between the fields, each of them whatever the others say."""
        yield from _rating_faults(self)
        if self.tone_dbfs is not None and self.tone_dbfs > -self.overlap_db + ROUNDING_DB:
            yield GainkitError(
                "tone_above_overlap", "tone_dbfs", self.tone_dbfs,
                overlap_db=self.overlap_db, most_dbfs=-self.overlap_db + 0.0,
            )  # fmt: skip
        if _above(self.highpass_hz, self.lowpass_hz, or_equal=True):
            yield GainkitError(
                "wrong_order",
                "highpass_hz",
                self.highpass_hz,
                unit="Hz",
                other="lowpass_hz",
                most=self.lowpass_hz,
            )
        if _above(self.sensitivity_min_volts, self.sensitivity_max_volts):
            yield GainkitError(
                "wrong_order", "sensitivity_min_volts", self.sensitivity_min_volts,
                unit="V", other="sensitivity_max_volts", most=self.sensitivity_max_volts,
            )  # fmt: skip
        if self.built_in and self.bridged:
            yield GainkitError("built_in_is_bridged", "bridged", True)
        if self.per_half and not self.bridged:
            yield GainkitError("per_half_unbridged", "per_half", True)
        if not isinstance(self.meter, MeterLimits):
            yield GainkitError("wrong_kind", "meter", self.meter, "MeterLimits")


def _above(low: float | None, high: float | None, or_equal: bool = False) -> bool:
    """Whether what should be the lower of two figures is not, both being known."""
    return low is not None and high is not None and (low > high or (or_equal and low == high))


def _rating_faults(channel: Channel) -> Iterator[GainkitError]:
    """What is wrong with the plate, or that there is nothing in its place."""
    ratings = channel.ratings
    if not isinstance(ratings, (tuple, list)) or not all(isinstance(each, Rating) for each in ratings):
        yield GainkitError("wrong_kind", "ratings", ratings, "a tuple of Rating")
        return
    if len({each.ohms for each in ratings}) < len(ratings):
        yield GainkitError("same_load_twice", "ratings", [each.ohms for each in ratings])
    if channel.measured_clip_volts is not None or ratings:
        return
    if not channel.built_in:
        yield GainkitError("output_limit_unknown", "ratings")
    elif channel.supply_volts is None:
        yield GainkitError("missing", "supply_volts", None, ranges.SUPPLY_VOLTS)


METER_FIELDS = {"tone_tolerance_db": "tone_tolerance_db"} | {
    f"meter_{name}": name for name in ("kind", "percent", "floor_volts", "low_hz", "high_hz")
}
"""Names of the meter's figures beside those of a channel, and the fields that they fill."""


def channel_from(figures: Mapping[str, Any]) -> Channel:
    """A channel from figures by their names, as a list of options or a row of a table holds them.

    Parameters
    ----------
    figures : mapping
        Fields of `Channel` by name; what is None counts as left out. `ratings` may hold (watts, ohms) pairs;
        `watts` and `ohms` stand for a single rating. The meter's fields are `meter_kind`, `meter_percent`,
        `meter_floor_volts`, `meter_low_hz`, `meter_high_hz` and `tone_tolerance_db`. A load that is left out is
        that of the only rating, or of both halves where it is per half.

    Raises
    ------
    GainkitError
        As `Channel`, `Rating` and `MeterLimits`, the parameter being the name given here; `unknown_name`,
        `needs_other` and `not_both` for names that do not exist or do not go together.

    Examples
    --------
    >>> channel_from({"watts": 75, "ohms": 4, "meter_percent": 1.0}).load_ohms
    4
    """
    given = {name: value for name, value in figures.items() if value is not None}
    known = [each.name for each in fields(Channel)] + ["watts", "ohms", *METER_FIELDS]
    for name in given:
        if name not in known:
            raise GainkitError("unknown_name", name, given[name], known)
    ratings = _ratings_from(given)
    if not ratings and "measured_clip_volts" not in given and not given.get("built_in"):
        raise GainkitError("output_limit_unknown", "ratings")  # first: without a limit no load helps
    if "load_ohms" not in given and len(ratings) == 1:
        both = given.get("bridged") is True and given.get("per_half") is True
        given["load_ohms"] = ratings[0].ohms * (2 if both else 1)
    of_meter = {name: given.pop(name) for name in METER_FIELDS if name in given}
    if of_meter:
        try:
            given["meter"] = MeterLimits(**{METER_FIELDS[name]: value for name, value in of_meter.items()})
        except GainkitError as fault:
            raise _renamed(fault, {inside: name for name, inside in METER_FIELDS.items()}) from None
    return Channel(**{"ratings": ratings, "load_ohms": None} | given)


def _ratings_from(given: dict[str, Any]) -> tuple[Rating, ...]:
    """The ratings, taken out of figures by name."""
    for one, other in (("watts", "ohms"), ("ohms", "watts")):
        if one in given and other not in given:
            raise GainkitError("needs_other", one, given[one], other=other)
    if "watts" in given:
        if given.get("ratings"):
            raise GainkitError("not_both", "watts", given["watts"], other="ratings")
        given.pop("ratings", None)
        return (Rating(given.pop("watts"), given.pop("ohms")),)
    pairs = given.pop("ratings", ())
    if not isinstance(pairs, (tuple, list)):
        raise GainkitError("wrong_kind", "ratings", pairs, "a tuple of Rating")
    try:
        return tuple(each if isinstance(each, Rating) else Rating(*each) for each in pairs)
    except TypeError:
        raise GainkitError("wrong_kind", "ratings", pairs, "pairs of watts and ohms") from None


def _renamed(fault: GainkitError, names: Mapping[str, str]) -> GainkitError:
    """The same fault of a parameter that has another name here."""
    renamed = copy.copy(fault)
    renamed.parameter = names.get(fault.parameter or "", fault.parameter)
    if "other" in fault.values:
        renamed.values = fault.values | {"other": names.get(fault.values["other"], fault.values["other"])}
    return renamed


def plate_ratings(channel: Channel) -> tuple[Rating, ...]:
    """The channel's ratings as they hold for its own load (a bridged pair's from one half's, if so given)."""
    return bridged_ratings(channel.ratings) if channel.bridged and channel.per_half else channel.ratings


def channel_clip_volts(channel: Channel) -> float:
    """Rms sine volts at the onset of clipping into the load [V]: measured, or from plate and supply.

    A channel that nothing is known of cannot be made, so there always are some.
    """
    if channel.measured_clip_volts is not None:
        return channel.measured_clip_volts
    ceiling = math.inf
    if channel.built_in and channel.supply_volts is not None:
        ceiling = built_in_limit_volts(channel.supply_volts)
    if not channel.ratings:
        return ceiling
    volts = clip_volts_at_load(plate_ratings(channel), channel.load_ohms)
    if follows_supply(channel):
        assert channel.supply_volts is not None
        assert channel.rated_supply_volts is not None
        volts = supply_scaled(volts, channel.supply_volts, channel.rated_supply_volts)
    return min(volts, ceiling)


def follows_supply(channel: Channel) -> bool:
    """True when the plate's volts are to be scaled to the supply under test."""
    known = channel.supply_volts is not None and channel.rated_supply_volts is not None
    return known and not channel.regulated and channel.measured_clip_volts is None
