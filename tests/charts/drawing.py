"""Charts drawn for a test, and what is read back from them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from gainkit.analysis import ToneFit, Verdict, analyse_tone
from gainkit.capture import Capture
from gainkit.charts import Look, styled
from gainkit.charts.drawing import Draw, figure_of
from gainkit.onset import OnsetResult
from gainkit.onset.find import StepResult
from gainkit.volume import VolumePosition, VolumeResult
from tests.waves import RATE

EXAMPLE = Path(__file__).parent.parent.parent / "gainkit" / "job" / "example_system.toml"


STEPS = [
    (-4.0, 7.0, 0.004, "clean"),
    (-3.0, 7.9, 0.003, "clean"),
    (-2.0, 8.8, 0.4, "at-onset"),
    (-1.0, 9.6, 3.0, "clipped"),
    (0.0, 10.3, 9.0, "clipped"),
]


ONSET = OnsetResult(
    True, 1.0, -1.7, 9.0, 12.0, 13.0,
    tuple(StepResult(level, volts, thd, 0.002, None, state) for level, volts, thd, state in STEPS), (),  # type: ignore[arg-type]
)  # fmt: skip


ROWS = [(29, 3.2, 0.01, "clean"), (31, 4.1, 0.02, "clean"), (33, 4.7, 8.0, "clipped")]


VOLUME = VolumeResult(31, tuple(VolumePosition(*row) for row in ROWS), (), 4.1, 0.0)  # type: ignore[arg-type]


def drawn(draw: Draw, look: Look | None = None) -> Axes:
    look = look or Look()
    with styled(look):
        figure = figure_of([draw], look)
        figure.draw_without_rendering()
    return figure.axes[0]


def title(ax: Axes) -> str:
    return " ".join(ax.get_title(loc="left").split())


def line(ax: Axes, label: str) -> tuple[np.ndarray, np.ndarray]:
    (found,) = [each for each in ax.lines if each.get_label() == label][:1]
    return np.asarray(found.get_xdata(), float), np.asarray(found.get_ydata(), float)


def texts(figure: Figure) -> list[Text]:
    """All texts that are shown: titles, labels, ticks, annotations."""
    shown = []
    for ax in figure.axes:
        low, high = sorted(ax.get_xlim())
        bottom, top = sorted(ax.get_ylim())
        shown += [t for t in ax.texts if t.get_text()]
        shown += [t for t in (ax.xaxis.label, ax.yaxis.label, ax.title, ax._left_title) if t.get_text()]  # type: ignore[attr-defined]
        shown += [t.label1 for t in ax.xaxis.get_major_ticks() if low <= t.get_loc() <= high]
        shown += [t.label1 for t in ax.yaxis.get_major_ticks() if bottom <= t.get_loc() <= top]
    for child in figure.axes[0].child_axes:
        shown.append(child.xaxis.label)
    return [t for t in shown if t.get_text() and t.get_visible()]


def seen(wave: np.ndarray, rate: float = RATE, **more: Any) -> tuple[ToneFit, Verdict]:
    found = analyse_tone(Capture.from_array(wave, rate, **more))
    assert found.tone is not None
    assert found.verdict is not None
    return found.tone, found.verdict


def tone_and(frequency_hz: float, peak: float, *others: tuple[float, float], hiss: float = 1e-3) -> np.ndarray:
    """A second of a sine of that peak, others (hertz, peak) beside it, and hiss."""
    time = np.arange(RATE) / RATE
    wave = peak * np.sin(2 * np.pi * frequency_hz * time)
    for hertz, size in others:
        wave += size * np.sin(2 * np.pi * hertz * time)
    return wave + np.random.default_rng(5).normal(0, hiss, RATE)
