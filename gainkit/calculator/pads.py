"""A resistive pad between an amplifier's output and an interface's input, from preferred values."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from gainkit.calculator import ranges
from gainkit.calculator.pad_cautions import LEAST_BANDWIDTH_HZ, POWER_IN_HAND, SMALL_PART_WATTS, pad_cautions
from gainkit.calculator.pad_model import Pad, PadCall
from gainkit.calculator.preferred import SERIES, next_preferred, preferred_values
from gainkit.calculator.ranges import refuse_outside
from gainkit.errors import GainkitError
from gainkit.levels import FloatOrArray, db_from_ratio, power_db_from_ratio, ratio_from_db
from gainkit.remarks import remark

PART_WATTS = (0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""Power ratings that resistors are sold in [W] (common practice)."""

SHUNT_OHMS = (100.0, 10_000.0)
"""Shunts tried [ohm] (our choice): below, the series resistor gets hot; above, cable and input load the pad."""

LEAST_SERIES_OHMS = 10.0
"""Series resistor where the output's own resistance does all that is needed [ohm] (our choice)."""

ALIKE_DB = 0.25
"""Pads whose headroom differs by less are equally close: the one of lowest output resistance is taken [dB]."""


def divider_ratio(
    series_ohms: FloatOrArray, shunt_ohms: FloatOrArray, source_ohms: float, input_ohms: float
) -> FloatOrArray:
    """Output over source of a loaded divider [-]: p / (series + source + p), p = shunt parallel input.

    series_ohms : all of the series path (both legs of a balanced pad). input_ohms may be infinite.
    """
    loaded = shunt_ohms / (1.0 + shunt_ohms / input_ohms)
    ratio: FloatOrArray = loaded / (series_ohms + source_ohms + loaded)
    return ratio


def find_pad(call: PadCall) -> Pad:
    """The pad that suits best, from preferred values.

    Of all pairs that stay below full scale at the ends of their tolerance: those that need the smallest
    parts and keep the bandwidth, then those that waste least of the interface's range, then the lowest
    output resistance.

    Parameters
    ----------
    call : PadCall
        What the pad has to do.

    Returns
    -------
    Pad
        Resistors [ohm] with the power in them [W], loss and headroom [dB]; `shunt_ohms` is None where no pad is
        needed.

    Raises
    ------
    GainkitError
        `no_pad_fits` when no preferred values that are sold make one.

    References
    ----------
    Voltage divider by Kirchhoff's laws; IEC 60063 for the preferred values.

    Examples
    --------
    >>> pad = find_pad(PadCall(max_volts=17.3, input_volts=1))
    >>> pad.series_ohms, pad.shunt_ohms, round(pad.headroom_db, 2)
    (2200.0, 120.0, 0.97)
    """
    if call.max_volts <= call.input_volts:
        return _no_pad(call)
    pads = [pad for pad in _candidates(call) if pad.series_part_watts and pad.shunt_part_watts]
    if not pads:
        raise GainkitError(
            "no_pad_fits", "max_volts", call.max_volts, series=call.series, input_volts=call.input_volts
        )
    widest = max(pad.bandwidth_hz or math.inf for pad in pads)
    enough = min(LEAST_BANDWIDTH_HZ, widest / 2.0)
    wide = [pad for pad in pads if (pad.bandwidth_hz or math.inf) >= enough]
    smallest = min(max(pad.series_part_watts or 0.0, SMALL_PART_WATTS) for pad in wide)
    fitting = [pad for pad in wide if max(pad.series_part_watts or 0.0, SMALL_PART_WATTS) == smallest]
    closest = min(pad.headroom_db for pad in fitting)
    close = [pad for pad in fitting if pad.headroom_db <= closest + ALIKE_DB]
    return min(close, key=lambda pad: pad.output_ohms)


