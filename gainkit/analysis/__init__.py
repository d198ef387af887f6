"""A capture to a measurement: level, distortion, clipping."""

from __future__ import annotations

from gainkit.analysis.clipping import Verdict, judge
from gainkit.analysis.measure import measure, tone_of
from gainkit.analysis.model import Clipping, Harmonic, Measurement, MeasureOptions, State, TargetCheck
from gainkit.analysis.rails import RailFit, fit_rails
from gainkit.analysis.tone import ToneFit, fit_tone

__all__ = [
    "Clipping",
    "Harmonic",
    "MeasureOptions",
    "Measurement",
    "RailFit",
    "State",
    "TargetCheck",
    "ToneFit",
    "Verdict",
    "fit_rails",
    "fit_tone",
    "judge",
    "measure",
    "tone_of",
]
