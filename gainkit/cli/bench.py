"""Commands load, pad, feed, meter and trim: the small sums of the bench."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show

if TYPE_CHECKING:
    from gainkit.calculator.feeds import Feed
    from gainkit.calculator.loads import Wirings
    from gainkit.calculator.meters import MeterReading
    from gainkit.calculator.pads import Pad, PadCall
    from gainkit.calculator.trims import Trim


class Series(StrEnum):
    """Series of preferred values, IEC 60063."""

    E12 = "E12"
    E24 = "E24"
    E96 = "E96"


def load(
    coil_ohms: Annotated[float, typer.Option(help="Nominal impedance of one voice coil [ohm].")],
    coils: Annotated[int, typer.Option(help="Voice coils on each driver.")] = 1,
    drivers: Annotated[int, typer.Option(help="Drivers on this output.")] = 1,
    min_ohms: Annotated[
        float | None, typer.Option(help="Lowest load of one channel, of each half if bridged [ohm].")
    ] = None,
    bridged: Annotated[
        bool, typer.Option("--bridged", help="The output is bridged: each half sees half the load.")
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Every wiring of the voice coils that shares the power equally, and its load."""
    from gainkit.calculator.loads import find_loads

    found = find_loads(coil_ohms, coils, drivers, min_ohms, bridged)
    show(found, as_json, lambda: _load_text(found))


def _load_text(found: Wirings) -> str:
    from gainkit.cli.plain import bullets, columns, headline, sections
    from gainkit.figures import plain

    allowed = [wiring for wiring in found.wirings if wiring.allowed]
    if allowed:
        first = headline(f"{plain(allowed[0].ohms)} ohm", allowed[0].description)
        first += "\nthe lowest load that the amplifier allows"
    elif found.wirings[0].allowed is False:
        first = headline("NO WIRING FITS", "every load is below the amplifier's minimum")
    else:
        first = headline(" or ".join(dict.fromkeys(plain(wiring.ohms) for wiring in found.wirings)) + " ohm")
    words = {True: "yes", False: "NO", None: "-"}
    rows = [
        [
            plain(wiring.ohms),
            "-" if wiring.half_ohms is None else plain(wiring.half_ohms),
            words[wiring.allowed],
            wiring.description,
        ]
        for wiring in found.wirings
    ]
    table = columns(["ohm", "half", "ok", "wiring"], rows)
    return sections(first, table, bullets("Cautions", found.cautions))


