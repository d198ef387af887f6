"""Captures as recorders, supplies and protections really make them, with the truth known by construction.

Every scene is made at eight times the rate and brought down by a linear-phase filter, so that nothing folds.
The rail stands near 30 V. A family is a function of a random generator that gives one scene.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture
from gainkit.remarks import codes

Floats = NDArray[np.float64]
RATE = 48_000
OVER = 8
EDGE = 256
FAST = RATE * OVER
RAIL = 30.0

CAUSES = frozenset({
    "crossover_distortion", "rail_gives_way", "slow_recovery", "even_harmonics", "missing_half", "dropout",
    "slew_limited", "saturation", "supply_sag", "limiter", "recorder_limit", "rail_ripple", "filtered",
    "ac_coupling", "soft_knee", "compressed_crest",
})  # fmt: skip
"""Remarks that name a cause."""


@dataclass(frozen=True)
class Scene:
    """samples : (frames,) [V]. overdrive_db : of the last steady stretch; None where there is no rail.
    rms_volts : there, with noise. needs : remarks of which one at least must be made. allowed : causes that
    may be named. overload : whether the recorder's own limit is what stands there."""

    samples: Floats
    overdrive_db: float | None
    rms_volts: float
    needs: frozenset[str] = frozenset()
    allowed: frozenset[str] = frozenset()
    overload: bool = False
    rate: float = RATE
    capture: Capture | None = None

    def measured(self) -> Measurement:
        return measure(self.capture or Capture.from_array(self.samples, self.rate))


@lru_cache(maxsize=1)
def _kernel() -> Floats:
    taps = 64 * OVER + 1
    index = np.arange(taps) - (taps - 1) / 2
    kernel = np.sinc(index * 0.94 / OVER) * np.kaiser(taps, 10)
    return np.asarray(kernel / kernel.sum())


def down(fast: Floats) -> Floats:
    """From eight times the rate, the edges left out."""
    from scipy.signal import oaconvolve

    return np.asarray(oaconvolve(fast, _kernel(), mode="same")[::OVER][EDGE:-EDGE])


def clock(seconds: float) -> Floats:
    """Fast time with the edges added, 0 at the first frame that is kept."""
    return (np.arange(int(seconds * RATE + 2 * EDGE) * OVER) / FAST) - EDGE / RATE


def tone(rng: np.random.Generator, t: Floats, low: float = 40, high: float = 1200) -> tuple[Floats, float]:
    """A sine of peak 1 and its frequency."""
    hertz = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    return np.sin(2 * np.pi * hertz * t + rng.uniform(0, 2 * np.pi)), hertz


def noisy(rng: np.random.Generator, wave: Floats, low: float = 55, high: float = 80) -> Floats:
    spread = float(np.std(wave)) * 10 ** (-rng.uniform(low, high) / 20)
    return wave + spread * rng.standard_normal(len(wave))


def _ratio(db: float) -> float:
    return float(10 ** (db / 20))


def _made(
    rng: np.random.Generator, fast: Floats, overdrive_db: float | None, last_seconds: float, **more: object
) -> Scene:
    """A scene whose truth is its last seconds."""
    wave = noisy(rng, down(fast))
    own = wave[-int(last_seconds * RATE) :]
    return replace(Scene(wave, overdrive_db, float(np.std(own))), **more)  # type: ignore[arg-type]


# ---- movement ----------------------------------------------------------------------------------------------


def knob(rng: np.random.Generator) -> Scene:
    """A gain control turned while the recording runs."""
    seconds = float(rng.uniform(2, 4.5))
    t = clock(seconds)
    s, _ = tone(rng, t)
    at, over = seconds * float(rng.uniform(0.25, 0.65)), float(rng.uniform(0.02, 0.3))
    db = float(rng.choice([-1, 1]) * rng.choice([0.4, 0.6, 1.0, 2.0]))
    last_db = float(rng.uniform(-8, -1) if rng.random() < 0.5 else rng.uniform(0.5, 3))
    gain = _ratio(last_db) * 10 ** ((db * (np.clip((t - at) / over, 0, 1) - 1)) / 20)
    wave = RAIL * np.clip(gain * s, -1, 1)
    need = "level_rose" if db > 0 else "level_fell"
    # deep in its rails an output hardly follows a knob
    told = frozenset({need, "level_changes"}) if last_db < 0 else frozenset()
    return _made(rng, wave, last_db if last_db > 0 else None, min(0.5, seconds - at - over), needs=told)


