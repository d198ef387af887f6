"""Music rather than a tone: what overlap and clipping do to average power, and to the tweeter.

The programme is Gaussian noise with a pink spectrum from 20 Hz to 20 kHz (IEC 60268-1 takes Gaussian
amplitudes for simulated programme), so strong that its full-scale peaks stand `crest_factor_db` above its
rms. The amplifier has hard rails. Power is relative to that of the sine at the onset of clipping.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gainkit.calculator.ranges import (
    CREST_DB,
    DB_IN_HAND,
    DIFFERENCE_DB,
    FREQUENCY_HZ,
    POWER_WATTS,
    refuse_outside,
)
from gainkit.levels import power_db_from_ratio, ratio_from_db

LOW_HZ, HIGH_HZ = 20.0, 20_000.0
"""The band of the programme [Hz], by convention the audible one."""

USUAL_OVERLAPS_DB = (0.0, 3.0, 6.0, 10.0)
"""Overlaps that a table compares [dB] (common practice, no source)."""

PRODUCT_RATE_HZ, PRODUCT_POINTS = 400_000.0, 1 << 16
"""Sampling of the products' spectrum [Hz], [-]: ten times the programme's band, in steps of 6 Hz, finer than
its lowest frequency; four times both changes the products' power above 2800 Hz by less than 1e-12 of it."""

MOST_ORDERS = 120
"""Terms of the Hermite series [-]: four times as many add less than 0.4 % to the products' power, at overlaps
of 0 to 20 dB and a crest factor of 12 dB."""


USUAL_CREST_DB = 12.0
"""Crest factor of programme where none is given [dB] (our choice, between heavily limited music at about 6 to
9 dB and speech or orchestra at 15 to 20 dB: common practice, no source)."""


def rail_over_rms(crest_factor_db: float, overlap_db: float, band_share: float = 1.0) -> float:
    """Rail over rms of the programme as it would be unclipped [-]; infinite where a band lets nothing through.

    Full-scale peaks stand crest_factor_db above the rms and reach overlap_db beyond the rail. band_share : of
    the programme's power that the channel's filters let through; what is Gaussian stays so behind a filter.
    """
    return math.inf if band_share <= 0.0 else ratio_from_db(crest_factor_db - overlap_db) / band_share**0.5


def average_power_ratio(crest_factor_db: float, overlap_db: float, band_share: float = 1.0) -> float:
    """Long-term power of the clipped programme over that of the sine at the rail [-].

    E[min(|x|, c)^2] of a Gaussian x with c = a rms: rms^2 (erf(a/sqrt2) - a sqrt(2/pi) exp(-a^2/2)) +
    c^2 erfc(a/sqrt2); the sine at the rail has c^2 / 2. Derivation: integration by parts.
    """
    a = rail_over_rms(crest_factor_db, overlap_db, band_share)
    if math.isinf(a):
        return 0.0
    inside = math.erf(a / math.sqrt(2)) - a * math.sqrt(2 / math.pi) * math.exp(-a * a / 2)
    return 2.0 * (inside / (a * a) + math.erfc(a / math.sqrt(2)))


def time_clipped_share(crest_factor_db: float, overlap_db: float, band_share: float = 1.0) -> float:
    """Share of the time that the programme spends at a rail [-]: erfc(a / sqrt 2)."""
    return math.erfc(rail_over_rms(crest_factor_db, overlap_db, band_share) / math.sqrt(2))


@dataclass(frozen=True)
class PassBand:
    """What a channel's own filters let through of the programme: between these corners [Hz].

    Of pink noise a Butterworth filter of any order passes as much power as a sharp edge at its corner: against
    the logarithm of frequency its power response is a logistic step, symmetrical about the corner (derivation;
    the ends of the audible band left aside).
    """

    low_hz: float = LOW_HZ
    high_hz: float = HIGH_HZ

    @property
    def share(self) -> float:
        """Of the power of pink noise from 20 Hz to 20 kHz [-]."""
        return max(0.0, pink_share_above(self.low_hz) - pink_share_above(self.high_hz))


WHOLE_BAND = PassBand()


def pink_share_above(frequency_hz: float) -> float:
    """Share of pink noise from 20 Hz to 20 kHz that lies above a frequency [-]: equal power per octave."""
    inside = min(max(frequency_hz, LOW_HZ), HIGH_HZ)
    return math.log(HIGH_HZ / inside) / math.log(HIGH_HZ / LOW_HZ)


def tweeter_power_ratios(
    crest_factor_db: float, overlap_db: float, crossover_hz: float, band: PassBand = WHOLE_BAND
) -> tuple[float, float]:
    """Power above a crossover over that of the sine at the rail [-]: (all of it, the part made by clipping).

    A Gaussian signal through hard rails leaves as itself times erf(a / sqrt 2) plus products that are
    uncorrelated with it (Bussgang's theorem, 1952). The products' spectrum follows from the Hermite series
    of the output's autocorrelation (Price's theorem, 1958): for odd n from 3, power c_n^2 with
    c_n = 2 rms phi(a) He_(n-2)(a) / sqrt(n!), spread as the n-fold convolution of the programme's spectrum.
    Both theorems cited from memory; checked against clipped noise in the tests.
    """
    a = rail_over_rms(crest_factor_db, overlap_db, band.share)
    if math.isinf(a):
        return 0.0, 0.0
    rms_power = 2.0 / (a * a)  # of the unclipped programme, relative to the sine at the rail
    above = PassBand(max(band.low_hz, crossover_hz), band.high_hz).share / band.share
    linear = math.erf(a / math.sqrt(2)) ** 2 * rms_power * above
    made = rms_power * _products_above(a, crossover_hz, band)
    return linear + made, made


