"""One steady tone: fit, distortion, noise and what else is in the band."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.harmonic import HarmonicFit, Phasors, coarse_frequency, fit_harmonics, from_crest
from gainkit.analysis.outliers import without_outliers
from gainkit.analysis.quantised import crest_blur, within_steps
from gainkit.analysis.spectrum import Line, Spectrum, lines_in, lone_line, noise_density, spectrum_of
from gainkit.calculator.ranges import refuse_outside
from gainkit.capture.model import RATES

Floats = NDArray[np.float64]

MAX_ORDER = 20
"""Highest harmonic that THD counts: those beyond add 0.008 % to the 23.23 % of a sine clipped by 6 dB (derived
from its Fourier series) [-]."""

LEAST_BEYOND = 1e-4
"""What lies beyond the fitted orders counts from this share of the tone on [-]: as a line is named."""

RAIL_ORDERS = 5
"""Orders wanted for the rails even when the band's edge cuts harmonics earlier [-]."""

HIGHEST_SHARE = 0.45
"""Harmonics are fitted up to this share of the sample rate [-]: above, a recorder's filter takes them."""

CRESTS_IN_HARMONICS = 0.6
"""Length of the harmonics over the height by which both crests of a clipped wave are moved [-]: the root of the
share of time that flats take, up to a third, times the root of two, less what is the fundamental's."""


