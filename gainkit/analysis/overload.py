"""Was it the recorder that clipped? Flat tops at digital full scale are its own, not the amplifier's.

So are those of a file that was turned down after it clipped, and of an oscilloscope's trace off its screen:
they stand at exactly one value, though noise moves every other sample. A rail before the recorder lets its
noise through.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.middle import median
from gainkit.analysis.quantised import distinct
from gainkit.analysis.tone import ToneFit
from gainkit.capture.model import Capture

Floats = NDArray[np.float64]

LEAST_RUN = 3
"""Samples in a row at full scale, at least: two may be a crest [samples]."""

COMPANDED_TOP = {"ULAW": 32_124 / 32_768, "ALAW": 32_256 / 32_768}
"""The highest value of both laws (ITU-T G.711, from memory) [-]."""

COMPANDED_STEPS = 16
"""... and steps in each of their octaves [-]."""

TOP_SHARE = 0.999
"""Samples from this share of that value on are that value [-]: the next one is a thirtieth lower."""


def longest_stretch(mask: NDArray[np.bool_]) -> int:
    """Length of the longest stretch of True [samples]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def overloaded(capture: Capture, raw: Floats, tone: ToneFit | None) -> bool:
    """True when samples stand at digital full scale longer than a sine that just reaches it would.

    raw : (frames,) [V] of the chosen channel. A sine of full scale stays within one step of its peak for
    2 arccos(1 - step) / w samples; a stretch twice as long plus two is an overload. Files that can hold
    more than full scale (floating point) count only when they stand exactly there.
    """
    if not capture.has_full_scale:
        return False
    step, law = capture.step_units or 2.0**-23, _law(capture)
    if law is not None:
        step = COMPANDED_TOP[law] / (2 * COMPANDED_STEPS)
    highest = 1 - 1.5 * step if law is None else TOP_SHARE * COMPANDED_TOP[law]
    top = capture.volts_per_unit * highest
    high, low = raw >= top, raw <= -top
    if not (high.any() or low.any()):
        return False
    if not capture.hard_full_scale and np.abs(raw).max() > capture.volts_per_unit * (1 + 1e-6):
        return False
    run = max(longest_stretch(high), longest_stretch(low))
    angular = 2 * np.pi * tone.frequency_hz / capture.sample_rate_hz if tone is not None else np.pi
    allowed = 2 * np.arccos(1 - 2 * step) / angular
    times = 2 if law is None else 1  # a large step has its share of room already
    return bool(run >= max(LEAST_RUN, times * allowed + 2))


def _law(capture: Capture) -> str | None:
    """By which of these laws a file is stored."""
    laws = (note.values["subtype"] for note in capture.notes if note.code == "compressed_with_loss")
    return next((law for law in laws if law in COMPANDED_TOP), None)


def companded_step(capture: Capture, peak_volts: float) -> float | None:
    """The step at a crest in a file whose steps grow with the value [V]; None for any other."""
    if _law(capture) is None or not peak_volts > 0:
        return None
    octave = np.floor(np.log2(peak_volts / capture.volts_per_unit))
    return float(2.0**octave / COMPANDED_STEPS * capture.volts_per_unit)


def is_companded(capture: Capture) -> bool:
    """Whether the steps of a file grow with the value: extremes stand at one value because steps are large
    there."""
    return _law(capture) is not None


ORDER, GAIN = 6, 924.0
"""Of differences that see noise and hardly a tone, and by how much they raise its power: the sum of the
squares of (1, 6, 15, 20, 15, 6, 1) [-]."""

PHASE_GAIN = 6.0
"""Of second differences, the sum of the squares of (1, 2, 1) [-]."""

FAR, MEAN_OF_USUAL = 4.0, 0.7825
"""Differences above so many times their median are steps of the wave itself; the mean of the others, in
standard deviations of Gaussian noise: 2 (phi(0) - phi(c)) / (2 Phi(c) - 1) with c = 4 * 0.6745 [-]."""

NOISE_STEPS = 0.34
"""The noise before the steps must be this much of one, or it would not move a flat at all [-]."""

MOST_ROUNDED = 1 << 15
"""So many samples tell what rounding does to a tone and such a noise [samples]."""

ABOVE_CHANCE = 1.05
"""... to so much of itself [-]."""

LEAST_NOISE_RATIO = 1e-6
"""... and of the wave's swing where no step is known [-]."""

STRAIGHT = 1e-6
"""Three samples that bend by less, over the wave's swing, lie on a straight line [-]."""

LEAST_READINGS = 48
"""Readings a period that leave some between two flats to tell noise by, over twelve at once [-]."""

LEAST_FREE = 32
"""Differences that tell a noise, at least [-]."""

DITHER_STEPS = 3.0
"""With noise of so many steps, values one step apart count as one: a file is dithered as it is turned down
[-]."""

AT_ONE_VALUE = 0.6
"""Of the samples within three standard deviations of the extreme, this share stands at exactly one value [-]:
behind a rail 0.4 do not come together even in a noise of half a step."""

MOST_BELOW = 2.0
"""The value below the extreme is met at most so many times as often as the next one: a wave that is cut passes
both alike, a rail that noise moves stands at the first [-]."""

LEAST_FLATS = 3
"""Flats that are seen, at least [-]."""


