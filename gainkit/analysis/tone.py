"""One steady tone: fit, distortion, noise and what else is in the band."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.harmonic import HarmonicFit, coarse_frequency, fit_harmonics, refine, synthesize
from gainkit.analysis.quantised import within_steps
from gainkit.analysis.spectrum import Line, Spectrum, lines_in, noise_density, spectrum_of

Floats = NDArray[np.float64]

MAX_ORDER = 20
RAIL_ORDERS = 5
"""Orders wanted for the rails even when the band's edge cuts harmonics earlier [-]."""


@dataclass(frozen=True)
class ToneFit:
    """A tone with its harmonics, and the noise around it. Phasors are complex peak volts.

    phasors : (K,) orders 1..K counted from the record's middle [V]. in_band : how many of them, from order 1,
    lie in the band [-]. noise_peak : (K,) rms error that noise gives each phasor's magnitude [V peak].
    noise_rms_volts : residual in the band, hum and other lines included [V]. blur_volts : standard deviation
    of a crest's height from a coarse quantiser, which no length of record averages out [V].
    """

    frequency_hz: float
    sample_rate_hz: float
    dc_volts: float
    phasors: NDArray[np.complex128]
    in_band: int
    noise_peak: Floats
    noise_rms_volts: float
    residual_power: float
    spectrum: Spectrum = field(repr=False)
    fit: HarmonicFit = field(repr=False)
    outliers: int = 0
    blur_volts: float = 0.0
    band_hz: tuple[float, float] = (10.0, 20_000.0)

    @property
    def fundamental_volts(self) -> float:
        """Rms of order 1 [V]."""
        return float(np.abs(self.phasors[0]) / np.sqrt(2))

    @property
    def distortion_ratio(self) -> float:
        """Amplitudes of orders 2.. in the band over the fundamental's, root of the sum of squares [-]."""
        return float(np.linalg.norm(self.phasors[1 : self.in_band]) / np.abs(self.phasors[0]))

    @property
    def thd_percent(self) -> float:
        """Harmonic amplitude over the fundamental [%]."""
        return 100 * self.distortion_ratio

    @property
    def distortion_seen(self) -> bool:
        """Whether the THD stands above what the noise would show by itself."""
        return self.thd_percent >= thresholds.SEEN_OVER_FLOOR * self.thd_floor_percent

    @property
    def full_thd_percent(self) -> float:
        """The same with all orders fitted, beyond the band's edge too: rails are judged by it [%]."""
        return float(100 * np.linalg.norm(self.phasors[1:]) / np.abs(self.phasors[0]))

    @property
    def thd_floor_percent(self) -> float:
        """What the noise alone would show as THD: root of the summed error powers [%]."""
        return 100 * float(np.linalg.norm(self.noise_peak[1 : self.in_band]) / np.abs(self.phasors[0]))

    @property
    def thd_n_percent(self) -> float:
        """Everything in the band but the fundamental, over everything in the band (AES17's idea) [%]."""
        rest = float(np.sum(np.abs(self.phasors[1 : self.in_band]) ** 2)) / 2 + self.noise_rms_volts**2
        return 100 * float(np.sqrt(rest / (rest + self.fundamental_volts**2)))

    @property
    def rms_volts(self) -> float:
        """Rms of the AC part as fitted, residual included [V]."""
        return float(np.sqrt(np.sum(np.abs(self.phasors) ** 2) / 2 + self.residual_power))

    def relative(self) -> NDArray[np.complex128]:
        """Phasors (K,) with time counted from the fundamental's crest, so that order 1 is real [V]."""
        orders = np.arange(1, len(self.phasors) + 1)
        return np.asarray(self.phasors * np.exp(-1j * orders * np.angle(self.phasors[0])))

    def period(self, points: int = 1024) -> Floats:
        """One period of the fitted wave, from the fundamental's crest, DC included: (points,) [V]."""
        turns = 2 * np.pi * np.arange(points) / points
        wave = np.exp(1j * np.multiply.outer(turns, np.arange(1, len(self.phasors) + 1))) @ self.relative()
        return np.asarray(self.dc_volts + wave.real)

    @cached_property
    def lines(self) -> list[Line]:
        """Lines in the band that are no harmonics of the tone, strongest first."""
        return lines_in(self.spectrum, self.frequency_hz, *self.band_hz)


