"""What is known of one amplifier channel, and the volts at which it clips."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

from gainkit.calculator import ranges, tones
from gainkit.calculator.amplifier import (
    CLEAN_THD_PERCENT,
    Rating,
    bridged_ratings,
    built_in_limit_volts,
    clean_ratings,
    clip_volts_at_load,
    safe_clip_volts,
    supply_scaled,
)
from gainkit.calculator.feeds import USUAL_EFFICIENCY
from gainkit.calculator.meters import MeterLimits
from gainkit.calculator.ranges import one_of, refuse_faults, within
from gainkit.errors import GainkitError

RATING_KINDS = ("continuous", "peak")
"""What a plate's watts may mean: only the first says what a channel holds."""

OVERLAP_LIMITS = ("both", "amplifier")
"""What the overlap may run past: amplifier's and loudspeaker's limits, or the amplifier's alone."""

SUPPLY_STATES = ("resting", "idling", "loaded")
"""What was running when the supply was measured: nothing; engine or charger; those and the amplifiers."""

ROUNDING_DB = 1e-9
"""Levels closer than this are the same [dB]: what adding and subtracting leaves."""


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
        Level of the setting tone, at most -overlap_db, which it is when left out (less for a tweeter) [dBFS].
    tone_hz : float, optional
        Its frequency [Hz]; when left out the one that suits filters, crossover and meter.
    source_volts : float, optional
        Rms volts for 0 dBFS at the highest clean volume position [V].
    supply_volts, rated_supply_volts : float, optional
        Supply under test, at the amplifier, and as rated [V].
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
    rated_thd_percent : float
        Distortion that the ratings hold for [%]; above 1 % they are brought down to the onset of clipping.
    rated_kind : str
        "continuous"; "peak" figures are refused, for they are no power that an amplifier holds.
    fuse_amperes, fuse_outputs, efficiency : float, int and float
        The amplifier's own fuses [A], how many outputs like this one they feed, and output over input [-].
    drop_volts : float, optional
        What a built-in stage keeps of its supply [V].
    overlap_limit : str
        "both": the overlap runs past the amplifier's and the loudspeaker's limit; "amplifier": a full-scale
        sine stays within the loudspeaker's.
    crest_factor_db : float, optional
        Peak over rms of the programme [dB].
    supply_state : str, optional
        What was running when the supply was measured: "resting", "idling" or "loaded".
    supply_tolerance_volts, load_tolerance_percent : float
        How far the supply [V] and the load [%] may be off: parts of the uncertainty.

    Raises
    ------
    GainkitError
        `outside_range` and `missing` for single figures; `wrong_kind`, `same_load_twice`,
        `output_limit_unknown`, `tone_above_overlap`, `wrong_order`, `built_in_is_bridged`,
        `per_half_unbridged`, `peak_rating`, `only_built_in`, `needs_speaker_watts` and `no_tone_fits` for what
        does not go together.

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
    rated_thd_percent: float = within(ranges.RATED_THD_PERCENT, default=CLEAN_THD_PERCENT)
    rated_kind: str = one_of(RATING_KINDS, default="continuous")
    fuse_amperes: float | None = within(ranges.FUSE_AMPERES, default=None)
    fuse_outputs: int = within(ranges.COUNT, default=1)
    efficiency: float = within(ranges.FRACTION, default=USUAL_EFFICIENCY)
    drop_volts: float | None = within(ranges.DROP_VOLTS, default=None)
    overlap_limit: str = one_of(OVERLAP_LIMITS, default="both")
    crest_factor_db: float | None = within(ranges.CREST_DB, default=None)
    supply_state: str | None = one_of(SUPPLY_STATES, default=None)
    supply_tolerance_volts: float = within(ranges.SUPPLY_TOLERANCE_VOLTS, default=0.0)
    load_tolerance_percent: float = within(ranges.LOAD_TOLERANCE_PERCENT, default=0.0)

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
        crossed = _above(self.highpass_hz, self.lowpass_hz, or_equal=True)
        if crossed:
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
        yield from _kind_faults(self)
        if self.per_half and not self.bridged:
            yield GainkitError("per_half_unbridged", "per_half", True)
        if self.tone_hz is None and not crossed and tones.suiting_tone_hz(self) is None:
            band = tones.meter_band_hz(self.meter)
            yield GainkitError(
                "no_tone_fits", "tone_hz", None, ranges.FREQUENCY_HZ,
                highpass_hz=self.highpass_hz, lowpass_hz=self.lowpass_hz, crossover_hz=self.crossover_hz,
                meter_low_hz=band[0] if band else None,
                meter_high_hz=band[1] if band and math.isfinite(band[1]) else None,
            )  # fmt: skip