def check_pad(call: PadCall, series_ohms: float, shunt_ohms: float) -> Pad:
    """The figures of a pad that is already there.

    Parameters
    ----------
    call : PadCall
        What the pad has to do.
    series_ohms, shunt_ohms : float
        Its resistors, the series one of each leg [ohm].

    Returns
    -------
    Pad
        As `find_pad` returns it.

    Raises
    ------
    GainkitError
        `pad_overloads` when the interface would still be overloaded; `outside_range` or `missing`.

    References
    ----------
    As for `find_pad`.

    Examples
    --------
    >>> round(check_pad(PadCall(10, 1), series_ohms=9100, shunt_ohms=1000).headroom_db, 3)
    0.086
    """
    refuse_outside("series_ohms", series_ohms, ranges.IMPEDANCE_OHMS, needed=True)
    refuse_outside("shunt_ohms", shunt_ohms, ranges.IMPEDANCE_OHMS, needed=True)
    pad = _figures(call, series_ohms, shunt_ohms)
    if pad.headroom_db < 0:
        raise GainkitError(
            "pad_overloads", "series_ohms", series_ohms,
            shunt_ohms=shunt_ohms, left_volts=call.input_volts / ratio_from_db(pad.headroom_db),
            max_volts=call.max_volts, input_volts=call.input_volts,
        )  # fmt: skip
    return pad


def _candidates(call: PadCall) -> Iterator[Pad]:
    """One pad for every shunt: the smallest series value that is safe at the ends of the tolerance."""
    tolerance = SERIES[call.series][2]
    for shunt in preferred_values(call.series, *SHUNT_OHMS):
        high = shunt * (1 + tolerance)
        loaded = high / (1 + high / call.input_ohms)
        path = loaded * (call.max_volts / call.input_volts - 1.0) - call.source_ohms
        least = path / (call.legs * (1 - tolerance))
        if least <= 0:  # the source's own resistance does it already: any small resistor will do
            least = LEAST_SERIES_OHMS
        yield _figures(call, next_preferred(call.series, least), shunt)


def _figures(call: PadCall, series_ohms: float, shunt_ohms: float) -> Pad:
    """All figures of one pad."""
    path = call.legs * series_ohms
    tolerance = SERIES[call.series][2]
    ratio = divider_ratio(path, shunt_ohms, call.source_ohms, call.input_ohms)
    worst = divider_ratio(
        path * (1 - tolerance), shunt_ohms * (1 + tolerance), call.source_ohms, call.input_ohms
    )
    open_ratio = divider_ratio(path, shunt_ohms, call.source_ohms, math.inf)
    amperes = call.max_volts * (1.0 - ratio) / (path + call.source_ohms)
    series_watts = amperes**2 * series_ohms
    shunt_watts = (call.max_volts * ratio) ** 2 / shunt_ohms
    output = 1.0 / (1.0 / (path + call.source_ohms) + 1.0 / shunt_ohms + 1.0 / call.input_ohms)
    corner = 1.0 / (2.0 * math.pi * output * call.cable_pf * 1e-12) if call.cable_pf > 0 else None
    droop = 0.0 if corner is None else power_db_from_ratio(1.0 + (20_000.0 / corner) ** 2)
    pad = Pad(
        series_ohms=series_ohms,
        shunt_ohms=shunt_ohms,
        loss_db=-db_from_ratio(ratio),
        series_watts=series_watts,
        shunt_watts=shunt_watts,
        differential=call.bridged,
        headroom_db=db_from_ratio(call.input_volts / (call.max_volts * ratio)),
        worst_headroom_db=db_from_ratio(call.input_volts / (call.max_volts * worst)),
        series_part_watts=_part(series_watts),
        shunt_part_watts=_part(shunt_watts),
        loading_db=db_from_ratio(open_ratio / ratio) + 0.0,
        output_ohms=output,
        bandwidth_hz=corner,
        loss_20khz_db=droop,
        cautions=(),
        open_shunt_volts=call.max_volts / (1.0 + (path + call.source_ohms) / call.input_ohms),
        load_ohms=path + 1.0 / (1.0 / shunt_ohms + 1.0 / call.input_ohms),
    )
    return replace(pad, cautions=tuple(pad_cautions(call, pad)))


def _part(watts: float) -> float | None:
    """The smallest resistor sold that has a factor of two in hand [W]; None above the largest."""
    return next((part for part in PART_WATTS if part >= POWER_IN_HAND * watts), None)


def _no_pad(call: PadCall) -> Pad:
    """Nothing to bring down: a wire."""
    headroom = db_from_ratio(call.input_volts / call.max_volts) + 0.0
    pad = Pad(
        0.0, None, 0.0, 0.0, 0.0, call.bridged, headroom, headroom, None, None, 0.0, call.source_ohms, None,
        0.0, (),
    )  # fmt: skip
    return replace(pad, cautions=(remark("no_pad_needed"), *pad_cautions(call, pad)))
