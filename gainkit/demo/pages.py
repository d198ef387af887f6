"""What the demo leaves to look at: charts, the as-left page, and an index of everything."""

from __future__ import annotations

from html import escape
from pathlib import Path

from gainkit.analysis import analyse_tone
from gainkit.capture import read_capture
from gainkit.charts import (
    draw_bands,
    draw_headroom,
    draw_levels,
    draw_onset,
    draw_power,
    draw_response,
    draw_spectrum,
    draw_waveform,
)
from gainkit.charts.drawing import Draw
from gainkit.charts.saving import save_following_svg
from gainkit.charts.style import Size
from gainkit.demo.bench import DemoBench
from gainkit.demo.steps import CHANNEL
from gainkit.errors import GainkitError
from gainkit.files import write_whole
from gainkit.job.plan import plan_system
from gainkit.job.system import load_system
from gainkit.matching import match_levels
from gainkit.onset import find_onset, from_index
from gainkit.response import find_response
from gainkit.response import from_index as from_sweep
from gainkit.sheet import write_sheet

SIZES: dict[str, Size] = {"": "page", "_phone": "phone"}
"""Endings of a chart's files: the page shows the one that fits its window."""


def pages_step(bench: DemoBench, calibration: Path, staircase: Path) -> None:
    """Charts of what was planned and measured, the sheet, and a page that leads to all of it."""
    bench.say("\n12. Charts and the as-left page      (<draw_onset()> and the like; <write_sheet()>)")
    charts = []
    for name, draw in _draws(bench, calibration, staircase).items():
        for ending, size in SIZES.items():
            title = save_following_svg(draw, bench.job.charts / f"{name}{ending}.svg", size, overwrite=True)
        charts.append((name, title))
    made = write_sheet(bench.folder, bench.folder / "sheet.html", overwrite=True)
    write_whole(bench.folder / "index.html", _index(bench, charts), overwrite=True)
    bench.say(f"   {len(charts)} charts; sheet: {made.headline}")
    bench.say(f"   open {bench.folder / 'index.html'} in a browser")


def _draws(bench: DemoBench, calibration: Path, staircase: Path) -> dict[str, Draw]:
    channel = plan_system(load_system(bench.job.system)).channel(CHANNEL)
    analysed = analyse_tone(read_capture(bench.file("front_left_as_found.wav"), calibration=calibration))
    tone, verdict = analysed.tone, analysed.verdict
    if tone is None or verdict is None:
        raise GainkitError("demo_broken", what="its own tone")
    steps = from_index(bench.job.index, staircase.name)
    clipping = find_onset(read_capture(bench.file("front_staircase.wav"), calibration=calibration), steps)
    alike = match_levels([read_capture(bench.file(f"match_front_{side}.wav")) for side in ("left", "right")])
    swept = find_response(
        read_capture(bench.file("sweep_as_found.wav")), from_sweep(bench.folder / "sweep" / "index.json")
    )
    return {
        "headroom": lambda ax: draw_headroom(ax, channel, name=channel.name),
        "levels": lambda ax: draw_levels(ax, channel, name=channel.name),
        "power": lambda ax: draw_power(ax, channel),
        "waveform_as_found": lambda ax: draw_waveform(ax, tone, verdict),
        "spectrum_as_found": lambda ax: draw_spectrum(ax, tone),
        "onset": lambda ax: draw_onset(ax, clipping),
        "response_as_found": lambda ax: draw_response(ax, swept),
        "bands": lambda ax: draw_bands(ax, alike),
    }


def _index(bench: DemoBench, charts: list[tuple[str, str]]) -> str:
    """A page of links and pictures, all inside the folder."""
    pictures = "\n".join(
        f'<figure><picture><source media="(max-width: 36rem)" srcset="charts/{escape(name)}_phone.svg">'
        f'<img src="charts/{escape(name)}.svg" alt="{escape(title)}"></picture>'
        f"<figcaption>{escape(title)}</figcaption></figure>"
        for name, title in charts
    )
    captures = "\n".join(
        f'<li><a href="captures/{escape(path.name)}">{escape(path.name)}</a>'
        for path in sorted(bench.job.captures.iterdir())
    )
    return f"""<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
<title>The demo: one invented car, set from end to end</title>
<style>
html {{ color-scheme: light dark }}
body {{ font: 11pt/1.5 system-ui, sans-serif; color: #1d1f24; max-width: 70rem;
  margin: 1rem auto; padding: 0 1rem }}
.pictures {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(min(20rem, 100%), 1fr)); gap: 1rem }}
li {{ overflow-wrap: anywhere }} figure {{ margin: 0 }} img {{ width: 100% }} figcaption {{ font-size: .9em }}
@media (prefers-color-scheme: dark) {{
  body {{ background: #16181d; color: #f1efe8 }} a {{ color: #cfe0ff }}
}}
</style>
<h1>One invented car, set from end to end</h1>
<p>The car, the shop and every figure are invented; the recordings come from a simulated amplifier. On a real
car the makers' instructions, local codes and licensed practice come first.
<ul>
<li><a href="sheet.html">The as-left page</a> for customer and shop
<li><a href="system.toml">system.toml</a>, what stands on the plates
<li><a href="stick/tracks.html">The tones on the stick</a>
<li><a href="readings.jsonl">readings.jsonl</a>, one line a reading
<li><a href="recorder.toml">recorder.toml</a>, what the recorder's full scale stands for
</ul>
<h2>Charts</h2>
<div class="pictures">
{pictures}
</div>
<h2>Recordings</h2>
<ul>
{captures}
</ul>
</html>
"""
