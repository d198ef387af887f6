"""A recording of a steady tone through an amplifier on paper: for trying things out, and for teaching."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from gainkit.calculator.ranges import FREQUENCY_HZ, LEVEL_DBFS, VOLTS, Range, refuse_outside
from gainkit.capture import Capture
from gainkit.levels import ratio_from_db
from gainkit.simulator import Amplifier, Recorder, capture_track

SECONDS = Range("s", 0, 600)
"""How long a simulated recording may be: it is held in memory."""


def simulate(
    amplifier: Amplifier | None = None,
    recorder: Recorder | None = None,
    *,
    level_dbfs: float = 0.0,
    frequency_hz: float = 997.0,
    seconds: float = 1.0,
    source_volts: float = 1.0,
    calibrated: bool = True,
    seed: int = 1,
) -> Capture:
    """Record a steady tone through an amplifier that is only calculated.

    Parameters
    ----------
    amplifier, recorder : Amplifier, Recorder, optional
        What the tone passes and what it is recorded with; their defaults where left out.
    level_dbfs : float
        Level of the tone [dBFS], 0 or less.
    frequency_hz : float
        Its frequency [Hz].
    seconds : float
        Length of the recording [s].
    source_volts : float
        What the source delivers for 0 dBFS [V rms].
    calibrated : bool
        Whether the capture knows the recorder's full scale and is in volts.
    seed : int
        Of the noise.

    Returns
    -------
    Capture
        One channel, (frames, 1) samples at the recorder's rate.

    Raises
    ------
    GainkitError
        `outside_range` for a figure that cannot be.

    References
    ----------
    dBFS after AES17: a sine whose peaks touch full scale is 0 dBFS. The amplifier: see `gainkit.simulator`.

    Examples
    --------
    >>> import gainkit
    >>> hot = gainkit.simulate(gainkit.Amplifier(gain_db=26.0, positive_rail_volts=20.0), source_volts=1.0)
    >>> gainkit.measure(hot).clipping.state
    'clipped'
    """
    refuse_outside("level_dbfs", level_dbfs, LEVEL_DBFS)
    refuse_outside("frequency_hz", frequency_hz, FREQUENCY_HZ)
    refuse_outside("seconds", seconds, SECONDS)
    refuse_outside("source_volts", source_volts, VOLTS)
    chain = (amplifier or Amplifier(), recorder or Recorder())
    rate = chain[1].sample_rate_hz
    time = np.arange(round(seconds * rate)) / rate
    track = ratio_from_db(level_dbfs) * np.sin(2 * np.pi * frequency_hz * time)
    samples: Any = capture_track(track, rate, source_volts, chain, seed=seed)
    full_scale = chain[1].full_scale_volts if calibrated else 1.0
    heard = Capture.from_array(
        samples, rate, file="simulated", volts_per_unit=full_scale, calibrated=calibrated
    )
    bits = chain[1].bits
    return replace(heard, has_full_scale=True, step_units=None if bits is None else 2.0 ** (1 - bits))
