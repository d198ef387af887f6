"""What the notebooks share: charts, a slider where there is one, and sound that is never loud.

Only numpy, matplotlib and IPython, so that they run in a browser as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gainkit.charts.style import Look, styled

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from gainkit.capture import Capture
    from gainkit.charts.drawing import Draw

LOUDEST = 0.1
"""No sample of a notebook's sound goes beyond this share of full scale [-]: 20 dB below it."""

SIZE_INCHES = (6.5, 3.9)
"""Width and height of one chart [inch]."""


def picture(*draws: Draw, beside: bool = False) -> None:
    """Show charts one below the other, or side by side."""
    import matplotlib.pyplot as plt

    with styled(Look()):
        rows, columns = (1, len(draws)) if beside else (len(draws), 1)
        size = (SIZE_INCHES[0] * columns, SIZE_INCHES[1] * rows)
        _, axes = plt.subplots(rows, columns, figsize=size, squeeze=False, layout="constrained")
        for draw, ax in zip(draws, axes.flat, strict=True):
            draw(ax)
        plt.show()


def slider(function: Callable[..., None], **ranges: tuple[float, float, float]) -> None:
    """Sliders for the function's figures, (lowest, highest, step) each; one picture where there are none."""
    try:
        from ipywidgets import interact
    except ImportError:
        function()
    else:
        interact(function, **ranges)


def hear(capture: Capture, name: str) -> None:
    """Play a capture, quietly. Begin with the device's volume low all the same."""
    from IPython.display import Audio, display

    print(name)
    sound = Audio(quiet(capture.volts()), rate=capture.sample_rate_hz, normalize=False)  # type: ignore[no-untyped-call]
    display(sound)  # type: ignore[no-untyped-call]


def quiet(volts: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same wave as loud as a sine with its peaks at LOUDEST, or quieter where its own peaks forbid that.

    volts : (frames,). Equally loud, or a clipped tone would sound louder for its fuller wave alone.
    """
    rms, peak = float(np.sqrt(np.mean(volts**2))), float(np.abs(volts).max())
    if peak == 0:
        return volts
    return np.asarray(volts * min(LOUDEST / np.sqrt(2) / rms, LOUDEST / peak))