def sag(rng: np.random.Generator) -> Scene:
    """Rails that fall exponentially under load."""
    seconds = float(rng.uniform(2, 5))
    t = clock(seconds)
    s, _ = tone(rng, t)
    tau, fall = float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))), float(rng.uniform(0.04, 0.15))
    rail = RAIL * (1 + fall * np.exp(-np.maximum(t, 0) / tau))
    last = RAIL * (1 + fall * np.exp(-(seconds - 0.1) / tau))
    over = float(rng.uniform(1.0, 4))
    peak = last * _ratio(over)
    scene = _made(rng, np.clip(peak * s, -rail, rail), over, 0.2)
    return replace(scene, needs=frozenset({"supply_sag"}), allowed=frozenset({"supply_sag"}))


def soft_start(rng: np.random.Generator) -> Scene:
    """An amplifier that comes up slowly and then stands."""
    seconds = float(rng.uniform(2, 4))
    t = clock(seconds)
    s, _ = tone(rng, t)
    tau, over = float(rng.uniform(0.05, 0.3)), float(rng.choice([-3.0, 1.0, 2.0]))
    gain = _ratio(over) * (1 - np.exp(-np.maximum(t, 0) / tau))
    return _made(rng, RAIL * np.clip(gain * s, -1, 1), over if over > 0 else None, 0.3)


def limiter(rng: np.random.Generator) -> Scene:
    """A limiter that takes its gain back and settles: the shape stays a sine."""
    seconds = float(rng.uniform(2, 4))
    t = clock(seconds)
    s, _ = tone(rng, t)
    tau, held = float(rng.uniform(0.05, 0.4)), float(rng.uniform(1, 6))
    gain = 10 ** (held * np.exp(-np.maximum(t, 0) / tau) / 20)
    scene = _made(rng, 0.4 * RAIL * gain * s, None, 0.3)
    return replace(scene, needs=frozenset({"limiter"}), allowed=frozenset({"limiter"}))


def fade_in(rng: np.random.Generator) -> Scene:
    seconds = float(rng.uniform(2, 4))
    t = clock(seconds)
    s, _ = tone(rng, t)
    over = float(rng.choice([-6.0, 1.5]))
    gain = _ratio(over) * np.clip(t / rng.uniform(0.2, 1.0), 0, 1)
    return _made(rng, RAIL * np.clip(gain * s, -1, 1), over if over > 0 else None, 0.5)


def ripple(rng: np.random.Generator) -> Scene:
    """Rails with the ripple of a charger or a switching supply on them."""
    t = clock(1.5)
    s, _ = tone(rng, t, 200, 1200)
    over, depth = float(rng.uniform(1, 3)), float(rng.uniform(0.01, 0.04))
    rail = RAIL * (1 + depth * np.sin(2 * np.pi * rng.choice([37.0, 100.0, 120.0, 310.0]) * t))
    return _made(
        rng, np.clip(RAIL * _ratio(over) * s, -rail, rail), over, 1.4, allowed=frozenset({"rail_ripple"})
    )


# ---- filters after the rail --------------------------------------------------------------------------------


def filtered(wave: Floats, response: Callable[[Floats], NDArray[np.complex128]]) -> Floats:
    """A periodic (or long) wave through a response of frequency [Hz], at the fast rate."""
    hertz = np.fft.rfftfreq(len(wave), 1 / FAST)
    return np.asarray(np.fft.irfft(np.fft.rfft(wave) * response(hertz), len(wave)))


