"""Charts: functions that draw on a matplotlib Axes and return it, and ways to save what they drew."""

from __future__ import annotations

from gainkit.charts.bands import draw_bands
from gainkit.charts.headroom import draw_headroom
from gainkit.charts.job import draw_compare, draw_job
from gainkit.charts.levels import draw_levels
from gainkit.charts.noise import draw_noise
from gainkit.charts.onset import draw_onset, draw_volume
from gainkit.charts.power import draw_power
from gainkit.charts.response import draw_response
from gainkit.charts.saving import chart_svg, save_chart
from gainkit.charts.spectrum import draw_spectrum
from gainkit.charts.style import Look, styled
from gainkit.charts.waveform import draw_waveform

__all__ = [
    "Look",
    "chart_svg",
    "draw_bands",
    "draw_compare",
    "draw_headroom",
    "draw_job",
    "draw_levels",
    "draw_noise",
    "draw_onset",
    "draw_power",
    "draw_response",
    "draw_spectrum",
    "draw_volume",
    "draw_waveform",
    "save_chart",
    "styled",
]
