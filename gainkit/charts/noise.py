"""Noise of a chain by third-octave bands, with what hums and whines by name."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gainkit.charts.spectrum import plain_hertz
from gainkit.charts.style import DASHES, headline, label_ends, palette_of, thick
from gainkit.figures import filled, plain, volt_unit
from gainkit.levels import db_from_ratio

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.noise import Family, NoiseResult

FAMILY_WORDS = {"mains": "hum", "alternator": "whine", "digital": "clock", "unknown": "line"}
MOST_FAMILIES = 3
"""Families that a picture names, the loudest first [-]."""

LEAST_APART = 0.17
"""Two names stand so much of the picture's width apart at least [-]."""

LEAST_VOLTS = 1e-9
"""Stands for no noise in a logarithm [V]."""

MOST_SHOWN_DB, MOST_NAMED_DB = 150.0, 60.0
"""So far down from the loudest a picture goes, and names stand at lines: deeper ones only cover others [dB]."""

NAMES_SHARE = 0.17
"""Room for a name of two lines above the highest line, as a share of the picture's height [-]."""

Floats = NDArray[np.float64]


def draw_noise(ax: Axes, noise: NoiseResult) -> Axes:
    """Draw noise by third-octave bands, the hiss in it, and the lines of what hums and whines.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    found : NoiseResult
        What `gainkit.noise.find_noise` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title. Levels in dB re 1 V rms, or re full scale.

    References
    ----------
    Bands after IEC 61260-1; A-weighting after IEC 61672-1.

    Examples
    --------
    >>> import matplotlib.figure, numpy
    >>> from gainkit.capture import Capture
    >>> from gainkit.charts import draw_noise
    >>> from gainkit.noise import find_noise
    >>> hiss = numpy.random.default_rng(1).normal(0.0, 0.001, 4 * 48000)
    >>> ax = draw_noise(matplotlib.figure.Figure().subplots(), find_noise(Capture.from_array(hiss, 48000)))
    >>> ax.get_ylabel()
    'noise by third octave [dBV]'
    """
    colours = palette_of(ax)
    centres = np.array([band.center_hz for band in noise.bands])
    levels, hiss = (
        db_from_ratio(np.maximum([getattr(band, each) for band in noise.bands], LEAST_VOLTS))
        for each in ("rms_volts", "hiss_volts")
    )
    ax.set_xscale("log")
    ax.set_xlim(max(noise.band_hz[0], 10.0), noise.band_hz[1])
    ax.plot(centres, levels, "o-", color=colours.lines[0], label="all noise")
    ax.plot(centres, hiss, color=colours.lines[2], linestyle=DASHES[1], label="hiss")
    families = sorted(noise.families, key=lambda each: -each.a_weighted_volts)[:MOST_FAMILIES]
    highest = max([float(levels.max()), *(_levels_of(family).max() for family in families)])
    lowest = max(float(hiss.min()) - 8.0, highest - MOST_SHOWN_DB)
    ax.set_ylim(lowest, highest + max(14.0, NAMES_SHARE * (highest - lowest)))
    taken: list[float] = []
    for number, family in enumerate(families):
        _family(ax, family, number, taken if _levels_of(family).max() > highest - MOST_NAMED_DB else None)
    ends = [(float(levels[-1]), "all noise"), (float(hiss[-1]), "hiss")]
    label_ends(ax, ends, [colours.lines[0], colours.lines[2]])
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel(f"noise by third octave [{'dBV' if noise.calibrated else 'dB re full scale'}]")
    plain_hertz(ax)
    headline(ax, noise_point(noise))
    return ax


def _levels_of(family: Family) -> Floats:
    """Levels of its lines, (lines,) [dB]."""
    return np.asarray(db_from_ratio(np.maximum(family.line_volts, LEAST_VOLTS)))


def _family(ax: Axes, family: Family, number: int, taken: list[float] | None) -> None:
    """The lines of one family, its name over the strongest.

    taken : where names stand, as shares of the width; this one is added. None: no name, the page tells it.
    """
    colours = palette_of(ax)
    hertz = np.array(family.orders) * family.fundamental_hz
    levels = _levels_of(family)
    ax.vlines(hertz, -400, levels, color=colours.lines[1], linewidth=thick(1.2), linestyle=DASHES[0])
    word = FAMILY_WORDS[family.kind]
    name = f"{word} {filled('{hz:.3g} Hz', {'hz': family.fundamental_hz})}"
    ax.plot(hertz, levels, "^sD"[number % 3], color=colours.lines[1], label=name)
    top = int(np.argmax(levels))
    low, high = np.log(ax.get_xlim())
    share = float((np.log(hertz[top]) - low) / (high - low))
    if taken is not None and all(abs(share - each) > LEAST_APART for each in taken):  # else on another name
        taken.append(share)
        ax.annotate(
            filled(word + "\n{hz:.3g} Hz", {"hz": float(hertz[top])}), (hertz[top], float(levels[top])),
            xytext=(0, 5), textcoords="offset points",
            ha="left" if share < 0.1 else "right" if share > 0.9 else "center", va="bottom",
            color=colours.lines[1],
            bbox={"facecolor": colours.ground, "edgecolor": "none", "pad": 0.5, "alpha": 0.8},
        )  # fmt: skip


def noise_point(noise: NoiseResult) -> str:
    """What the picture says: how loud, and what of it is loudest."""
    from gainkit.noise import OUTSIDE

    if all(band.rms_volts <= LEAST_VOLTS for band in noise.bands):
        return "Every sample is zero: nothing of the chain was recorded"
    if noise.verdict == "not known":
        return "This is no silence, or not the chain's own noise: nothing is told"
    if noise.below_target_db is not None:
        much = f"{noise.below_target_db:z.0f} dB(A) below the target"
    elif noise.calibrated:
        scale, unit = volt_unit(noise.a_weighted_volts)
        much = f"{plain(scale * noise.a_weighted_volts)} {unit} A-weighted"
    else:
        much = f"{db_from_ratio(max(noise.a_weighted_volts, LEAST_VOLTS)):z.0f} dB re full scale, A-weighted"
    outside = any(each.code in OUTSIDE and each.severity == "fault" for each in noise.notes)
    quiet = "In its band the chain is quiet" if outside else "The chain is quiet"
    what = quiet if noise.verdict == "quiet" else f"What is heard is {noise.verdict}"
    return f"{what}: noise is {much}"
