"""A steady tone, measured beside its plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gainkit import analysis
from gainkit.analysis.model import Measurement
from gainkit.beside import Expected, beside_plan, expected_of
from gainkit.errors import GainkitError
from gainkit.verbs.inputs import MEASURING, READING, Source, measure_options, opened, refuse_unknown


def measure(
    capture: Source, *, system: Path | str | None = None, for_output: str | None = None, **options: Any
) -> Measurement:
    """Measure a recorded steady tone: volts, distortion, clipping, and what to turn.

    Parameters
    ----------
    capture : Capture, str or Path
        The recording, or its file: audio, or text from an oscilloscope.
    system, for_output : str or Path, str, optional
        System file and the output in it that the tone was recorded from: they give target, load and limit.
    **options
        How the file is read: `full_scale_volts` (peak volts of digital 1.0 [V]) or `calibration` (path of a
        calibration file), `interval_seconds` (of a text without a time column [s]). What is measured:
        `channel` and `minus` (counted from 1; the second is subtracted, for bridged outputs),
        `start_seconds`, `stop_seconds` [s], `band_hz` (low, high) [Hz], `load_ohms` [ohm], `target_volts`
        [V rms], `limit_thd_percent` [%].

    Returns
    -------
    Measurement
        Scalars with units in their names: volts are rms unless named peak or dc, and parts of digital full
        scale where `calibrated` is False; `harmonics` holds one entry for each order in the band;
        `notes` are remarks with a code and a severity.

    Raises
    ------
    GainkitError
        For a file without a capture, options out of range or unknown (`unknown_option`), and a part with
        fewer than three cycles of anything.

    References
    ----------
    THD is harmonic amplitude over the fundamental's, `thd_r_percent` over the total rms (IEC 60268-3 has the
    latter); dBFS after AES17.

    Examples
    --------
    >>> import gainkit
    >>> recording = gainkit.simulate(gainkit.Amplifier(gain_db=20.0), level_dbfs=-6.0, source_volts=2.0)
    >>> found = gainkit.measure(recording, target_volts=10.0)
    >>> print(f"{found.rms_volts:.2f} V, {found.clipping.state}, turn {found.target.change_db:+z.2f} dB")
    10.02 V, clean, turn -0.02 dB
    """
    refuse_unknown(options, (*READING, *MEASURING))
    expected = _expected(system, for_output, options)
    if expected.plan is not None:
        options = {"target_volts": expected.plan.set_volts} | options
    asked = {"limit_thd_percent": expected.checks.limit_thd_percent} | options
    return beside_plan(analysis.measure(opened(capture, options), measure_options(asked)), expected.plan)


def _expected(system: Path | str | None, for_output: str | None, options: dict[str, Any]) -> Expected:
    """What the system file says of the output, where one is given."""
    if system is None:
        if for_output is not None:
            raise GainkitError("needs_system_file", "for_output", for_output)
        return Expected()
    if for_output is None:
        raise GainkitError("output_missing", "for_output")
    return expected_of(system, for_output, options.get("limit_thd_percent"))
