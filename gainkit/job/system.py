"""The system file: one car's source, supply, meter and channels, checked and typed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.calculator import ranges
from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel, MeterLimits
from gainkit.calculator.feeds import awg_number, awg_square_mm
from gainkit.calculator.tones import default_tone_hz
from gainkit.errors import GainkitError
from gainkit.job.schema import Faults, Key, check_table, key_lines, nearest, number_key, read_toml, shown

JOB_KEYS = tuple(Key(name, "text") for name in ("title", "technician", "vehicle", "date"))
SOURCE_KEYS = (
    Key("name", "text"),
    number_key("preamp_volts", ranges.VOLTS),
    Key("clean_position", "label"),
    number_key("speaker_volts", ranges.VOLTS),
    number_key("speaker_clip_dbfs", ranges.LEVEL_DBFS),
)
SUPPLY_KEYS = (
    number_key("volts", ranges.SUPPLY_VOLTS, required=True),
    number_key("feed_length_m", ranges.METRES),
    Key("feed_awg", "label"),
    number_key("feed_mm2", ranges.SQUARE_MM),
    number_key("efficiency", ranges.FRACTION),
)
METER_KEYS = (
    Key("kind", "choice", ("true-rms", "average-responding")),
    number_key("percent", ranges.PERCENT),
    number_key("floor_volts", ranges.Range("V", 0, 100, low_allowed=True)),
    number_key("low_hz", ranges.FREQUENCY_HZ),
    number_key("high_hz", ranges.FREQUENCY_HZ),
    number_key("tone_tolerance_db", ranges.Range("dB", 0, 6, low_allowed=True)),
)
_WHOLE = ranges.Range("", 1, 32, low_allowed=True)
CHANNEL_KEYS = (
    Key("name", "text", required=True),
    number_key("rated_watts", ranges.WATTS),
    number_key("rated_ohms", ranges.OHMS),
    Key("ratings", "tables", (number_key("watts", ranges.WATTS), number_key("ohms", ranges.OHMS))),
    Key("rated_per_half", "flag"),
    number_key("rated_supply_volts", ranges.SUPPLY_VOLTS),
    Key("regulated", "flag"),
    number_key("min_ohms", ranges.OHMS),
    number_key("load_ohms", ranges.OHMS, required=True),
    number_key("real_load_ohms", ranges.OHMS),
    number_key("speaker_watts", ranges.WATTS),
    Key("bridged", "flag"),
    Key("count", "whole", _WHOLE),
    number_key("sensitivity_min_volts", ranges.VOLTS),
    number_key("sensitivity_max_volts", ranges.VOLTS),
    number_key("tone_hz", ranges.FREQUENCY_HZ),
    number_key("tone_dbfs", ranges.LEVEL_DBFS),
    number_key("overlap_db", ranges.DB_IN_HAND),
    number_key("margin_db", ranges.DB_IN_HAND),
    Key("fed_by", "choice", ("preamp", "speaker-output")),
    Key("built_in", "flag"),
    number_key("measured_clip_volts", ranges.VOLTS),
    number_key("highpass_hz", ranges.FREQUENCY_HZ),
    number_key("lowpass_hz", ranges.FREQUENCY_HZ),
    number_key("crossover_hz", ranges.FREQUENCY_HZ),
    number_key("crest_factor_db", ranges.CREST_DB),
    number_key("coil_ohms", ranges.OHMS),
    Key("coils", "whole", _WHOLE),
    Key("drivers", "whole", _WHOLE),
)
TABLES = {"job": JOB_KEYS, "source": SOURCE_KEYS, "supply": SUPPLY_KEYS, "meter": METER_KEYS}
MOST_CHANNELS = 64


@dataclass(frozen=True)
class Job:
    """Texts for the record; all optional."""

    title: str | None = None
    technician: str | None = None
    vehicle: str | None = None
    date: str | None = None


@dataclass(frozen=True)
class Source:
    """The radio or other source.

    preamp_volts : rms for 0 dBFS at the highest clean volume position, which is clean_position [V].
    speaker_volts : the same of its loudspeaker outputs, as if they did not clip [V]; speaker_clip_dbfs : the
    recording level at which those clip [dBFS].
    """

    name: str | None = None
    preamp_volts: float | None = None
    clean_position: str | float | None = None
    speaker_volts: float | None = None
    speaker_clip_dbfs: float | None = None


@dataclass(frozen=True)
class Supply:
    """Supply voltage under test [V] and, optionally, the cable that feeds the amplifiers."""

    volts: float | None = None
    feed_length_m: float | None = None
    feed_square_mm: float | None = None
    efficiency: float = 0.8


@dataclass(frozen=True)
class SystemChannel:
    """One [[channel]]: the calculator's input and what the plan needs besides.

    count : how many equal amplifier channels this one stands for (2 for a left and right pair). fed_by : which
    output of the source. crest_factor_db : peak over rms of the programme [dB]. coil_ohms, coils, drivers : the
    voice coils that make load_ohms.
    """

    name: str
    channel: Channel
    fed_by: str = "preamp"
    count: int = 1
    sensitivity_min_volts: float | None = None
    sensitivity_max_volts: float | None = None
    crest_factor_db: float | None = None
    coil_ohms: float | None = None
    coils: int = 1
    drivers: int = 1


@dataclass(frozen=True)
class System:
    """A whole system file. Volts are rms unless they are the supply's."""

    path: str
    job: Job
    source: Source
    supply: Supply
    meter: MeterLimits
    channels: tuple[SystemChannel, ...]

    def channel(self, name: str) -> SystemChannel:
        """The channel of that name (upper and lower case alike). Raises GainkitError, naming the nearest."""
        for each in self.channels:
            if each.name.strip().casefold() == name.strip().casefold():
                return each
        names = [each.name for each in self.channels]
        close = nearest(name, [each.lower() for each in names])
        hint = f" Did you mean {shown(names[[n.lower() for n in names].index(close)])}?" if close else ""
        raise GainkitError(
            f"{self.path} has no channel named {shown(name)}.{hint}",
            f"Its channels are: {', '.join(map(shown, names))}.",
        )