def _after(
    rng: np.random.Generator,
    response: Callable[[float], Callable[[Floats], NDArray[np.complex128]]],
    cause: str,
    low: float = 40,
    high: float = 400,
) -> Scene:
    t = clock(1.0)
    s, hertz = tone(rng, t, low, high)
    # whole cycles in the fast record, so that the filter's circle closes
    hertz = round(hertz * len(t) / FAST) * FAST / len(t)
    s = np.sin(2 * np.pi * hertz * t + rng.uniform(0, 6.28))
    over = float(rng.uniform(0.7, 4))
    wave = filtered(RAIL * np.clip(_ratio(over) * s, -1, 1), response(hertz))
    return _made(
        rng,
        wave,
        over,
        0.9,
        allowed=frozenset({cause, "ac_coupling" if cause == "ac_coupling" else "filtered"}),
    )


def coupling_1(rng: np.random.Generator) -> Scene:
    c = float(rng.uniform(0.05, 1.0))
    return _after(rng, lambda f: lambda h: 1j * h / (1j * h + c * f), "ac_coupling")


def coupling_2(rng: np.random.Generator) -> Scene:
    c, q = float(rng.uniform(0.05, 1.0)), float(rng.uniform(0.5, 0.9))
    return _after(rng, lambda f: lambda h: h**2 / (h**2 - (c * f) ** 2 - 1j * h * c * f / q), "ac_coupling")


def bass_boost(rng: np.random.Generator) -> Scene:
    """A first-order shelf: +3 to +9 dB below its corner."""
    corner, boost = float(rng.uniform(0.8, 4)), _ratio(float(rng.uniform(3, 9)))
    return _after(rng, lambda f: lambda h: (1j * h + boost * corner * f) / (1j * h + corner * f), "filtered")


def treble_cut(rng: np.random.Generator) -> Scene:
    corner, cut = float(rng.uniform(2, 12)), _ratio(float(rng.uniform(-12, -3)))
    return _after(
        rng, lambda f: lambda h: (1 + 1j * cut * h / (corner * f)) / (1 + 1j * h / (corner * f)), "filtered"
    )


def low_pass_1(rng: np.random.Generator) -> Scene:
    corner = float(rng.uniform(1.5, 10))
    return _after(rng, lambda f: lambda h: 1 / (1 + 1j * h / (corner * f)), "filtered")


def low_pass_2(rng: np.random.Generator) -> Scene:
    corner, q = float(rng.uniform(2, 10)), float(rng.uniform(0.5, 0.9))
    return _after(
        rng, lambda f: lambda h: 1 / (1 - (h / (corner * f)) ** 2 + 1j * h / (corner * f * q)), "filtered"
    )


# ---- recorders ---------------------------------------------------------------------------------------------


def turned_down(rng: np.random.Generator) -> Scene:
    """A file that clipped at full scale and was turned down afterwards."""
    t = clock(1.5)
    s, _ = tone(rng, t)
    wave = np.clip(noisy(rng, _ratio(float(rng.uniform(0.5, 4))) * down(s), 55, 75), -1, 1 - 2**-15)
    wave = np.rint(wave * 2**15) / 2**15 * _ratio(float(rng.uniform(-12, -1)))
    capture = replace(
        Capture.from_array(wave, RATE, calibrated=False), has_full_scale=True, hard_full_scale=True,
        step_units=2.0**-23,
    )  # fmt: skip
    return Scene(wave, None, float(np.std(wave)), frozenset({"recorder_limit"}), overload=True, capture=capture)


def off_screen(rng: np.random.Generator) -> Scene:
    """An oscilloscope's trace that leaves the screen above, below or both."""
    t = clock(0.2)
    s, _ = tone(rng, t, 60, 1000)
    step = 2 * RAIL / 256
    shift = float(rng.choice([0.0, 0.15, -0.15])) * RAIL
    wave = down(RAIL * _ratio(float(rng.uniform(0.8, 4))) * s) + shift
    wave = wave + step * float(rng.uniform(0.4, 1.2)) * rng.standard_normal(len(wave))
    codes_ = np.clip(np.rint(wave / step), -128, 127)
    return Scene(
        codes_ * step, None, float(np.std(codes_ * step)), frozenset({"recorder_limit"}), overload=True
    )


