"""An amplifier, a source and a recorder on paper: captures whose truth is known in closed form.

For the demonstration, for teaching and for tests. Memoryless rails are applied to an oversampled signal, so
that clipping does not alias; only what the rails take away is brought back down to the recording's rate,
the rest passes untouched. The onset of clipping follows from the Fourier series of the held sine.

Levels: a track holds samples in full-scale units (a sine of peak 1.0 is 0 dBFS, AES17); ``source_volts`` is
what the source delivers for 0 dBFS [V rms].
"""

from __future__ import annotations

from gainkit.simulator.resampling import resample
from gainkit.simulator.stage import Amplifier, Recorder, capture_track
from gainkit.simulator.truth import TrueOnset, harmonics, sagging_power, thd_percent, true_onset

__all__ = [
    "Amplifier",
    "Recorder",
    "TrueOnset",
    "capture_track",
    "harmonics",
    "resample",
    "sagging_power",
    "thd_percent",
    "true_onset",
]
