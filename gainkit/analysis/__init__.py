"""A capture to a measurement: level, distortion, clipping."""

from __future__ import annotations

from gainkit.analysis.clipping import Verdict, judge
from gainkit.analysis.measure import ToneAnalysis, analyse_tone, measure
from gainkit.analysis.model import (
    Clipping,
    Harmonic,
    Measurement,
    MeasureOptions,
    NoToneReason,
    RailSag,
    State,
    Stretch,
    TargetCheck,
)
from gainkit.analysis.rails import RailFit
from gainkit.analysis.railsearch import fit_rails
from gainkit.analysis.tone import ToneFit, fit_tone

__all__ = [
    "Clipping",
    "Harmonic",
    "MeasureOptions",
    "Measurement",
    "NoToneReason",
    "RailFit",
    "RailSag",
    "State",
    "Stretch",
    "TargetCheck",
    "ToneAnalysis",
    "ToneFit",
    "Verdict",
    "analyse_tone",
    "fit_rails",
    "fit_tone",
    "judge",
    "measure",
]