def thump(rng: np.random.Generator) -> Scene:
    """A thump at full scale when the lead is plugged in, long before the tone stands."""
    t = clock(3.0)
    s, _ = tone(rng, t)
    over = float(rng.choice([-3.0, 1.5]))
    gate = (t > 0.8).astype(float)
    wave = noisy(rng, 0.5 * down(np.clip(_ratio(over) * s, -1, 1) * gate))
    boom = down(6 * np.exp(-np.maximum(t - 0.2, 0) / 0.05) * np.cos(2 * np.pi * 25 * (t - 0.2)) * (t > 0.2))
    wave = np.clip(wave + boom, -1, 1 - 2**-23)
    capture = replace(
        Capture.from_array(wave, RATE, calibrated=False), has_full_scale=True, hard_full_scale=True,
        step_units=2.0**-23,
    )  # fmt: skip
    return Scene(wave, over if over > 0 else None, float(np.std(wave[-RATE:])), capture=capture)


# ---- other causes ------------------------------------------------------------------------------------------


def slewed(wave: Floats, most_per_second: float) -> Floats:
    """What an output does whose slope is limited, at the fast rate."""
    step, out, at = most_per_second / FAST, np.empty(len(wave)), float(wave[0])
    for place, wanted in enumerate(wave.tolist()):
        at += min(max(wanted - at, -step), step)
        out[place] = at
    return out


def slew(rng: np.random.Generator) -> Scene:
    t = clock(0.5)
    s, hertz = tone(rng, t, 300, 4000)
    share = float(rng.uniform(0.65, 0.95))  # of the sine's own steepest slope
    wave = slewed(0.7 * RAIL * s, share * 0.7 * RAIL * 2 * np.pi * hertz)
    return _made(rng, wave, None, 0.4, needs=frozenset({"slew_limited"}), allowed=frozenset({"slew_limited"}))


def transformer(rng: np.random.Generator) -> Scene:
    """Flux that saturates: the output is what its tanh gives per second."""
    t = clock(1.0)
    s, hertz = tone(rng, t, 20, 120)
    depth = float(rng.uniform(0.5, 1.4))
    flux = np.tanh(depth * s)
    wave = np.gradient(flux, 1 / FAST) / (2 * np.pi * hertz * depth) * 0.7 * RAIL
    return _made(rng, wave, None, 0.9, needs=frozenset({"saturation"}), allowed=frozenset({"saturation"}))


def half_bridge(rng: np.random.Generator) -> Scene:
    t = clock(1.0)
    s, _ = tone(rng, t)
    weak, over = float(rng.uniform(0.6, 0.9)), float(rng.uniform(0.5, 1.5))
    peak = _ratio(over) * weak
    wave = RAIL / 2 * (np.clip(peak * s, -1, 1) - np.clip(-peak * s, -weak, weak))
    if peak > 1:
        return half_bridge(rng)
    return _made(rng, wave, over, 0.9, allowed=frozenset({"rail_gives_way"}))


def odd_phases(rng: np.random.Generator) -> Scene:
    """Plain harmonics of phases that no memoryless stage makes."""
    t = clock(1.0)
    _, hertz = tone(rng, t)
    wave = np.sin(2 * np.pi * hertz * t)
    for order in (2, 3, 4, 5, 7):
        part = float(rng.uniform(0.002, 0.05)) / order
        wave = wave + part * np.sin(2 * np.pi * order * hertz * t + rng.uniform(0, 2 * np.pi))
    return _made(rng, 23 * wave, None, 0.9, allowed=frozenset({"even_harmonics"}))


def mains_noise(rng: np.random.Generator) -> Scene:
    """Bursts of noise 100 times a second, as a dimmer or a charger makes them, over a clean tone."""
    t = clock(2.0)
    s, _ = tone(rng, t)
    wave = down(0.5 * RAIL * s)
    seconds = np.arange(len(wave)) / RATE
    burst = np.exp(-((seconds * 100 + rng.random()) % 1) * 20)
    size = 0.5 * RAIL * _ratio(-float(rng.uniform(18, 35)))
    # the bursts' own strength wanders
    slow = 1 + 0.8 * np.interp(seconds, np.linspace(0, 2, 25), rng.uniform(-1, 1, 25))
    wave = wave + size * slow * burst * rng.standard_normal(len(wave))
    return Scene(wave, None, float(np.std(wave)))


