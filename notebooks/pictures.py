"""Draw the README's pictures anew: python notebooks/pictures.py"""

from __future__ import annotations

import tempfile
from pathlib import Path

from gainkit.analysis import analyse_tone
from gainkit.capture import read_capture
from gainkit.charts import draw_headroom, draw_onset, draw_waveform, save_chart
from gainkit.demo import run_demo
from gainkit.job import load_system, plan_system
from gainkit.onset import find_onset, from_index

PICTURES = Path(__file__).parent / "pictures"


def main() -> None:
    """Run the demo aside and draw three of its charts."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        car = Path(folder) / "car"
        run_demo(car, lambda line: None)
        captures, recorder = car / "captures", car / "recorder.toml"
        channel = plan_system(load_system(car / "system.toml")).channel("Front")
        analysis = analyse_tone(read_capture(captures / "front_left_as_found.wav", calibration=recorder))
        tone, verdict = analysis.tone, analysis.verdict
        assert tone is not None, analysis.reason
        assert verdict is not None
        (staircase,) = (path.name for path in (car / "stick").glob("*stairs*"))
        steps = from_index(car / "stick" / "index.json", staircase)
        clipping = find_onset(read_capture(captures / "front_staircase.wav", calibration=recorder), steps)
    for name, draw in (
        ("headroom", lambda ax: draw_headroom(ax, channel, name=channel.name)),
        ("waveform", lambda ax: draw_waveform(ax, tone, verdict)),
        ("onset", lambda ax: draw_onset(ax, clipping)),
    ):
        save_chart(draw, PICTURES / f"{name}.png", overwrite=True)


if __name__ == "__main__":
    main()
