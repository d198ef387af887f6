"""Loudspeakers, cabins and recorders on paper: recordings of the pulses track whose polarity is known.

A driver is a high-pass (second order: closed box, fourth: vented) with its own upper end; a crossover leg comes
before it. The cabin adds reflections; the microphone has a high-pass; the recorder has noise, automatic gain,
a clock of its own, and starts when it likes. Everything is drawn from a seed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from gainkit.capture import Capture
from gainkit.generator.chirps import chirp_of, one_chirp
from gainkit.generator.pulses import LATE_SECONDS, SPACING_SECONDS, lobe

Floats = NDArray[np.float64]
FINE = 192_000
"""Rate of everything before the recorder [Hz]."""

PULSE_SECONDS = 0.45
"""How long one pulse is followed [s]: shorter than the spacing."""


@dataclass(frozen=True)
class Leg:
    """A crossover: kind "none", "low", "high" or "band", order 1 to 4 on each side, corners [Hz].

    linkwitz : two equal Butterworth halves (orders 2 and 4 only).
    """

    kind: str = "none"
    order: int = 2
    low_hz: float = 300.0
    high_hz: float = 3000.0
    linkwitz: bool = False

    def through(self, samples: Floats) -> Floats:
        halves = 2 if self.linkwitz and self.order in (2, 4) else 1
        for kind, corner in (("high", self.low_hz), ("low", self.high_hz)):
            if self.kind in (kind, "band"):
                sections = signal.butter(self.order // halves, corner, kind, fs=FINE, output="sos")
                for _ in range(halves):
                    samples = signal.sosfilt(sections, samples)
        return np.asarray(samples)


@dataclass(frozen=True)
class Driver:
    """order : 2 or 4. corner_hz, quality : of the box. upper_hz : where the cone's top end falls."""

    order: int = 2
    corner_hz: float = 80.0
    quality: float = 0.8
    upper_hz: float = 8000.0

    def through(self, samples: Floats) -> Floats:
        wide = 2 * np.pi * self.corner_hz
        corner = signal.bilinear([1, 0, 0], [1, wide / self.quality, wide**2], fs=FINE)
        samples = signal.lfilter(*corner, samples)
        if self.order == 4:
            port = 2 * np.pi * self.corner_hz * 0.8
            samples = signal.lfilter(*signal.bilinear([1, 0, 0], [1, port / 0.9, port**2], fs=FINE), samples)
        return np.asarray(signal.lfilter(*signal.butter(2, self.upper_hz, fs=FINE), samples))


@dataclass(frozen=True)
class Cabin:
    """Echoes after the direct sound: (n,) delays [s] and gains [-]; each has lost its treble."""

    delays_seconds: tuple[float, ...] = ()
    gains: tuple[float, ...] = ()

    def through(self, samples: Floats) -> Floats:
        dull = signal.lfilter(*signal.butter(1, 5000.0, fs=FINE), samples)
        heard = samples.copy()
        for delay, gain in zip(self.delays_seconds, self.gains, strict=True):
            shift = round(delay * FINE)
            heard[shift:] += gain * dull[: len(dull) - shift]
        return heard


@dataclass(frozen=True)
class Recorder:
    """microphone_hz : corner of its high-pass, of first or second order. snr_db : a pulse's
    peak over the rms of the noise in the recorder's whole band. rumble : share of the
    noise's power that falls by 3 dB an octave. ratio : of the automatic gain (1: none), release_seconds : how
    it recovers. clock_ppm : of its clock.
    lead_seconds : negative: it starts late."""

    rate: int = 48_000
    microphone_hz: float = 60.0
    microphone_order: int = 1
    snr_db: float = 20.0
    rumble: float = 0.0
    ratio: float = 1.0
    release_seconds: float = 0.3
    clock_ppm: float = 0.0
    lead_seconds: float = 0.4
    peak: float = 0.3
    inverts: bool = False


@dataclass(frozen=True)
class Scene:
    """Everything between the track and the file. sign : +1 or -1, how the loudspeaker is wired."""

    band: str = "midrange"
    sign: int = 1
    leg: Leg = field(default_factory=Leg)
    driver: Driver = field(default_factory=Driver)
    cabin: Cabin = field(default_factory=Cabin)
    recorder: Recorder = field(default_factory=Recorder)
    pulses: int = 20
    seed: int = 1
    kind: str = "pulses"

    @property
    def truth(self) -> str:
        """What the recording shows: the recorder's own inversion included."""
        return "positive" if self.sign * (-1 if self.recorder.inverts else 1) > 0 else "negative"