def load_system(path: Path | str) -> System:
    """Read and check a system file. Raises GainkitError that names every fault at once."""
    path = Path(path)
    document, text = read_toml(path)
    faults = Faults(path, key_lines(text))
    good = {name: _one_table(document, name, faults) for name in TABLES}
    rows = _channel_tables(document, faults)
    for word, value in document.items():
        if word not in TABLES and word != "channel":
            what = "table" if isinstance(value, (dict, list)) else "key outside any table"
            close = nearest(word, [*TABLES, "channel"])
            hint = f"; the nearest known table is [{close}]" if close else ""
            known = "[job], [source], [supply], [meter], [[channel]]"
            table, number = (word, int(isinstance(value, list))) if isinstance(value, (dict, list)) else ("", 0)
            line = faults.lines.get((table, number, "" if table else word))
            faults.add("", 0, None, shown(word)[1:-1], f"unknown {what}{hint}; known tables: {known}", line)
    _check_shared(good, faults)
    _check_source(document, rows, faults)
    _check_names(rows, faults)
    faults.raise_any()
    meter = MeterLimits(**good["meter"])
    supply = _supply(good["supply"])
    source = Source(**good["source"])
    channels = tuple(_channel(row, source, supply, meter) for row in rows)
    return System(str(path), Job(**good["job"]), source, supply, meter, channels)


# ---- checks ------------------------------------------------------------------------------------------------


def _one_table(document: Mapping[str, Any], name: str, faults: Faults) -> dict[str, Any]:
    found = document.get(name)
    if found is None:
        return {}
    if not isinstance(found, dict):
        brackets = "once, in single brackets" if isinstance(found, list) else "as a table"
        faults.add(name, 0, None, "", f"found {shown(found)}; write it {brackets}: [{name}]")
        return {}
    return check_table(found, TABLES[name], faults, name)


def _channel_tables(document: Mapping[str, Any], faults: Faults) -> list[dict[str, Any]]:
    found = document.get("channel", [])
    if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
        faults.add("channel", 0, None, "", f"found {shown(found)}; head each channel with [[channel]]")
        return []
    if not found:
        faults.add("", 0, None, "", "there is no channel; add one headed [[channel]]")
    if len(found) > MOST_CHANNELS:
        faults.add("", 0, None, "", f"found {len(found)} channels; allowed: at most {MOST_CHANNELS}")
        return []
    rows = []
    for number, each in enumerate(found, 1):
        row = check_table(each, CHANNEL_KEYS, faults, "channel", number)
        _check_channel(row, each, faults, number)
        rows.append(row)
    return rows


def _check_shared(good: dict[str, dict[str, Any]], faults: Faults) -> None:
    """Faults between keys of [supply] and of [meter]; the gauge becomes an area."""
    supply, meter = good["supply"], good["meter"]
    gauge = supply.get("feed_awg")
    if gauge is not None:
        try:
            supply["feed_mm2_of_awg"] = awg_square_mm(float(awg_number(str(gauge))))
        except GainkitError:
            problem = f"found {shown(gauge)}; allowed: 0 to 40, or 1/0 to 4/0 in quotes"
            faults.add("supply", 0, None, "feed_awg", problem)
    if "feed_awg" in supply and "feed_mm2" in supply:
        faults.add("supply", 0, None, "feed_mm2", "give feed_awg or feed_mm2, not both")
    if ("feed_awg" in supply or "feed_mm2" in supply) != ("feed_length_m" in supply):
        faults.add("supply", 0, None, "feed_length_m", "a feed needs feed_length_m and feed_awg or feed_mm2")
    if "low_hz" in meter and "high_hz" in meter and meter["low_hz"] >= meter["high_hz"]:
        faults.add("meter", 0, None, "high_hz", "must be above low_hz")


def _check_source(document: Mapping[str, Any], rows: list[dict[str, Any]], faults: Faults) -> None:
    """The line outputs' volts are needed as soon as one channel is fed by them."""
    by_preamp = any(not row.get("built_in") and row.get("fed_by", "preamp") == "preamp" for row in rows)
    source = document.get("source", {})
    if by_preamp and isinstance(source, dict) and "preamp_volts" not in source:
        faults.add("source", 0, None, "preamp_volts", f"missing; give {SOURCE_KEYS[1].words()}")


