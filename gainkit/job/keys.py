"""The keys of a system file, table by table, with what each may hold."""

from __future__ import annotations

from gainkit.advice import Checks
from gainkit.calculator import ranges
from gainkit.calculator.channel import OVERLAP_LIMITS, RATING_KINDS, SUPPLY_STATES, Channel
from gainkit.calculator.conductors import MATERIALS
from gainkit.calculator.meters import METER_KINDS
from gainkit.calculator.ranges import range_of
from gainkit.job.schema import Key, number_key

SUPPLY_PLACES = ("amplifier", "battery")
"""Where the supply's volts were measured: at the amplifier they hold as they are, at the battery the feed's
loss is still to be taken off."""

JOB_KEYS = tuple(Key(name, "text") for name in ("title", "technician", "vehicle", "date"))
SOURCE_KEYS = (
    Key("name", "text"),
    number_key("preamp_volts", ranges.VOLTS),
    Key("clean_position", "label"),
    number_key("speaker_volts", ranges.VOLTS),
    number_key("speaker_clip_dbfs", ranges.LEVEL_DBFS),
    number_key("noise_volts", ranges.VOLTS),
)
SUPPLY_KEYS = (
    number_key("volts", ranges.SUPPLY_VOLTS, required=True),
    number_key("feed_length_m", ranges.METRES),
    Key("feed_awg", "label"),
    number_key("feed_mm2", ranges.SQUARE_MM),
    number_key("efficiency", ranges.FRACTION),
    Key("at", "choice", SUPPLY_PLACES),
    Key("state", "choice", SUPPLY_STATES),
    number_key("tolerance_volts", ranges.SUPPLY_TOLERANCE_VOLTS),
    Key("feed_material", "choice", tuple(MATERIALS)),
    number_key("fuse_amperes", ranges.FUSE_AMPERES),
)
METER_KEYS = (
    Key("kind", "choice", METER_KINDS),
    number_key("percent", ranges.PERCENT),
    number_key("floor_volts", ranges.METER_FLOOR_VOLTS),
    number_key("low_hz", ranges.FREQUENCY_HZ),
    number_key("high_hz", ranges.FREQUENCY_HZ),
    number_key("tone_tolerance_db", ranges.TONE_TOLERANCE_DB),
    Key("guard_band", "flag"),
)


def _channels_own(name: str, required: bool = False) -> Key:
    """A number that a channel has as well, in the range that is declared there."""
    return number_key(name, range_of(Channel, name), required)


_WHOLE = ranges.Range("", 1, 32, low_allowed=True)
CHANNEL_KEYS = (
    Key("name", "text", required=True),
    number_key("rated_watts", ranges.WATTS),
    number_key("rated_ohms", ranges.OHMS),
    Key("ratings", "tables", (number_key("watts", ranges.WATTS), number_key("ohms", ranges.OHMS))),
    Key("rated_per_half", "flag"),
    _channels_own("rated_thd_percent"),
    Key("rated_kind", "choice", RATING_KINDS),
    _channels_own("rated_supply_volts"),
    Key("regulated", "flag"),
    _channels_own("fuse_amperes"),
    _channels_own("min_ohms"),
    _channels_own("load_ohms", required=True),
    _channels_own("real_load_ohms"),
    _channels_own("load_tolerance_percent"),
    _channels_own("speaker_watts"),
    Key("bridged", "flag"),
    Key("outputs", "names"),
    Key("expected_polarity", "choices", ("positive", "negative")),
    _channels_own("sensitivity_min_volts"),
    _channels_own("sensitivity_max_volts"),
    _channels_own("tone_hz"),
    _channels_own("tone_dbfs"),
    _channels_own("overlap_db"),
    Key("overlap_limit", "choice", OVERLAP_LIMITS),
    _channels_own("margin_db"),
    Key("fed_by", "choice", ("preamp", "speaker-output")),
    Key("built_in", "flag"),
    _channels_own("drop_volts"),
    _channels_own("measured_clip_volts"),
    _channels_own("highpass_hz"),
    _channels_own("lowpass_hz"),
    _channels_own("crossover_hz"),
    _channels_own("crest_factor_db"),
    number_key("coil_ohms", ranges.OHMS),
    Key("coils", "whole", _WHOLE),
    Key("drivers", "whole", _WHOLE),
    number_key("noise_volts", ranges.VOLTS),
)
CHECK_KEYS = (
    number_key("tolerance_db", range_of(Checks, "tolerance_db")),
    number_key("limit_thd_percent", range_of(Checks, "limit_thd_percent")),
)
TABLES = {
    "job": JOB_KEYS,
    "source": SOURCE_KEYS,
    "supply": SUPPLY_KEYS,
    "meter": METER_KEYS,
    "check": CHECK_KEYS,
}