@dataclass(frozen=True)
class ToneFit:
    """A tone with its harmonics, and the noise around it. Phasors are complex peak volts.

    phasors : (K,) orders 1..K counted from the record's middle [V]. in_band : how many of them, from order 1,
    lie in the band [-]. outliers, crackles : samples that are none of the wave's and were left out, or were
    too many to be. noise_peak : (K,) rms error that noise gives each phasor's magnitude [V peak].
    noise_rms_volts : residual in the band, hum and other lines included [V]. blur_volts : standard deviation
    of a crest's height from a coarse quantiser, which no length of record averages out [V]. step_volts : of
    that quantiser [V]. beside : lines near the tone that were fitted with it and taken out; their power
    counts as noise.
    """

    frequency_hz: float
    sample_rate_hz: float
    dc_volts: float
    phasors: Phasors
    in_band: int
    noise_peak: Floats
    noise_rms_volts: float
    residual_power: float
    spectrum: Spectrum = field(repr=False)
    fit: HarmonicFit = field(repr=False)
    outliers: int = 0
    crackles: int = 0
    blur_volts: float = 0.0
    step_volts: float = 0.0
    band_hz: tuple[float, float] = thresholds.AUDIO_BAND_HZ
    beside: tuple[Line, ...] = ()

    @property
    def fundamental_volts(self) -> float:
        """Rms of order 1 [V]."""
        return float(np.abs(self.phasors[0]) / np.sqrt(2))

    @property
    def distortion_ratio(self) -> float:
        """Amplitudes of orders 2.. in the band over the fundamental's, root of the sum of squares [-]; with the
        lines on multiples that are too high to be fitted and yet stronger than what leads up to them."""
        fitted = float(np.linalg.norm(self.phasors[1 : self.in_band]) / np.abs(self.phasors[0]))
        return math.hypot(fitted, self.beyond_volts / self.fundamental_volts)

    @property
    def thd_percent(self) -> float:
        """Harmonic amplitude over the fundamental [%]."""
        return 100 * self.distortion_ratio

    @property
    def thd_r_percent(self) -> float:
        """Harmonics over fundamental and harmonics together [%]."""
        return 100 * self.distortion_ratio / float(np.hypot(1, self.distortion_ratio))

    @property
    def full_thd_percent(self) -> float:
        """The same with all orders fitted, beyond the band's edge too: rails are judged by it [%]."""
        return float(100 * np.linalg.norm(self.phasors[1:]) / np.abs(self.phasors[0]))

    @property
    def thd_floor_percent(self) -> float:
        """What noise and a coarse quantiser alone would show as THD: root of the summed error powers [%]."""
        noise = float(np.linalg.norm(self.noise_peak[1 : self.in_band]))
        return 100 * float(np.hypot(noise, self.staircase_volts) / np.abs(self.phasors[0]))

    def on_steps(self, step_volts: float, above_band_volts: float = 0.0) -> ToneFit:
        """The same, with what a coarse quantiser of such a step [V] leaves unknown of its crests.

        above_band_volts : rms of what was filtered off before the fit, but stood there when it was quantised.
        """
        own_rms_volts = float(np.sqrt(self.residual_power + above_band_volts**2))
        return replace(self, blur_volts=crest_blur(step_volts, own_rms_volts), step_volts=step_volts)

    @property
    def staircase_volts(self) -> float:
        """What a quantiser's mean error on a sine puts on the harmonics in the band [V peak]: its power is
        spread evenly over as many orders as the sine crosses steps in a radian at its steepest, times two pi
        (Bessel functions of that argument; closed form)."""
        if not self.step_volts:
            return 0.0
        orders = 2 * np.pi * float(np.abs(self.phasors[0])) / self.step_volts
        return float(np.sqrt(2) * self.blur_volts * np.sqrt(min(self.in_band / orders, 1.0)))

    @property
    def distortion_seen(self) -> bool:
        """Whether THD stands above what the noise alone would show."""
        return thresholds.stands_above(self.thd_percent, self.thd_floor_percent)

    @property
    def thd_n_percent(self) -> float:
        """Everything in the band but the fundamental, over everything in the band (AES17's idea) [%]."""
        rest = float(np.sum(np.abs(self.phasors[1 : self.in_band]) ** 2)) / 2 + self.noise_rms_volts**2
        return 100 * float(np.sqrt(rest / (rest + self.fundamental_volts**2)))

    @property
    def rms_volts(self) -> float:
        """Rms of the AC part as fitted, residual included [V]."""
        return float(np.sqrt(np.sum(np.abs(self.phasors) ** 2) / 2 + self.residual_power))

    @property
    def thd_uncertainty_percent(self) -> float:
        """Standard uncertainty of THD from noise, leakage and a coarse quantiser [%]: sum of (h_k u_k)^2 over
        the harmonics' own length, u_k the standard deviation of a magnitude, and THD times the fundamental's
        relative one (JCGM 100, 5.1.2); crests that a quantiser moves are all harmonics at once."""
        peaks = np.abs(self.phasors[: self.in_band])
        errors = np.hypot(self.noise_peak / np.sqrt(2), self._leakage())[: self.in_band]
        length = float(np.linalg.norm(peaks[1:]))
        if length == 0:
            return self.thd_floor_percent
        of_harmonics = float(np.linalg.norm(peaks[1:] * errors[1:])) / length
        of_fundamental = self.distortion_ratio * float(errors[0])
        of_crests = CRESTS_IN_HARMONICS * self.blur_volts
        return 100 * float(np.hypot(np.hypot(of_harmonics, of_fundamental), of_crests) / peaks[0])

    def _leakage(self) -> Floats:
        """What the harmonics above those fitted put on each where the record holds no whole cycles: (K,) rms
        [V peak]. They are taken to fall like a clipped wave's, from the last two that were fitted; over c
        cycles one that lies m orders off leaks by 1 / (pi c m) at most."""
        count, cycles = len(self.phasors), self.fit.angular * len(self.fit.residual) / (2 * np.pi)
        beyond = np.arange(count + 1, int(np.pi / self.fit.angular) + 1)
        last = float(np.sqrt(np.mean(np.abs(self.phasors[-2:]) ** 2))) if count > 2 else 0.0
        apart = np.subtract.outer(beyond, np.arange(1, count + 1))
        leaks = (last * count / beyond)[:, np.newaxis] / (np.pi * cycles * apart)
        return np.asarray(np.linalg.norm(leaks, axis=0))

    @property
    def rms_uncertainty_volts(self) -> float:
        """Standard uncertainty of rms_volts from noise [V]: of the fundamental's amplitude, and of the power
        of what is no harmonic, by as many degrees of freedom as its spectrum has (chi-square)."""
        of_tone = self.fundamental_volts * float(self.noise_peak[0]) / 2
        power = float(self.spectrum.power.sum())
        # bins count by their share: 1 / sum p^2 of them, one degree of freedom a second and hertz each way
        bins = power**2 / max(float(np.sum(self.spectrum.power**2)), 1e-300) * self.spectrum.step_hz
        freedom = max(bins * self.spectrum.seconds, 1.0)
        of_rest = power / float(np.sqrt(freedom)) / 2
        return float(np.hypot(of_tone, of_rest)) / max(self.rms_volts, 1e-300)

    def relative(self) -> Phasors:
        """Phasors (K,) with time counted from the fundamental's crest, so that order 1 is real [V]."""
        return from_crest(self.phasors)

    def period(self, points: int = 1024) -> Floats:
        """One period of the fitted wave, from the fundamental's crest, DC included: (points,) [V]."""
        spectrum = np.concatenate([[2 * self.dc_volts], self.relative()]) * (points / 2)
        return np.fft.irfft(spectrum, points)

    @cached_property
    def lines(self) -> list[Line]:
        """Lines in the band that are no harmonics of the tone, strongest first; with those on multiples too
        high to be fitted that the fitted ones do not lead up to."""
        peaks = np.abs(self.phasors)
        others = (*self.beside, *lines_in(self.spectrum, self.frequency_hz, *self.band_hz, peaks))
        return sorted(others, key=lambda line: -line.rms_volts)

    @cached_property
    def lone(self) -> Line | None:
        """The one line that makes up most of what is left over, in a record too short for `lines`."""
        return lone_line(self.spectrum, *self.band_hz)

    @cached_property
    def beyond_volts(self) -> float:
        """Rms of the lines on multiples above those that were fitted [V]."""
        if self.noise_rms_volts < LEAST_BEYOND * self.fundamental_volts:
            return 0.0
        lone = () if self.lone is None else (self.lone,)
        return math.sqrt(sum(line.rms_volts**2 for line in (*self.lines, *lone) if self._on_multiple(line)))

    @cached_property
    def interference_volts(self) -> float:
        """Rms of hum and other lines that are no multiples of the tone [V]."""
        power = sum(line.rms_volts**2 for line in self.lines if not self._on_multiple(line))
        return math.sqrt(min(power, self.rms_volts**2 - self.fundamental_volts**2))

    def _on_multiple(self, line: Line) -> bool:
        """Whether a line lies on a multiple of the tone that was not fitted, as far as the record tells."""
        order = round(line.frequency_hz / self.frequency_hz)
        off_hz = abs(line.frequency_hz - order * self.frequency_hz)
        quantised = line.rms_volts < self.blur_volts  # steps alone make such lines
        return order > self.fit.orders and off_hz < self.spectrum.step_hz and not quantised

    def with_beside(self, beside: tuple[Line, ...]) -> ToneFit:
        """The same with lines that were taken out before the fit."""
        power = sum(line.rms_volts**2 for line in beside)
        return replace(
            self,
            beside=beside,
            noise_rms_volts=float(np.hypot(self.noise_rms_volts, np.sqrt(power))),
            residual_power=self.residual_power + power,
        )