def _check_channel(row: dict[str, Any], found: Mapping[str, Any], faults: Faults, number: int) -> None:
    """Faults between keys of one channel. row : its good values; found : the table as it stands."""

    def fault(key: str, problem: str) -> None:
        faults.add("channel", number, row.get("name"), key, problem)

    for key, problem in _rating_faults(row, found):
        fault(key, problem)
    low, high = row.get("sensitivity_min_volts"), row.get("sensitivity_max_volts")
    if low is not None and high is not None and low > high:
        fault("sensitivity_min_volts", f"{low:g} V is above sensitivity_max_volts, {high:g} V: exchange them")
    low, high = row.get("highpass_hz"), row.get("lowpass_hz")
    if low is not None and high is not None and low >= high:
        fault("highpass_hz", f"{low:g} Hz is not below lowpass_hz, {high:g} Hz: nothing would pass")
    tone, overlap = row.get("tone_dbfs"), row.get("overlap_db", 0.0)
    if tone is not None and tone > -overlap + 1e-9:
        most = f"{-overlap + 0.0:g} dBFS with an overlap of {overlap:g} dB"
        fault("tone_dbfs", f"found {tone:g}; allowed: at most {most}")
    if row.get("built_in") and row.get("bridged"):
        fault("bridged", "a built-in output is bridge-tied by itself: leave bridged out")
    if row.get("built_in") and row.get("fed_by", "speaker-output") != "speaker-output":
        fault("fed_by", 'a built-in channel is a loudspeaker output: write "speaker-output" or leave it out')
    if row.get("rated_per_half") and not row.get("bridged"):
        fault("rated_per_half", "applies to a bridged channel only: add bridged = true or leave it out")
    if ("coils" in row or "drivers" in row) and "coil_ohms" not in found:
        fault("coil_ohms", "missing; the coils' wiring can only be checked with it")


def _rating_faults(row: Mapping[str, Any], found: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    single = [key for key in ("rated_watts", "rated_ohms") if key in found]
    if "ratings" in found:
        if single:
            yield "ratings", f"give ratings or {' and '.join(single)}, not both"
        loads = [ohms for _, ohms in row.get("ratings", [])]
        if len(set(loads)) < len(loads):
            yield "ratings", "two entries have the same ohms"
    elif len(single) < 2 and (single or not ("measured_clip_volts" in found or row.get("built_in"))):
        for key, allowed in (("rated_watts", ranges.WATTS), ("rated_ohms", ranges.OHMS)):
            if key not in found:
                yield key, f"missing; give a number, {allowed.words()}"


def _check_names(rows: list[dict[str, Any]], faults: Faults) -> None:
    seen: dict[str, int] = {}
    for number, row in enumerate(rows, 1):
        name = row.get("name")
        if name is None:
            continue
        plain = name.strip().casefold()
        if not plain:
            faults.add("channel", number, None, "name", "is blank; give the channel a name")
        elif plain in seen:
            faults.add("channel", number, name, "name", f"channel {seen[plain]} has this name already")
        seen.setdefault(plain, number)


# ---- conversion --------------------------------------------------------------------------------------------


def _supply(good: Mapping[str, Any]) -> Supply:
    square_mm = good.get("feed_mm2", good.get("feed_mm2_of_awg"))
    return Supply(good.get("volts"), good.get("feed_length_m"), square_mm, good.get("efficiency", 0.8))


def _channel(row: Mapping[str, Any], source: Source, supply: Supply, meter: MeterLimits) -> SystemChannel:
    """The calculator's input from one checked table."""
    ratings = row.get("ratings")
    if ratings is None and "rated_watts" in row:
        ratings = [(row["rated_watts"], row["rated_ohms"])]
    built_in = row.get("built_in", False)
    same = (
        "load_ohms", "speaker_watts", "margin_db", "overlap_db", "tone_dbfs", "rated_supply_volts",
        "regulated", "min_ohms", "bridged", "measured_clip_volts", "real_load_ohms", "highpass_hz",
        "lowpass_hz", "crossover_hz",
    )  # fmt: skip
    fed_by = "speaker-output" if built_in else row.get("fed_by", "preamp")
    channel = Channel(
        ratings=tuple(Rating(watts, ohms) for watts, ohms in ratings or ()),
        per_half=row.get("rated_per_half", False),
        tone_hz=row.get("tone_hz", default_tone_hz(row.get("highpass_hz"), row.get("lowpass_hz"))),
        source_volts=source.preamp_volts if fed_by == "preamp" else source.speaker_volts,
        supply_volts=supply.volts,
        built_in=built_in,
        meter=meter,
        **{key: row[key] for key in same if key in row},
    )
    kept = (
        "sensitivity_min_volts", "sensitivity_max_volts", "crest_factor_db", "coil_ohms", "coils", "drivers",
        "count",
    )  # fmt: skip
    return SystemChannel(row["name"], channel, fed_by, **{key: row[key] for key in kept if key in row})