def near_line(rng: np.random.Generator) -> Scene:
    """Hum 1 to 10 Hz from the tone at -20 to -30 dBc, the tone clean or at its rail before the hum joins."""
    seconds = float(rng.uniform(2, 5))
    t = clock(seconds)
    hertz = float(rng.choice([50.0, 60.0]))
    off = float(rng.choice([-1, 1]) * rng.uniform(1, 10))
    over = float(rng.choice([-6.0, 1.0, 2.0]))
    s = np.sin(2 * np.pi * (hertz + off) * t + rng.uniform(0, 6.28))
    hum = (
        _ratio(-float(rng.uniform(20, 30)))
        * _ratio(min(over, 0))
        * np.sin(2 * np.pi * hertz * t + rng.uniform(0, 6.28))
    )
    wave = noisy(rng, down(RAIL * (np.clip(_ratio(over) * s, -1, 1) + hum)))
    return Scene(wave, over if over > 0 else None, float(np.std(wave)), frozenset({"hum"}))


FAMILIES: dict[str, Callable[[np.random.Generator], Scene]] = {
    "knob turned": knob,
    "supply that sags": sag,
    "soft start": soft_start,
    "limiter that settles": limiter,
    "fade-in, then steady": fade_in,
    "ripple on the rails": ripple,
    "AC coupling, 1st order": coupling_1,
    "AC coupling, 2nd order": coupling_2,
    "bass boost after the rail": bass_boost,
    "treble cut after the rail": treble_cut,
    "low-pass, 1st order": low_pass_1,
    "low-pass, 2nd order": low_pass_2,
    "file turned down": turned_down,
    "off the screen": off_screen,
    "thump before the tone": thump,
    "slew limiting": slew,
    "saturating transformer": transformer,
    "half of a bridge": half_bridge,
    "harmonics of odd phases": odd_phases,
    "mains noise in bursts": mains_noise,
    "hum beside the tone": near_line,
}

OVERDRIVE_SHARE, OVERDRIVE_DB = 0.1, 0.15
"""An overdrive is right within 0.15 dB and a tenth of it, or within the interval that is told [-], [dB]."""

RMS_DB = 0.1
"""A level is right within so much [dB]."""


@dataclass(frozen=True)
class Outcome:
    """right, or what is wrong: "cause", "refused", "figure"; error_db : of overdrive or rms, the larger."""

    word: str
    error_db: float
    why: str


def judged(scene: Scene, found: Measurement) -> Outcome:
    """A measurement beside the truth."""
    clip, told = found.clipping, codes(found.notes)
    if scene.overload:
        if found.recorder_overload:
            return Outcome("right", 0.0, "")
        return Outcome("figure", 0.0, f"{clip.state} {clip.overdrive_db} {sorted(told)}")
    if not found.steady_tone or clip.state is None:
        return Outcome("refused", 0.0, f"{sorted(told)} overload={found.recorder_overload}")
    level = abs(20 * np.log10(found.rms_volts / scene.rms_volts))
    seen = clip.state in ("at-onset", "clipped")
    error = 0.0
    if seen and scene.overdrive_db is not None:
        assert clip.overdrive_db is not None
        error = abs(clip.overdrive_db - scene.overdrive_db)
    worst = max(level, error)
    text = f"{clip.state} {clip.overdrive_db} for {scene.overdrive_db}, {level:.2f} dB, {sorted(told)}"
    if seen != (scene.overdrive_db is not None) or level > RMS_DB:
        return Outcome("figure", worst, text)
    if error > OVERDRIVE_DB + OVERDRIVE_SHARE * (scene.overdrive_db or 0):
        low, high = getattr(clip, "overdrive_interval_db", None) or (0.0, 0.0)
        if not low - 0.1 <= (scene.overdrive_db or 0) <= high + 0.1:
            return Outcome("figure", worst, text)
    wrong = (told & CAUSES) - scene.allowed - scene.needs
    if wrong or (scene.needs and not scene.needs & told):
        return Outcome("cause", worst, text)
    return Outcome("right", worst, text)