def fit_tone(
    samples: Floats,
    sample_rate_hz: float,
    *,
    frequency_hz: float | None = None,
    band_hz: tuple[float, float] = (10.0, 20_000.0),
    max_order: int = MAX_ORDER,
    step_volts: float | None = None,
) -> ToneFit | None:
    """Fit the strongest tone in the band with its harmonics; None when the samples are silent.

    samples : (frames,) [V], steady, at least three cycles. frequency_hz : where to start looking, None to
    search the band. step_volts : step of a coarse quantiser [V], None for a fine one. THD counts orders
    2..max_order up to the band's upper edge.
    """
    low_hz, high_hz = band_hz
    start = frequency_hz or coarse_frequency(
        samples, sample_rate_hz, low_hz, min(high_hz, 0.49 * sample_rate_hz)
    )
    if start is None:
        return None
    highest = max(high_hz, min(RAIL_ORDERS * start * 1.01, 0.45 * sample_rate_hz))
    fit = fit_harmonics(samples, sample_rate_hz, start, highest_hz=highest, max_order=max_order)
    fit, outliers = without_outliers(samples, fit)
    if step_volts is not None:
        fit = within_steps(samples, fit, step_volts)
    tone_hz = fit.angular * sample_rate_hz / (2 * np.pi)
    spectrum = spectrum_of(fit.residual, sample_rate_hz)
    freedom = len(samples) / max(len(samples) - 2 * fit.orders - 2, 1)
    density = noise_density(spectrum, tone_hz, fit.orders, freedom)
    return ToneFit(
        frequency_hz=tone_hz,
        sample_rate_hz=sample_rate_hz,
        dc_volts=fit.dc,
        phasors=fit.phasors,
        in_band=max(1, min(fit.orders, int(high_hz / tone_hz + 1e-6))),
        # white noise of one-sided density S over T seconds gives a peak phasor the error power 2 S / T
        noise_peak=np.sqrt(2 * density / spectrum.seconds),
        noise_rms_volts=float(np.sqrt(spectrum.band_power(low_hz, high_hz))),
        residual_power=float(np.mean(fit.residual**2)),
        spectrum=spectrum,
        fit=fit,
        outliers=outliers,
        band_hz=band_hz,
    )


def without_outliers(samples: Floats, fit: HarmonicFit) -> tuple[HarmonicFit, int]:
    """Refit with single wild samples replaced by what the wave shows at their phase elsewhere.

    A clipped wave's corners leave a residual that repeats every cycle; only what does not repeat is wild.
    """
    residual = fit.residual
    spread = float(np.sqrt(np.mean(residual**2)))
    if spread == 0 or np.abs(residual).max() < thresholds.OUTLIER_SIGMAS * spread:
        return fit, 0
    bins = 256
    place = np.remainder(np.arange(len(residual)) * (fit.angular / (2 * np.pi)), 1.0) * bins
    index = np.minimum(place.astype(np.int64), bins - 1)
    own = residual
    for _ in range(3):  # wild samples pull the average that is to unmask them: repeat without them
        calm = np.abs(own) < thresholds.OUTLIER_SIGMAS * spread
        number = np.bincount(index[calm], minlength=bins)
        repeating = np.bincount(index[calm], residual[calm], minlength=bins) / np.maximum(number, 1)
        own = residual - repeating[index]
        spread = max(1.4826 * float(np.median(np.abs(own))), 1e-12 * float(np.abs(fit.phasors[0])))
    # corners sweep through a bin: their excursions repeat in it, single wild samples do not
    least = max(thresholds.OUTLIER_SIGMAS * spread, thresholds.OUTLIER_RATIO * float(np.abs(fit.phasors[0])))
    wild = np.flatnonzero(np.abs(own) > least)
    crowded = np.bincount(index[wild], minlength=bins) > np.maximum(0.1 * number, 2)
    wild = wild[~crowded[index[wild]]]
    if len(wild) == 0 or len(wild) > thresholds.OUTLIER_SHARE * len(samples):
        return fit, 0
    mended = samples.copy()
    model = synthesize(len(samples), fit.angular, fit.dc, fit.phasors)
    mended[wild] = model[wild] + repeating[index[wild]]
    return refine(mended, fit.angular, fit.orders), len(wild)