def recorder_limit(samples: Floats, step: float | None, angular: float) -> bool:
    """True when the extremes of a tone stand at exactly one value against noise that would move them.

    samples : (frames,) [V] as stored; step : of the stored values [V], None when they are fine. angular : of
    the tone [rad/sample].
    """
    if longest_stretch(_at_extremes(samples)) < LEAST_RUN:
        return False
    samples, every = _readings(samples, angular)
    angular *= every
    held, swing = _at_extremes(samples), float(np.ptp(samples))
    if longest_stretch(held) < LEAST_RUN:
        return False
    fine = max(step or 0.0, _grid(samples[:MOST_ROUNDED]))
    noise = _noise_of(samples, held, angular)
    tone_left = swing / 2 * (2 * np.sin(min(angular, np.pi) / 2)) ** ORDER / np.sqrt(GAIN)
    least = _least_moving(samples, held, fine, angular) if fine else LEAST_NOISE_RATIO * swing
    if noise < max(least, 4 * tone_left):
        return False
    slack = 1.01 * fine if noise > DITHER_STEPS * fine else 0.0
    return any(_at_one_value(sign * samples, noise, slack, fine) for sign in (1, -1))


def _at_extremes(samples: Floats) -> NDArray[np.bool_]:
    """Which of them stand at the highest or the lowest value."""
    return np.asarray((samples == samples.max()) | (samples == samples.min()))


def _readings(samples: Floats, angular: float) -> tuple[Floats, int]:
    """Those of the samples that were read, and every how manieth they are: an oscilloscope may lay others on
    straight lines between them. All where they are too few to show noise between the flats."""
    bends = np.flatnonzero(np.abs(np.diff(samples[:MOST_ROUNDED], 2)) > STRAIGHT * float(np.ptp(samples)))
    every = max(int(np.gcd.reduce(np.diff(bends))), 1)
    if every == 1 or 2 * np.pi / (angular * every) < LEAST_READINGS:
        return samples, 1
    return samples[(bends[0] + 1) % every :: every], every


def _grid(samples: Floats) -> float:
    """The step that all values (n,) are apart by whole times of, within a fiftieth [V]; 0 where there is none.

    A converter of few bits in a file of many, or in an oscilloscope's text, has steps that nothing else tells.
    """
    gaps = np.diff(distinct(samples))
    step = float(gaps.min(initial=np.inf))
    multiples = gaps / step
    return step if len(gaps) and np.all(np.abs(multiples - np.rint(multiples)) < 0.02 * multiples) else 0.0


def _at_one_value(samples: Floats, noise: float, slack: float, step: float) -> bool:
    """Whether the upper extreme is one value, met in runs of three and more."""
    top = float(samples.max())
    at = samples >= top - slack
    near = samples >= top - max(3 * noise, 2 * step)
    if np.count_nonzero(at) < AT_ONE_VALUE * np.count_nonzero(near):
        return False
    if step and not slack:
        below, under = (np.count_nonzero(np.abs(samples - top + k * step) < step / 2) for k in (1, 2))
        if below > MOST_BELOW * under + 3 * np.sqrt(under):
            return False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], at, [False]]).astype(np.int8)))
    return int(np.count_nonzero(edges[1::2] - edges[::2] >= LEAST_RUN)) >= LEAST_FLATS


def _noise_of(samples: Floats, held: NDArray[np.bool_], angular: float) -> float:
    """Standard deviation of the noise where nothing is held, by differences that a tone hardly shows in [V].

    Where flanks are too short for those, by differences between samples of nearly the same phase: what repeats
    with the tone does not show in them, its harmonics included.
    """
    differences = np.abs(np.diff(samples, ORDER))
    for beside in (2, 0):  # samples left out on either side of what is held
        around = np.convolve(held, np.ones(ORDER + 1 + 2 * beside), mode="same")
        free = differences[around[ORDER // 2 : ORDER // 2 + len(differences)] < 0.5]
        if len(free) >= LEAST_FREE:
            return _spread(free, GAIN)
    by_phase = samples[~held][np.argsort(np.flatnonzero(~held) * angular % (2 * np.pi))]
    return _spread(np.abs(np.diff(by_phase, 2)), PHASE_GAIN) if len(by_phase) >= LEAST_FREE else 0.0


def _spread(differences: Floats, gain: float) -> float:
    """Standard deviation of the noise that makes such differences (n,), their power raised by gain."""
    usual = differences[differences <= FAR * median(differences)]  # their mean: a median of whole steps is one
    return float(usual.mean()) / MEAN_OF_USUAL / float(np.sqrt(gain))


def _least_moving(samples: Floats, held: NDArray[np.bool_], step: float, angular: float) -> float:
    """What the tone, with a noise that just moves a flat or less, shows as noise once rounded to steps [V]: a
    wave that climbs by halves of a step shows twice as much of its rounding as one that comes at random."""
    part = slice(0, MOST_ROUNDED)
    turned = angular * np.arange(len(samples[part]))
    shapes = np.column_stack([np.cos(turned), np.sin(turned), np.ones(len(turned))])
    free = ~held[part]
    weights = np.linalg.lstsq(shapes[free], samples[part][free], rcond=None)[0]
    tone = shapes @ weights / step
    noise = NOISE_STEPS * np.random.default_rng(1).standard_normal(len(turned))
    rounded = [np.clip(np.round(wave) * step, samples.min(), samples.max()) for wave in (tone, tone + noise)]
    return ABOVE_CHANCE * max(_noise_of(wave, held[part], angular) for wave in rounded)
