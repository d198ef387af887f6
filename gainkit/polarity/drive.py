"""The answer to a pulse, calculated from another signal that was played and what was recorded of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import LOBE_SECONDS
from gainkit.polarity.swing import Decision, decide
from gainkit.polarity.train import AFTER_SECONDS, QUIET_SECONDS, Train
from gainkit.remarks import remark

Floats = NDArray[np.float64]

CLOCKS_PPM = (-200.0, -150.0, -100.0, -50.0, -20.0, 20.0, 50.0, 100.0, 150.0, 200.0)
ON_THE_CLOCK = 0.75
"""Clock errors that recorders have; an answer from another drive signal that one of them would turn has no more
confidence than this [0..1]: a sweep cannot tell a clock from a loudspeaker's own phase."""

LEAST_COVER = 0.7
"""Share of a pulse's energy that another drive signal must hold too [-]."""

LEAST_POWER = 1e-5
"""Frequencies in which the drive signal holds less than this share of its strongest are not divided by [-]:
pink noise from 20 Hz holds a thousandth of it at 20 kHz."""


@dataclass(frozen=True)
class Drive:
    """What was played and what was recorded of it, at one rate, both (frames,); size : of the transforms."""

    recorded: Floats
    played: Floats
    rate: float
    size: int

    @classmethod
    def of(cls, recorded: Floats, rate: float, played: Floats, drive: Capture) -> Drive:
        """played : samples of `drive`. Raises GainkitError for a silent drive signal."""
        if not played.any():
            raise GainkitError("drive_silent").within("file", drive.file)
        from scipy.fft import next_fast_len

        if drive.sample_rate_hz != rate:
            from scipy.signal import resample_poly

            played = resample_poly(played, round(rate), round(drive.sample_rate_hz))
        size = next_fast_len(len(recorded) + len(played), real=True)
        return cls(recorded, played, rate, size)

    def decide(self, band: str) -> Decision:
        """The sign, with little confidence where another clock of the recorder would turn it."""
        decision = decide(self.answer(band))
        if decision.polarity == "undecided":
            return decision
        others = (decide(self.answer(band, clock_ppm)).polarity for clock_ppm in CLOCKS_PPM)
        if any(other not in ("undecided", decision.polarity) for other in others):
            confidence = min(decision.confidence, ON_THE_CLOCK)
            return replace(decision, confidence=confidence, reasons=(remark("clock_decides"),))
        return decision

    def answer(self, band: str, clock_ppm: float = 0.0) -> Train | None:
        """The answer to one pulse of a band, by deconvolution.

        clock_ppm : by how much the recorder's clock is taken to run slow. None where the drive signal lacks the
        pulse's band, or where nothing stands out within the recording.
        """
        source = np.fft.rfft(self._on_clock(clock_ppm), self.size)
        power = np.abs(source) ** 2
        divisor = power + LEAST_POWER * power.max()
        lobe = max(round(LOBE_SECONDS[band] * self.rate), 2)
        pulse = np.fft.rfft(np.hanning(lobe + 3)[1:-1], self.size)
        energy = np.abs(pulse) ** 2
        if np.sum(power / divisor * energy) < LEAST_COVER * np.sum(energy):
            return None
        answer = np.fft.irfft(np.fft.rfft(self.recorded, self.size) * np.conj(source) / divisor * pulse)
        return self._around_arrival(np.roll(answer, self.size // 4))

    def _on_clock(self, clock_ppm: float) -> Floats:
        if not clock_ppm:
            return self.played
        places = np.arange(len(self.played))
        return np.asarray(np.interp(places * (1 + 1e-6 * clock_ppm), places, self.played, right=0.0))

    def _around_arrival(self, answer: Floats) -> Train | None:
        before, after = round(QUIET_SECONDS * self.rate), round(AFTER_SECONDS * self.rate)
        arrival = int(np.argmax(np.abs(answer)))
        if arrival < before or arrival + after > self.size:
            return None
        return Train(answer[None, arrival - before : arrival + after], before, self.rate)