def fit_tone(
    samples: Floats,
    sample_rate_hz: float,
    *,
    frequency_hz: float | None = None,
    band_hz: tuple[float, float] = thresholds.AUDIO_BAND_HZ,
    max_order: int = MAX_ORDER,
    step_volts: float | None = None,
) -> ToneFit | None:
    """Fit the strongest tone in the band with its harmonics.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        A steady tone of at least three cycles [V].
    sample_rate_hz : float
        [Hz].
    frequency_hz : float, optional
        Where to start looking [Hz]; the band is searched otherwise.
    band_hz : (float, float)
        Band of tone, harmonics and noise [Hz]. THD counts orders 2..max_order up to its upper edge.
    max_order : int
        Highest order that is fitted.
    step_volts : float, optional
        Step of a coarse quantiser that alone disturbs the tone [V]; see `gainkit.analysis.quantised`.

    Returns
    -------
    ToneFit or None
        Frequency, phasors and noise; None when the samples are silent.

    References
    ----------
    The four-parameter sine fit of IEEE 1057, for all harmonics at once; Kay, Fundamentals of Statistical Signal
    Processing (1993), ch. 7: least squares as maximum likelihood in white noise.

    Examples
    --------
    >>> import numpy as np
    >>> turn = 2 * np.pi * 997 / 48000 * np.arange(48000)
    >>> tone = fit_tone(np.sin(turn) + 0.01 * np.sin(3 * turn), 48000)
    >>> print(f"{tone.frequency_hz:.3f} Hz, {tone.fundamental_volts:.4f} V, THD {tone.thd_percent:.3f} %")
    997.000 Hz, 0.7071 V, THD 1.000 %
    """
    refuse_outside("sample_rate_hz", sample_rate_hz, RATES, needed=True)
    refuse_outside("frequency_hz", frequency_hz, RATES)
    if not len(samples):
        return None
    low_hz, high_hz = band_hz
    start_hz = frequency_hz or coarse_frequency(samples, sample_rate_hz, low_hz, high_hz)
    if start_hz is None:
        return None
    highest_hz = max(high_hz, min(RAIL_ORDERS * start_hz * 1.01, HIGHEST_SHARE * sample_rate_hz))
    fit = fit_harmonics(samples, sample_rate_hz, start_hz, highest_hz=highest_hz, max_order=max_order)
    fit, outliers, crackles = without_outliers(samples, fit)
    if step_volts is not None:
        fit = within_steps(samples, fit, step_volts)
    return replace(_with_noise(fit, sample_rate_hz, band_hz, outliers), crackles=crackles)


def _with_noise(
    fit: HarmonicFit, sample_rate_hz: float, band_hz: tuple[float, float], outliers: int
) -> ToneFit:
    """A fit with the noise that its residual shows in the band and around each harmonic."""
    frames = len(fit.residual)
    tone_hz = fit.angular * sample_rate_hz / (2 * np.pi)
    spectrum = spectrum_of(fit.residual, sample_rate_hz)
    freedom = frames / max(frames - 2 * fit.orders - 2, 1)
    density = noise_density(spectrum, tone_hz, fit.orders, freedom)
    return ToneFit(
        frequency_hz=tone_hz,
        sample_rate_hz=sample_rate_hz,
        dc_volts=fit.dc,
        phasors=fit.phasors,
        in_band=max(1, min(fit.orders, int(band_hz[1] / tone_hz + 1e-6))),
        # white noise of one-sided density S over T seconds gives a peak phasor the error power 2 S / T
        noise_peak=np.sqrt(2 * density / spectrum.seconds),
        noise_rms_volts=float(np.sqrt(spectrum.band_power(*band_hz))),
        residual_power=float(fit.residual @ fit.residual) / frames,
        spectrum=spectrum,
        fit=fit,
        outliers=outliers,
        band_hz=band_hz,
    )
