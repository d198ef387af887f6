"""The system file: one car's source, supply, meter and channels, checked and typed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from gainkit.advice import Checks
from gainkit.calculator import ranges
from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel
from gainkit.calculator.conductors import COPPER
from gainkit.calculator.feeds import USUAL_EFFICIENCY, awg_number, awg_square_mm
from gainkit.calculator.meters import MeterLimits
from gainkit.calculator.ranges import faults_of
from gainkit.errors import GainkitError
from gainkit.job.keys import CHANNEL_KEYS, SOURCE_KEYS, SUPPLY_PLACES, TABLES
from gainkit.job.outputs import Output, find_output
from gainkit.job.schema import Faults, check_table, key_lines, nearest, read_toml, shown

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
    recording level at which those clip [dBFS]. noise_volts : at its line outputs at that position, silence
    playing [V rms].
    """

    name: str | None = None
    preamp_volts: float | None = None
    clean_position: str | float | None = None
    speaker_volts: float | None = None
    speaker_clip_dbfs: float | None = None
    noise_volts: float | None = None


@dataclass(frozen=True)
class Supply:
    """Supply voltage under test [V] and, optionally, the cable that feeds the amplifiers.

    at : where those volts were measured, "amplifier" or "battery"; state : what was running then, one of
    `calculator.channel.SUPPLY_STATES`. tolerance_volts : how far they may be off [V]. feed_material : "copper"
    or "cca". fuse_amperes : of the feed [A].
    """

    volts: float | None = None
    feed_length_m: float | None = None
    feed_square_mm: float | None = None
    efficiency: float = USUAL_EFFICIENCY
    at: str = "amplifier"
    state: str | None = None
    tolerance_volts: float = 0.0
    feed_material: str = COPPER.name
    fuse_amperes: float | None = None


@dataclass(frozen=True)
class SystemChannel:
    """One [[channel]]: the calculator's input and what the plan needs besides.

    outputs : the amplifier outputs that it stands for, set alike. fed_by : which output of the source.
    coil_ohms, coils, drivers : the voice coils that make load_ohms. noise_volts : the amplifier's own at its
    output, its input shorted [V rms].
    """

    name: str
    channel: Channel
    fed_by: str = "preamp"
    outputs: tuple[Output, ...] = ()
    coil_ohms: float | None = None
    coils: int = 1
    drivers: int = 1
    noise_volts: float | None = None


@dataclass(frozen=True)
class System:
    """A whole system file. Volts are rms unless they are the supply's."""

    path: str
    job: Job
    source: Source
    supply: Supply
    meter: MeterLimits
    channels: tuple[SystemChannel, ...]
    checks: Checks = field(default_factory=Checks)

    @property
    def outputs(self) -> tuple[Output, ...]:
        """All outputs of all channels, in order."""
        return tuple(output for each in self.channels for output in each.outputs)

    def output(self, name: str) -> Output:
        """The output of that name: 'Front/left'. Raises GainkitError as `outputs.find_output`."""
        return find_output(self.outputs, name)

    def channel(self, name: str) -> SystemChannel:
        """The channel of that name (upper and lower case alike). Raises GainkitError, naming the nearest."""
        for each in self.channels:
            if each.name.strip().casefold() == name.strip().casefold():
                return each
        names = [each.name for each in self.channels]
        close = nearest(name, [each.lower() for each in names])
        near = names[[n.lower() for n in names].index(close)] if close else None
        raise GainkitError("unknown_channel", "for_output", name, names, nearest=near, path=self.path)


def load_system(path: Path | str) -> System:
    """Read and check a system file.

    Parameters
    ----------
    path : str or Path
        The file, TOML.

    Returns
    -------
    System
        Source, supply, meter, checks and channels, typed and within their ranges.

    Raises
    ------
    GainkitError
        `ManyFaults` that names every fault at once, with its key and line.

    Examples
    --------
    >>> import gainkit, pathlib
    >>> car = gainkit.load_system(pathlib.Path(gainkit.__file__).parent / "job" / "example_system.toml")
    >>> [output.name for output in car.outputs]
    ['Front/left', 'Front/right', 'Rear', 'Subwoofer']
    """
    path = Path(path)
    document, text = read_toml(path)
    faults = Faults(path, key_lines(text))
    good = {name: _one_table(document, name, faults) for name in TABLES}
    shared = {"meter": _known_meter(good["meter"]), "supply_volts": good["supply"].get("volts")}
    rows = _channel_tables(document, faults, shared)
    for word, value in document.items():
        if word not in TABLES and word != "channel":
            is_table = isinstance(value, (dict, list))
            close = nearest(word, [*TABLES, "channel"])
            table, number = (word, int(isinstance(value, list))) if is_table else ("", 0)
            line = faults.lines.get((table, number, "" if table else word))
            code = "unknown_table" if is_table else "key_outside_tables"
            unknown = GainkitError(code, shown(word)[1:-1], None, [*TABLES, "channel"], nearest=close)
            faults.add("", 0, None, unknown, line)
    _check_shared(good, faults)
    _check_source(document, rows, faults)
    _check_names(rows, faults)
    faults.raise_any()
    meter = MeterLimits(**good["meter"])
    supply = _supply(good["supply"])
    source = Source(**good["source"])
    channels = tuple(_channel(row, source, supply, meter) for row in rows)
    return System(str(path), Job(**good["job"]), source, supply, meter, channels, Checks(**good["check"]))