def _products_above(a: float, crossover_hz: float, band: PassBand) -> float:
    """Power of the clipping products above a frequency, over the unclipped programme's power [-]."""
    import numpy as np

    size = PRODUCT_POINTS
    frequency = np.fft.rfftfreq(size, 1.0 / PRODUCT_RATE_HZ)
    spectrum = np.zeros(size // 2 + 1)
    inside = (frequency >= max(LOW_HZ, band.low_hz)) & (frequency <= min(HIGH_HZ, band.high_hz))
    if not inside.any():  # a band narrower than the spectrum's steps: all of it at the nearest
        inside[np.argmin(np.abs(frequency - math.sqrt(band.low_hz * band.high_hz)))] = True
    spectrum[inside] = 1.0 / frequency[inside]
    correlation = np.fft.irfft(spectrum, size)
    correlation /= correlation[0]
    products = np.zeros(size)
    hermite = [1.0, a]  # He_n / sqrt(n!), so that nothing overflows
    density = math.exp(-a * a / 2) / math.sqrt(2 * math.pi)
    power = correlation.copy()
    for order in range(2, MOST_ORDERS):
        power *= correlation
        if order % 2:
            # c_n = 2 phi(a) He_(n-2)(a) / sqrt(n!) = 2 phi(a) h_(n-2) / sqrt(n (n-1))
            weight = 2.0 * density * hermite[order - 2] / math.sqrt(order * (order - 1))
            products += weight**2 * power
        hermite.append((a * hermite[-1] - math.sqrt(order - 1) * hermite[-2]) / math.sqrt(order))
    density_out = np.fft.rfft(products).real
    density_out[1:-1] *= 2.0
    return float(np.sum(density_out[frequency >= crossover_hz]) / size)


@dataclass(frozen=True)
class ProgrammePower:
    """Long-term power at one overlap, of a programme with that crest factor.

    average_watts : of the channel [W]. average_db : that against an overlap of 0 dB [dB].
    time_clipped_percent : share of the time at a rail [%]. tweeter_watts : above the crossover [W],
    tweeter_clipping_watts : the part of it that clipping makes [W]; None without a crossover.
    """

    overlap_db: float
    crest_factor_db: float
    average_watts: float
    average_db: float
    time_clipped_percent: float
    tweeter_watts: float | None
    tweeter_clipping_watts: float | None


def band_of(highpass_hz: float | None, lowpass_hz: float | None) -> PassBand:
    """What filters at these corners let through; None where there is none."""
    return PassBand(highpass_hz or LOW_HZ, lowpass_hz or HIGH_HZ)


def find_programme(
    clip_watts: float,
    crest_factor_db: float,
    overlaps_db: tuple[float, ...],
    crossover_hz: float | None = None,
    target_below_clip_db: float = 0.0,
    highpass_hz: float | None = None,
    lowpass_hz: float | None = None,
) -> tuple[ProgrammePower, ...]:
    """Long-term power at several overlaps. clip_watts : the channel's power at the onset of clipping [W].

    target_below_clip_db : how far the target lies below the rails, by a margin or the loudspeaker's limit; an
    overlap of that size just makes full-scale peaks touch them [dB]. highpass_hz, lowpass_hz : the channel's
    own filters, which stand before its output stage: what they keep out is no load to it [Hz]. The tweeter's
    power is calculated with the load's own impedance and no loss in its crossover. Raises GainkitError for a
    figure that cannot be.
    """
    refuse_outside("clip_watts", clip_watts, POWER_WATTS, needed=True)
    refuse_outside("crest_factor_db", crest_factor_db, CREST_DB, needed=True)
    refuse_outside("crossover_hz", crossover_hz, FREQUENCY_HZ)
    refuse_outside("target_below_clip_db", target_below_clip_db, DIFFERENCE_DB, needed=True)
    refuse_outside("highpass_hz", highpass_hz, FREQUENCY_HZ)
    refuse_outside("lowpass_hz", lowpass_hz, FREQUENCY_HZ)
    for overlap in overlaps_db:
        refuse_outside("overlaps_db", overlap, DB_IN_HAND, needed=True)
    band = band_of(highpass_hz, lowpass_hz)
    unclipped = average_power_ratio(crest_factor_db, -target_below_clip_db, band.share)
    rows = []
    for overlap in overlaps_db:
        beyond = overlap - target_below_clip_db
        ratio = average_power_ratio(crest_factor_db, beyond, band.share)
        tweeter: tuple[float | None, float | None] = (None, None)
        if crossover_hz is not None:
            above, made = tweeter_power_ratios(crest_factor_db, beyond, crossover_hz, band)
            tweeter = (clip_watts * above, clip_watts * made)
        rows.append(
            ProgrammePower(
                overlap_db=overlap,
                crest_factor_db=crest_factor_db,
                average_watts=clip_watts * ratio,
                average_db=power_db_from_ratio(ratio / unclipped) + 0.0 if unclipped else 0.0,
                time_clipped_percent=100.0 * time_clipped_share(crest_factor_db, beyond, band.share),
                tweeter_watts=tweeter[0],
                tweeter_clipping_watts=tweeter[1],
            )
        )
    return tuple(rows)