def answer(scene: Scene) -> Floats:
    """What one pulse sounds like at the microphone, (frames,) at FINE, peak 1."""
    recorder = scene.recorder
    microphone = signal.butter(recorder.microphone_order, recorder.microphone_hz, "high", fs=FINE, output="sos")

    def heard_of(shape: Floats, seconds: float) -> Floats:
        played = np.zeros(round(seconds * FINE))
        played[: len(shape)] = shape
        heard = scene.cabin.through(scene.driver.through(scene.leg.through(played)))
        return np.asarray(signal.sosfilt(microphone, heard))

    heard = heard_of(lobe(scene.band, FINE), PULSE_SECONDS)
    top = np.abs(heard).max()  # a chirp of the pulse's peak stands in the same noise
    if scene.kind == "chirps":
        heard = heard_of(one_chirp(chirp_of(scene.band), FINE), PULSE_SECONDS + 0.4)
    return np.asarray(heard / top * scene.sign * (-1 if recorder.inverts else 1))


def samples(scene: Scene) -> Floats:
    """The recording, (frames,) in full-scale units."""
    recorder, rng = scene.recorder, np.random.default_rng(scene.seed)
    one = answer(scene)
    period = SPACING_SECONDS * FINE * (1 + recorder.clock_ppm * 1e-6)
    lead = round((recorder.lead_seconds + SPACING_SECONDS / 4) * FINE)
    whole = np.zeros(lead + round(scene.pulses * period) + FINE // 4 if lead > 0 else 0)
    if lead <= 0:
        whole = np.zeros(round(scene.pulses * period) + FINE // 4 + lead)
    for number in range(scene.pulses):
        late = LATE_SECONDS[number % len(LATE_SECONDS)] / SPACING_SECONDS
        start = lead + round((number + late) * period)
        first, last = max(start, 0), min(start + len(one), len(whole))
        if first < last:
            whole[first:last] += one[first - start : last - start]
    common = int(np.gcd(FINE, recorder.rate))
    heard = signal.resample_poly(whole, recorder.rate // common, FINE // common)
    heard = heard + 10 ** (-recorder.snr_db / 20) * _noise(len(heard), recorder.rumble, rng)
    if recorder.ratio > 1:
        heard = _automatic_gain(heard, recorder)
    heard = heard * (recorder.peak / np.abs(heard).max())
    return np.asarray(np.clip(np.rint(heard * 32768), -32768, 32767) / 32768)


def capture(scene: Scene) -> Capture:
    return Capture.from_array(samples(scene), scene.recorder.rate, file="scene.wav", calibrated=False)


def ringing_beforehand(samples: Floats, rate: int, corner_hz: float, order: int | None = None) -> Floats:
    """A recording behind a high-pass of linear phase: with the slope of a Butterworth filter of an order, or as
    steep as a window design of 83 ms makes it, (frames,)."""
    taps = signal.firwin(2 * (rate // 24) + 1, corner_hz, pass_zero=False, fs=rate)
    if order is not None:
        size = 2 * (rate // 6)
        hertz = np.maximum(fft.rfftfreq(size, 1 / rate), 1e-9)
        taps = np.roll(fft.irfft((1 + (corner_hz / hertz) ** (2 * order)) ** -0.5), size // 2) * np.hanning(
            size
        )
    heard = signal.fftconvolve(samples, taps)
    return np.asarray(0.3 * heard / np.abs(heard).max())


def even_beat(scene: Scene, seconds: float, jitter_seconds: float = 0.0, noise: float = 1e-3) -> Floats:
    """Not the track: the scene's sound at even distances, (frames,), ten seconds of it."""
    rate, rng = scene.recorder.rate, np.random.default_rng(scene.seed)
    one = signal.resample_poly(answer(scene), rate, FINE)
    heard = np.zeros(10 * rate + len(one))
    for start in np.arange(0.1, 10.0, seconds):
        first = round((start + abs(jitter_seconds * rng.standard_normal())) * rate)
        part = heard[first : first + len(one)]
        part += one[: len(part)]
    return np.asarray(0.3 * heard / np.abs(heard).max() + noise * rng.standard_normal(len(heard)))


def drum_loop(seed: int, beats_a_minute: float, rate: int = 48_000, noise: float = 1e-3) -> Floats:
    """Not the track: drums on a grid of sixteenths, each alike at every stroke, (frames,)."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(0.3 * rate)) / rate
    kick = np.sin(2 * np.pi * (50 * time + 2.25 * (1 - np.exp(-40 * time)))) * np.exp(-12 * time)
    snare_band = signal.butter(2, [300, 6000], "band", fs=rate)
    snare = 2 * signal.lfilter(*snare_band, rng.standard_normal(len(time))) * np.exp(-25 * time)
    hat_band = signal.butter(2, 6000, "high", fs=rate)
    hat = signal.lfilter(*hat_band, rng.standard_normal(len(time))) * np.exp(-60 * time)
    click = np.hanning(40)
    strokes = rng.random((4, 16)) < np.array([[0.4], [0.25], [0.6], [0.2]])
    strokes[0, [0, 8]] = True
    heard = np.zeros(12 * rate)
    for number, start in enumerate(np.arange(0.0, 11.5, 15.0 / beats_a_minute)):
        for sound, row in zip((kick, snare, hat, click), strokes, strict=True):
            if row[number % 16]:
                heard[round(start * rate) :][: len(sound)] += sound
    return np.asarray(0.5 * heard / np.abs(heard).max() + noise * rng.standard_normal(len(heard)))


def _noise(frames: int, rumble: float, rng: np.random.Generator) -> Floats:
    """Unit rms: white and, by power, a share of pink (20 Hz and up)."""
    white = rng.standard_normal(frames)
    if rumble <= 0:
        return white
    size = fft.next_fast_len(frames, real=True)
    spectrum = fft.rfft(rng.standard_normal(size))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0
    pink = fft.irfft(spectrum, size)[:frames]
    return np.asarray(np.sqrt(1 - rumble) * white + np.sqrt(rumble) * pink / np.std(pink))


def _automatic_gain(heard: Floats, recorder: Recorder) -> Floats:
    """Levels above a twentieth of the peak are pressed together by the ratio: attack 2 ms, release as given."""
    step = max(recorder.rate // 1000, 1)
    blocks = np.abs(heard[: len(heard) // step * step]).reshape(-1, step).max(axis=1)
    attack, release = np.exp(-0.5), np.exp(-1e-3 / recorder.release_seconds)
    level, gains = 0.0, np.empty(len(blocks))
    for index, peak in enumerate(blocks):
        level = peak + (level - peak) * (attack if peak > level else release)
        gains[index] = max(level / 0.05, 1.0) ** (1 / recorder.ratio - 1)
    places = (np.arange(len(blocks)) + 0.5) * step
    return np.asarray(heard * np.interp(np.arange(len(heard)), places, gains))


ROLES = {
    "subwoofer": ("bass", (25, 45), (200, 1000), "low", (30, 40), (60, 120)),
    "midbass": ("bass", (50, 90), (2000, 5000), "band", (50, 90), (250, 500)),
    "midrange": ("midrange", (100, 300), (5000, 10_000), "band", (200, 500), (2000, 4000)),
    "full range": ("midrange", (70, 150), (8000, 14_000), "high", (80, 150), (0, 0)),
    "tweeter": ("treble", (600, 1500), (18_000, 25_000), "high", (2000, 5000), (0, 0)),
}  # fmt: skip
"""Kinds of loudspeaker: the train meant for it, spans of the driver's corner and upper end [Hz], its usual
crossover leg, spans of that leg's lower and upper corner [Hz]."""


def drawn(seed: int, *, role: str, snr_db: float, band: str | None = None, rate: int | None = None) -> Scene:
    """A scene of a role with everything else by chance: the population of the error table."""
    rng = np.random.default_rng(seed)
    own, corner, upper, kind, low, high = ROLES[role]

    def within(span: tuple[float, float]) -> float:
        return float(np.exp(rng.uniform(*np.log(span)))) if span[1] > 0 else 0.0

    leg = Leg(
        kind=str(rng.choice([kind, kind, kind, "none"])) if role != "tweeter" else kind,
        order=int(rng.integers(1, 5)),
        low_hz=within(low),
        high_hz=within(high),
        linkwitz=bool(rng.integers(2)),
    )
    driver = Driver(
        order=int(rng.choice([2, 4])) if role != "tweeter" else 2,
        corner_hz=within(corner),
        quality=float(rng.uniform(0.5, 1.3)),
        upper_hz=within(upper),
    )
    delays = np.sort(rng.uniform(0.0005, 0.02, 20))
    gains = rng.uniform(0.1, 0.6, 20) * np.exp(-delays / 0.008) * rng.choice([1, 1, 1, -1], 20)
    recorder = Recorder(
        rate=rate or int(rng.choice([44_100, 48_000, 48_000, 96_000])),
        microphone_hz=within((20, 120)),
        microphone_order=int(rng.choice([1, 2])),
        snr_db=snr_db,
        rumble=float(rng.choice([0.0, 0.3, 0.7])),
        ratio=float(rng.choice([1.0, 3.0, 10.0])),
        release_seconds=float(rng.uniform(0.05, 1.0)),
        clock_ppm=float(rng.uniform(-150, 150)),
        lead_seconds=float(rng.uniform(-1.0, 2.0)),
    )
    return Scene(
        band=band or own,
        sign=int(rng.choice([1, -1])),
        leg=leg,
        driver=driver,
        cabin=Cabin(tuple(delays), tuple(gains)),
        recorder=recorder,
        pulses=int(rng.integers(14, 24)),
        seed=seed,
    )