# ---- checks ------------------------------------------------------------------------------------------------


def _one_table(document: Mapping[str, Any], name: str, faults: Faults) -> dict[str, Any]:
    table = document.get(name)
    if table is None:
        return {}
    if not isinstance(table, dict):
        code = "table_in_double_brackets" if isinstance(table, list) else "table_expected"
        faults.add(name, 0, None, GainkitError(code, None, table, f"[{name}]"))
        return {}
    return check_table(table, TABLES[name], faults, name)


def _known_meter(good: Mapping[str, Any]) -> MeterLimits:
    """The meter for the rules between it and a channel; one of no known limits where it is wrong by itself."""
    try:
        return MeterLimits(**good)
    except GainkitError:
        return MeterLimits()


def _channel_tables(
    document: Mapping[str, Any], faults: Faults, shared: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """The good values of every channel. shared : fields of a channel that stand in other tables."""
    tables = document.get("channel", [])
    if not isinstance(tables, list) or not all(isinstance(each, dict) for each in tables):
        faults.add("channel", 0, None, GainkitError("channel_heads", None, tables))
        return []
    if not tables:
        faults.add("", 0, None, GainkitError("no_channel"))
    if len(tables) > MOST_CHANNELS:
        faults.add("", 0, None, GainkitError("too_many_channels", None, len(tables), most=MOST_CHANNELS))
        return []
    rows = []
    for number, each in enumerate(tables, 1):
        known = {key: value for key, value in each.items() if key != "count"}  # told by `_key_faults`
        row = check_table(known, CHANNEL_KEYS, faults, "channel", number)
        _check_channel(row, each, faults, number, shared)
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
            wrong = GainkitError("found_other", "feed_awg", gauge, "0 to 40, or 1/0 to 4/0 in quotes")
            faults.add("supply", 0, None, wrong)
    if "feed_awg" in supply and "feed_mm2" in supply:
        faults.add("supply", 0, None, GainkitError("one_of_them", "feed_mm2", allowed="feed_awg or feed_mm2"))
    if ("feed_awg" in supply or "feed_mm2" in supply) != ("feed_length_m" in supply):
        needed = "feed_length_m, and feed_awg or feed_mm2"
        faults.add("supply", 0, None, GainkitError("needs_each_other", "feed_length_m", allowed=needed))
    elif "feed_length_m" in supply and "at" not in supply:
        faults.add("supply", 0, None, GainkitError("supply_place_needed", "at", None, SUPPLY_PLACES))
    for fault in faults_of(MeterLimits, **meter):
        faults.add("meter", 0, None, fault)


def _check_source(document: Mapping[str, Any], rows: list[dict[str, Any]], faults: Faults) -> None:
    """The line outputs' volts are needed as soon as one channel is fed by them."""
    by_preamp = any(not row.get("built_in") and row.get("fed_by", "preamp") == "preamp" for row in rows)
    source = document.get("source", {})
    if by_preamp and isinstance(source, dict) and "preamp_volts" not in source:
        faults.add("source", 0, None, GainkitError("key_missing", "preamp_volts", None, SOURCE_KEYS[1].words()))


KEY_OF = {"per_half": "rated_per_half"}
"""Where a channel's field has another name in the file."""


def _check_channel(
    row: dict[str, Any], keys: Mapping[str, Any], faults: Faults, number: int, shared: Mapping[str, Any]
) -> None:
    """Faults between keys of one channel. row : its good values; found : the table as it stands.

    Rules between the calculator's own figures stand in `Channel`; here are those of the file's keys alone.
    """
    told = [*_rating_faults(row, keys), *_key_faults(row, keys)]
    if "load_ohms" in row and not any(
        each.parameter in ("ratings", "rated_watts", "rated_ohms") for each in told
    ):
        of_both = faults_of(Channel, **shared, **_channel_fields(row))
        told += [each for each in of_both if each.parameter != "supply_volts"]  # that is told of [supply]
    for fault in told:
        key = KEY_OF.get(fault.parameter or "", fault.parameter or "")
        named = GainkitError(fault.code, key, fault.received, fault.allowed, **fault.values)
        faults.add("channel", number, row.get("name"), named)


def _key_faults(row: Mapping[str, Any], keys: Mapping[str, Any]) -> Iterator[GainkitError]:
    if row.get("built_in") and row.get("fed_by", "speaker-output") != "speaker-output":
        yield GainkitError("built_in_fed_by", "fed_by", row["fed_by"], "speaker-output")
    if ("coils" in row or "drivers" in row) and "coil_ohms" not in keys:
        yield GainkitError("coils_need_ohms", "coil_ohms")
    if "count" in keys:
        yield GainkitError("count_is_gone", "count")
    expected = row.get("expected_polarity")
    if isinstance(expected, dict):
        names = row.get("outputs", ())
        if strange := [each for each in expected if each not in names]:
            yield GainkitError("unknown_output", "expected_polarity", strange[0], list(names), nearest=None)


def _rating_faults(row: Mapping[str, Any], keys: Mapping[str, Any]) -> Iterator[GainkitError]:
    single = [key for key in ("rated_watts", "rated_ohms") if key in keys]
    if "ratings" in keys:
        if single:
            yield GainkitError("one_of_them", "ratings", allowed=f"ratings or {' and '.join(single)}")
    elif len(single) < 2 and (single or not ("measured_clip_volts" in keys or row.get("built_in"))):
        for key, allowed in (("rated_watts", ranges.WATTS), ("rated_ohms", ranges.OHMS)):
            if key not in keys:
                yield GainkitError("key_missing", key, None, f"a number, {allowed.words()}")


def _check_names(rows: list[dict[str, Any]], faults: Faults) -> None:
    """No blank channel, and no two outputs of one name."""
    seen: dict[str, int] = {}
    for number, row in enumerate(rows, 1):
        name = row.get("name")
        if name is None:
            continue
        if not name.strip():
            faults.add("channel", number, None, GainkitError("blank_text", "name", name))
            continue
        names = {name, *(each.name for each in _outputs(row))}
        for plain in sorted(each.strip().casefold() for each in names):
            if plain in seen:
                faults.add("channel", number, name, GainkitError("name_twice", "name", other=seen[plain]))
                break
        for each in names:
            seen.setdefault(each.strip().casefold(), number)


# ---- conversion --------------------------------------------------------------------------------------------


def _supply(good: Mapping[str, Any]) -> Supply:
    square_mm = good.get("feed_mm2", good.get("feed_mm2_of_awg"))
    own = {each.name for each in fields(Supply)}
    return Supply(feed_square_mm=square_mm, **{key: value for key, value in good.items() if key in own})


def _channel_fields(row: Mapping[str, Any]) -> dict[str, Any]:
    """The calculator's fields from one checked table, without what other tables say."""
    ratings = row.get("ratings")
    if ratings is None and "rated_watts" in row and "rated_ohms" in row:
        ratings = [(row["rated_watts"], row["rated_ohms"])]
    own = {each.name for each in fields(Channel)} - {"ratings", "source_volts", "supply_volts"}
    return {
        "ratings": tuple(Rating(watts, ohms) for watts, ohms in ratings or ()),
        "per_half": row.get("rated_per_half", False),
        "fuse_outputs": len(row.get("outputs") or (None,)),
        **{key: value for key, value in row.items() if key in own},
    }


def _channel(row: Mapping[str, Any], source: Source, supply: Supply, meter: MeterLimits) -> SystemChannel:
    """The calculator's input from one checked table."""
    fed_by = "speaker-output" if row.get("built_in") else row.get("fed_by", "preamp")
    channel = Channel(
        source_volts=source.preamp_volts if fed_by == "preamp" else source.speaker_volts,
        supply_volts=supply.volts,
        supply_state=supply.state,
        supply_tolerance_volts=supply.tolerance_volts,
        efficiency=supply.efficiency,
        meter=meter,
        **_channel_fields(row),
    )
    kept = {each.name for each in fields(SystemChannel)} - {"name", "channel", "fed_by", "outputs"}
    return SystemChannel(
        row["name"], channel, fed_by, _outputs(row), **{key: row[key] for key in row.keys() & kept}
    )


def _outputs(row: Mapping[str, Any]) -> tuple[Output, ...]:
    """The outputs that one checked table stands for; a polarity given once holds for all of them."""
    names: Sequence[str | None] = row.get("outputs") or (None,)
    expected = row.get("expected_polarity", "positive")
    each = {} if isinstance(expected, str) else dict(expected)
    general = expected if isinstance(expected, str) else "positive"
    return tuple(Output(row["name"], name, each.get(name or "", general)) for name in names)