def pad(
    max_volts: Annotated[float, typer.Option(help="Largest clean sine of the output [V rms], its clip volts.")],
    input_volts: Annotated[float, typer.Option(help="Sine that brings the interface to full scale [V rms].")],
    source_ohms: Annotated[float, typer.Option(help="Resistance of the output [ohm].")] = 0.0,
    input_ohms: Annotated[
        float | None, typer.Option(help="Resistance of the interface's input [ohm]; open if left out.")
    ] = None,
    series: Annotated[Series, typer.Option(help="Preferred values, IEC 60063.")] = Series.E24,
    bridged: Annotated[
        bool, typer.Option("--bridged", help="Two-sided, for bridged and built-in outputs.")
    ] = False,
    cable_pf: Annotated[float, typer.Option(help="Capacitance of the cable behind the pad [pF].")] = 300.0,
    series_ohms: Annotated[
        float | None, typer.Option(help="A pad you have: its series resistor, each leg [ohm].")
    ] = None,
    shunt_ohms: Annotated[float | None, typer.Option(help="A pad you have: its shunt resistor [ohm].")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Two or three resistors that keep an interface input safe behind an amplifier."""
    from gainkit.calculator.pads import PadCall, check_pad, find_pad
    from gainkit.errors import GainkitError

    open_input = math.inf if input_ohms is None else input_ohms
    call = PadCall(max_volts, input_volts, source_ohms, open_input, series.value, bridged, cable_pf)
    if (series_ohms is None) != (shunt_ohms is None):
        given, other = ("series_ohms", "shunt_ohms") if shunt_ohms is None else ("shunt_ohms", "series_ohms")
        raise GainkitError("needs_other", given, series_ohms or shunt_ohms, other=other)
    if series_ohms is not None and shunt_ohms is not None:
        found = check_pad(call, series_ohms, shunt_ohms)
    else:
        found = find_pad(call)
    show(found, as_json, lambda: _pad_text(call, found))


def _pad_text(call: PadCall, found: Pad) -> str:
    from gainkit.cli.plain import bullets, headline, sections
    from gainkit.figures import plain
    from gainkit.levels import ratio_from_db

    if found.shunt_ohms is None:
        return sections(
            headline("NO PAD NEEDED", f"{found.headroom_db:.1f} dB below full scale as it is"),
            bullets("Cautions", found.cautions),
        )
    each = "each of two legs" if found.differential else "in series"
    left = ratio_from_db(-found.loss_db)
    facts = [
        f"Loss {found.loss_db:.2f} dB: {plain(call.max_volts, 6)} V becomes "
        f"{plain(call.max_volts * left)} V, {found.headroom_db:.1f} dB below full scale "
        f"({found.worst_headroom_db:.1f} dB with parts at the ends of their tolerance).",
        f"Series resistor: {_power(found.series_watts, found.series_part_watts)}. "
        f"Shunt: {_power(found.shunt_watts, found.shunt_part_watts)}.",
    ]
    if math.isfinite(call.input_ohms):
        facts.append(
            f"The interface's own {plain(call.input_ohms, 6)} ohm takes {found.loading_db:.2f} dB of that loss."
        )
    else:
        facts.append("Calculated for an open input, the worst case: a real one sees a little less.")
    if found.bandwidth_hz is not None:
        facts.append(
            f"With {plain(call.cable_pf)} pF of cable: -3 dB at {found.bandwidth_hz / 1000:.0f} kHz, "
            f"{found.loss_20khz_db:.2f} dB lost at 20 kHz."
        )
    legs = "2 x series" if found.differential else "series"
    why = (
        f"Why\n  output / source = s / ({legs} + source + s)\n"
        "  with s the shunt and the input in parallel\n"
        f"  = {left:.5f} = -{found.loss_db:.2f} dB"
    )
    return sections(
        headline(f"{_ohms(found.series_ohms)} {each}, {_ohms(found.shunt_ohms)} across the input"),
        _drawing(found.differential),
        bullets("Figures", facts),
        why,
        bullets("Cautions", found.cautions),
    )


def _drawing(two_sided: bool) -> str:
    """The pad as a small drawing."""
    if two_sided:
        return (
            "  amp +  --[ series ]--+--  interface +\n"
            "                    [ shunt ]\n"
            "  amp -  --[ series ]--+--  interface -      (no ground anywhere)"
        )
    return (
        "  amp +  --[ series ]--+--  interface +\n"
        "                    [ shunt ]\n"
        "  amp -  --------------+--  interface ground"
    )


def _ohms(ohms: float) -> str:
    from gainkit.figures import plain

    return f"{plain(ohms / 1000, 6)} kohm" if ohms >= 1000 else f"{plain(ohms, 6)} ohm"


def _power(watts: float, part_watts: float | None) -> str:
    """What a resistor turns into heat, and the size to use."""
    from gainkit.figures import plain

    heat = f"{watts:.2f} W" if watts >= 0.1 else f"{watts * 1000:.0f} mW"
    return f"{heat}, use {plain(part_watts or 0.0, 6)} W or more"


def feed(
    length_m: Annotated[float, typer.Option(help="One way [m]; the return is counted as equal.")],
    watts: Annotated[float | None, typer.Option(help="Output power of the amplifiers [W].")] = None,
    efficiency: Annotated[float, typer.Option(help="Output over input at full power.")] = 0.8,
    supply_volts: Annotated[float, typer.Option(help="At the battery [V].")] = 14.4,
    awg: Annotated[str | None, typer.Option(help="American wire gauge: 4, or 1/0.")] = None,
    mm2: Annotated[float | None, typer.Option(help="Copper area [mm2].")] = None,
    speaker_ohms: Annotated[
        float | None, typer.Option(help="Loudspeaker wire instead: nominal impedance [ohm].")
    ] = None,
    temperature_c: Annotated[float, typer.Option(help="Of the copper [degrees Celsius].")] = 20.0,
    as_json: JsonFlag = False,
) -> None:
    """What a power feed or a loudspeaker wire costs in volts and in dB."""
    from gainkit.calculator.feeds import find_feed

    found = find_feed(
        length_m, watts=watts, speaker_ohms=speaker_ohms, awg=awg, mm2=mm2, efficiency=efficiency,
        supply_volts=supply_volts, temperature_c=temperature_c,
    )  # fmt: skip
    show(found, as_json, lambda: _feed_text(found))


def _feed_text(found: Feed) -> str:
    from gainkit.cli.plain import bullets, headline, sections

    wire = f"{found.wire_ohms * 1000:.2f} mohm feed and return, {found.square_mm:.2f} mm2 of copper"
    if found.amplifier_volts is not None:
        return sections(
            headline(f"{found.amplifier_volts:.2f} V at the amplifier", f"{found.supply_amperes:.1f} A"),
            f"{found.lost_volts:.2f} V lost in the cable.\n{wire}.\n"
            f"Headroom {found.headroom_lost_db:.2f} dB for an unregulated amplifier; "
            f"{found.wire_watts:.1f} W of heat.",
            "Why\n  U = (U0 + sqrt(U0^2 - 4 P R)) / 2\n"
            "  with P = watts / efficiency and R = feed and return, the power being constant",
            bullets("Notes", found.notes),
        )
    return sections(
        headline(
            f"{found.level_lost_db:.2f} dB at the loudspeaker", f"{found.wire_share_percent:.1f} % in the wire"
        ),
        f"{wire}.",
        "Why\n  level = 20 log10(R / (R + wire)), R the loudspeaker's nominal impedance",
        bullets("Notes", found.notes),
    )


def meter(
    volts: Annotated[
        float, typer.Option(help="Rms of the sine that just touches the rail, or of the noise [V].")
    ],
    overdrive_db: Annotated[float, typer.Option(help="How far the sine is driven beyond the rail [dB].")] = 0.0,
    noise: Annotated[bool, typer.Option("--noise", help="Band noise instead of a sine.")] = False,
    frequency_hz: Annotated[
        float | None, typer.Option(help="Of the tone [Hz]: is a meter made for it?")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """What a true-rms and an average-responding meter show."""
    from gainkit.calculator.meters import find_meter_reading
    from gainkit.cli.plain import bullets, headline, sections

    found = find_meter_reading(volts, overdrive_db, noise, frequency_hz)
    show(
        found,
        as_json,
        lambda: sections(
            headline(
                f"true rms {found.true_rms_volts:.2f} V",
                f"average-responding {found.average_responding_volts:.2f} V "
                f"({found.average_error_percent:+.1f} %)",
            ),
            _reading_figures(found),
            bullets("Notes", found.notes),
        ),
    )


def _reading_figures(found: MeterReading) -> str:
    if found.crest_factor_db is None or found.peak_volts is None:
        return "Band noise, Gaussian: the average-responding meter shows sqrt(pi)/2 of it."
    return (
        f"{found.wave.capitalize()}, peaks at {found.peak_volts:.2f} V, crest factor "
        f"{found.crest_factor_db:.2f} dB, THD {found.thd_percent:.2f} %."
    )


def trim(
    source_clip_dbfs: Annotated[
        float, typer.Option(help="Recording level at which the built-in amplifier clips [dBFS].")
    ],
    overlap_db: Annotated[float, typer.Option(help="Gain overlap of the main channels [dB].")],
    margin_db: Annotated[
        float, typer.Option(help="Margin that the main channels keep below their clipping [dB].")
    ] = 0.0,
    supply_volts: Annotated[
        float | None, typer.Option(help="Supply [V]: adds the built-in stage's own limit.")
    ] = None,
    load_ohms: Annotated[float | None, typer.Option(help="Loudspeakers on it [ohm].")] = None,
    clip_volts: Annotated[
        float | None, typer.Option(help="Its volts at the onset of clipping [V rms].")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """How far a radio's own loudspeaker channels come down, to clip no earlier than the main ones."""
    from gainkit.calculator.ranges import DB_IN_HAND, refuse_outside
    from gainkit.calculator.trims import find_trim

    refuse_outside("overlap_db", overlap_db, DB_IN_HAND)
    refuse_outside("margin_db", margin_db, DB_IN_HAND)
    main_clip_dbfs = margin_db - overlap_db
    found = find_trim(
        source_clip_dbfs, main_clip_dbfs, supply_volts=supply_volts, load_ohms=load_ohms, clip_volts=clip_volts
    )
    show(found, as_json, lambda: _trim_text(found))


def _trim_text(found: Trim) -> str:
    from gainkit.cli.plain import bullets, headline, sections

    facts = [f"It clips at {found.clip_dbfs_before:g} dBFS now, at {found.clip_dbfs_after:g} dBFS then."]
    if found.most_volts is not None:
        watts = "" if found.most_watts is None else f", {found.most_watts:.1f} W"
        facts.append(
            f"A bridge-tied stage on this supply: supply / sqrt(2) = {found.most_volts:.2f} V at most{watts}."
        )
    if found.source_volts is not None:
        facts.append(
            f"As source of an amplifier with loudspeaker-level inputs: {found.source_volts:.2f} V for 0 dBFS\n"
            "(calculated as if it did not clip)."
        )
    return sections(
        headline(f"TRIM {found.trim_db:.1f} dB"),
        "\n".join(facts),
        f"Why\n  trim = lower of 0 and built-in onset - main onset = {found.clip_dbfs_before:g} - "
        f"({found.main_clip_dbfs:g}) dBFS = {found.clip_dbfs_before - found.main_clip_dbfs:g} dB",
        bullets("Notes", found.notes),
    )


def register(app: typer.Typer) -> None:
    """Add this module's commands to the tree."""
    for command in (load, pad, feed, meter, trim):
        app.command()(command)