def _kind_faults(channel: Channel) -> Iterator[GainkitError]:
    """What does not go with the kind of output, or with the kind of rating."""
    if channel.built_in and channel.bridged:
        yield GainkitError("built_in_is_bridged", "bridged", True)
    if channel.drop_volts is not None:
        if not channel.built_in:
            yield GainkitError("only_built_in", "drop_volts", channel.drop_volts)
        elif _above(channel.drop_volts, channel.supply_volts, or_equal=True):
            yield GainkitError(
                "wrong_order", "drop_volts", channel.drop_volts,
                unit="V", other="supply_volts", most=channel.supply_volts,
            )  # fmt: skip
    if channel.rated_kind == "peak" and channel.ratings and channel.measured_clip_volts is None:
        yield GainkitError("peak_rating", "rated_kind", "peak", RATING_KINDS[:1])
    if channel.overlap_limit == "amplifier" and channel.speaker_watts is None:
        yield GainkitError("needs_speaker_watts", "overlap_limit", "amplifier", other="speaker_watts")


def _above(low: float | None, high: float | None, or_equal: bool = False) -> bool:
    """Whether what should be the lower of two figures is not, both being known."""
    return low is not None and high is not None and (low > high or (or_equal and low == high))


def _rating_faults(channel: Channel) -> Iterator[GainkitError]:
    """What is wrong with the plate, or that there is nothing in its place."""
    ratings = channel.ratings
    if len({each.ohms for each in ratings}) < len(ratings):
        yield GainkitError("same_load_twice", "ratings", [each.ohms for each in ratings])
    if channel.measured_clip_volts is not None or ratings:
        return
    if not channel.built_in:
        yield GainkitError("output_limit_unknown", "ratings")
    elif channel.supply_volts is None:
        yield GainkitError("missing", "supply_volts", None, ranges.SUPPLY_VOLTS)


METER_FIELDS = {"tone_tolerance_db": "tone_tolerance_db", "guard_band": "guard_band"} | {
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
        `meter_floor_volts`, `meter_low_hz`, `meter_high_hz`, `tone_tolerance_db` and `guard_band`. A load that
        is left out is that of the only rating, or of both halves where it is per half.

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
    """The channel's ratings as they hold for its own load, at the onset of clipping.

    A bridged pair's from one half's, if so given, and brought down from the distortion that they are given at.
    """
    halves = channel.bridged and channel.per_half
    return clean_ratings(
        bridged_ratings(channel.ratings) if halves else channel.ratings, channel.rated_thd_percent
    )


def built_in_ceiling_volts(channel: Channel) -> float:
    """What a built-in stage gives at most on its supply [V rms]; infinite for other channels."""
    if not channel.built_in or channel.supply_volts is None:
        return math.inf
    return built_in_limit_volts(channel.supply_volts, channel.drop_volts or 0.0)


def channel_clip_volts(channel: Channel) -> float:
    """Rms sine volts at the onset of clipping into the load [V]: measured, or from plate and supply.

    Between two ratings it is the lower, safe bound (`safe_clip_volts`). A channel that nothing is known of
    cannot be made, so there always are some.
    """
    return _clip_volts(channel, safe_clip_volts)


def most_clip_volts(channel: Channel) -> float:
    """The upper bound beside `channel_clip_volts` [V rms]: another one only between two ratings."""
    return _clip_volts(channel, clip_volts_at_load)


def _clip_volts(channel: Channel, bound: Callable[[Sequence[Rating], float], float]) -> float:
    if channel.measured_clip_volts is not None:
        return channel.measured_clip_volts
    ceiling = built_in_ceiling_volts(channel)
    if not channel.ratings:
        return ceiling
    volts = bound(plate_ratings(channel), channel.load_ohms)
    if follows_supply(channel):
        assert channel.supply_volts is not None
        assert channel.rated_supply_volts is not None
        volts = supply_scaled(volts, channel.supply_volts, channel.rated_supply_volts)
    return min(volts, ceiling)


def follows_supply(channel: Channel) -> bool:
    """True when the plate's volts are to be scaled to the supply under test."""
    known = channel.supply_volts is not None and channel.rated_supply_volts is not None
    return known and not channel.regulated and channel.measured_clip_volts is None
