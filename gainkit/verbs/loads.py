"""The impedance of what hangs on an output, from recordings."""

from __future__ import annotations

from typing import Any

from gainkit.impedance import LoadOptions, MeasuredLoad, measured_load
from gainkit.verbs.inputs import READING, Source, opened, refuse_unknown

KNOWN = tuple(LoadOptions.__dataclass_fields__)
"""Options that say what is known beside the recordings: the fields of `LoadOptions`."""


def find_impedance(
    first: Source, second: Source, *, channel: int = 1, other_channel: int | None = None, **options: Any
) -> MeasuredLoad:
    """Find a load's impedance from volts across it and across a resistor in series, or an output's resistance.

    Parameters
    ----------
    first, second : Capture, str or Path
        Volts across the load and across the resistor; or of one output, open and loaded. The same recording
        twice stands for two channels of it: then the phase is known too, and a sweep gives the whole curve.
    channel, other_channel : int
        Channels of the two, counted from 1; of one recording the second is the next channel if left out.
    **options
        `series_ohms` or `load_ohms` [ohm], `across_both`, `min_ohms` [ohm], `bridged`: see
        `gainkit.impedance.LoadOptions`. How the files are read: `full_scale_volts` [V peak] or `calibration`,
        `interval_seconds` [s].

    Returns
    -------
    MeasuredLoad
        Impedance in ohms and degrees, of a tone or as a curve with its least value and resonance [Hz].

    Raises
    ------
    GainkitError
        `needs_one_recording`, `no_impedance_seen`, `different_tones_recorded`, `open_below_loaded`,
        `calibrations_differ`, `recorder_clipped`; what reading a file raises; figures that cannot be.

    References
    ----------
    Ohm's law for phasors; least squares of two spectra (Bendat and Piersol's H1); IEC 60268-5 for the nominal
    impedance, which the least may undercut by a fifth.

    Examples
    --------
    >>> import numpy as np
    >>> import gainkit
    >>> turn = 2 * np.pi * 50 * np.arange(48_000) / 48_000
    >>> both = np.stack([2 * np.sin(turn + np.pi / 6), 0.5 * np.sin(turn)], axis=1)
    >>> tone = gainkit.Capture.from_array(both, 48_000)
    >>> found = gainkit.find_impedance(tone, tone, series_ohms=1)
    >>> print(f"{found.ohms:.2f} ohm, {found.phase_degrees:.1f} degrees")
    4.00 ohm, 30.0 degrees
    """
    refuse_unknown(options, (*READING, *KNOWN))
    one = opened(first, options)
    two = (
        one
        if first is second or (not hasattr(first, "frames") and str(first) == str(second))
        else opened(second, options)
    )
    known = LoadOptions(**{name: options[name] for name in KNOWN if name in options})
    return measured_load(one, two, known, channel, other_channel)
