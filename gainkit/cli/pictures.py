"""Pictures that commands draw beside or in place of an answer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gainkit.analysis import ToneFit, Verdict
    from gainkit.batch import Question
    from gainkit.charts.drawing import Draw
    from gainkit.charts.style import Look


@dataclass(frozen=True)
class ChartMade:
    """What `chart` answers."""

    file: str
    kind: str
    title: str


def write_chart(
    kind: str, draws: list[Draw], out: Path, look: Look | None = None, overwrite: bool = False
) -> ChartMade:
    """Draw to a file; what was made."""
    from gainkit.charts import Look, save_chart

    return ChartMade(str(out), kind, save_chart(draws, out, look or Look(), overwrite=overwrite))


def fitted(question: Question) -> tuple[ToneFit, Verdict, str, float | None]:
    """The tone of a capture, the verdict on it, the unit of its samples, and the recorder's end in it."""
    from gainkit.analysis import analyse_tone
    from gainkit.batch import opened
    from gainkit.errors import GainkitError

    capture = opened(question)
    seen = analyse_tone(capture, question.options)
    if seen.tone is None or seen.verdict is None:
        values = {} if seen.no_tone is None else seen.no_tone.values
        raise GainkitError("no_steady_tone", **values).within("file", capture.file)
    end = capture.volts_per_unit if capture.hard_full_scale and question.options.minus is None else None
    return seen.tone, seen.verdict, "V" if capture.calibrated else "full scale", end


def tone_draws(tone: ToneFit, verdict: Verdict, unit: str, full_scale: float | None = None) -> list[Draw]:
    """Waveform, then spectrum."""
    from gainkit.charts import draw_spectrum, draw_waveform

    return [
        lambda ax: draw_waveform(ax, tone, verdict, unit=unit, full_scale=full_scale),
        lambda ax: draw_spectrum(ax, tone, verdict),
    ]
