"""The keys of a system file, table by table, with what each may hold."""

from __future__ import annotations

from gainkit.advice import Checks
from gainkit.calculator import ranges
from gainkit.calculator.channel import OVERLAP_LIMITS, RATING_KINDS, SUPPLY_STATES
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
_WHOLE = ranges.Range("", 1, 32, low_allowed=True)
CHANNEL_KEYS = (
    Key("name", "text", required=True),
    number_key("rated_watts", ranges.WATTS),
    number_key("rated_ohms", ranges.OHMS),
    Key("ratings", "tables", (number_key("watts", ranges.WATTS), number_key("ohms", ranges.OHMS))),
    Key("rated_per_half", "flag"),
    number_key("rated_thd_percent", ranges.RATED_THD_PERCENT),
    Key("rated_kind", "choice", RATING_KINDS),
    number_key("rated_supply_volts", ranges.SUPPLY_VOLTS),
    Key("regulated", "flag"),
    number_key("fuse_amperes", ranges.FUSE_AMPERES),
    number_key("min_ohms", ranges.OHMS),
    number_key("load_ohms", ranges.OHMS, required=True),
    number_key("real_load_ohms", ranges.OHMS),
    number_key("load_tolerance_percent", ranges.LOAD_TOLERANCE_PERCENT),
    number_key("speaker_watts", ranges.WATTS),
    Key("bridged", "flag"),
    Key("outputs", "names"),
    Key("expected_polarity", "choices", ("positive", "negative")),
    number_key("sensitivity_min_volts", ranges.VOLTS),
    number_key("sensitivity_max_volts", ranges.VOLTS),
    number_key("tone_hz", ranges.FREQUENCY_HZ),
    number_key("tone_dbfs", ranges.LEVEL_DBFS),
    number_key("overlap_db", ranges.DB_IN_HAND),
    Key("overlap_limit", "choice", OVERLAP_LIMITS),
    number_key("margin_db", ranges.DB_IN_HAND),
    Key("fed_by", "choice", ("preamp", "speaker-output")),
    Key("built_in", "flag"),
    number_key("drop_volts", ranges.DROP_VOLTS),
    number_key("measured_clip_volts", ranges.VOLTS),
    number_key("highpass_hz", ranges.FREQUENCY_HZ),
    number_key("lowpass_hz", ranges.FREQUENCY_HZ),
    number_key("crossover_hz", ranges.FREQUENCY_HZ),
    number_key("crest_factor_db", ranges.CREST_DB),
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
