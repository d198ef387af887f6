"""Charts of a staircase and of volume positions, read back from the Axes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

from gainkit.capture import Capture
from gainkit.charts import Look, draw_onset, draw_volume
from gainkit.onset import OnsetResult, find_onset, staircase
from gainkit.onset.find import StepResult
from gainkit.simulator import Amplifier
from gainkit.simulator import thd_percent as true_thd
from gainkit.verbs.simulating import simulate
from gainkit.volume import VolumePosition, VolumeResult
from tests.charts.drawing import ONSET, STEPS, VOLUME, drawn, line, title
from tests.waves import RATE


def test_onset_and_volume_show_their_figures() -> None:
    ax = drawn(lambda ax: draw_onset(ax, ONSET))
    for state in ("clean", "at-onset", "clipped"):
        levels, thd = line(ax, state)
        wanted = [(level, thd) for level, _, thd, own in STEPS if own == state]
        assert list(zip(levels, thd, strict=True)) == wanted
    assert line(ax, "onset")[0][0] == -1.7
    assert line(ax, "limit")[1][0] == 1.0
    ax = drawn(lambda ax: draw_volume(ax, VOLUME))
    assert list(line(ax, "THD")[1]) == [0.01, 0.02, 8.0]
    assert line(ax, "highest clean")[0][0] == 1
    figure = ax.get_figure()
    assert isinstance(figure, Figure)
    assert list(line(figure.axes[1], "volts")[1]) == [3.2, 4.1, 4.7]


def staircase_of(amplifier: Amplifier, step_db: float) -> OnsetResult:
    """What a staircase of 1.72 V for 0 dBFS through an amplifier gives."""
    levels = np.arange(-9, 0.01, step_db)
    steps = [simulate(amplifier, level_dbfs=float(dbfs), source_volts=1.72, seconds=0.3) for dbfs in levels]
    played = np.concatenate([step.volts() for step in steps])
    return find_onset(Capture.from_array(played, RATE), staircase(-9, 0, step_db, 0.3))


@pytest.mark.parametrize("step_db", [1.0, 3.0])
def test_the_curve_goes_through_the_onset_and_rises_where_the_rail_is_met(step_db: float) -> None:
    """28 V peak and 26 dB from 1.72 V rms: the crest meets the rail at 20 log10(28 / (1.72 sqrt 2 x 19.95))."""
    found = staircase_of(Amplifier(), step_db)
    met = 20 * np.log10(28 / (1.72 * np.sqrt(2) * 10 ** (26 / 20)))
    ax = drawn(lambda ax: draw_onset(ax, found))
    assert line(ax, "rail met")[0][0] == pytest.approx(met, abs=2e-3)
    assert line(ax, "onset")[0][0] == found.onset_dbfs
    levels, thd = line(ax, "curve")
    crossing = np.interp(0.0, np.log10(thd[levels > met]), levels[levels > met])
    assert crossing == pytest.approx(found.onset_dbfs, abs=0.01)
    for over_db in (0.1, 1.0, 3.0):  # against the simulator's Fourier series
        wanted = true_thd(Amplifier(), 28 * 10 ** (over_db / 20))
        assert np.interp(met + over_db, levels, thd) == pytest.approx(wanted, rel=0.03)
    assert f"begins at {met:.2f} dBFS; THD reaches 1 % at {found.onset_dbfs:.2f} dBFS" in title(ax)


def test_a_soft_knee_has_one_mark() -> None:
    found = staircase_of(Amplifier(knee=3.0), 1.0)
    assert found.clipping_begins_dbfs is None
    ax = drawn(lambda ax: draw_onset(ax, found))
    assert "rail met" not in [each.get_label() for each in ax.lines]
    assert title(ax).startswith("THD reaches 1 %")


def test_an_onset_that_is_not_known_is_not_called_absent() -> None:
    quiet = replace(ONSET, found=False, onset_dbfs=None, onset_volts=None, steps=ONSET.steps[:2])
    assert "THD stays under 1 %" in title(drawn(lambda ax: draw_onset(ax, quiet)))
    unjudged = StepResult(0.0, None, None, None, None, None)
    cut = replace(quiet, steps=(*quiet.steps, unjudged))
    assert "Onset not known" in title(drawn(lambda ax: draw_onset(ax, cut)))


def test_an_onset_below_all_steps_stands_in_the_picture_and_is_told_as_such() -> None:
    loud = replace(ONSET, onset_dbfs=-12.3, steps=ONSET.steps[3:])
    ax = drawn(lambda ax: draw_onset(ax, loud))
    assert title(ax) == "Every step is above 1 %: followed down, THD reaches it at -12.3 dBFS"
    low, high = ax.get_xlim()
    assert low < -12.3 < high
    assert line(ax, "curve")[0].min() == -1.0  # nothing was measured below: no curve is drawn there


def test_a_source_that_distorts_throughout_is_told_so() -> None:
    found = staircase_of(Amplifier(), 3.0)
    steps = tuple(replace(step, thd_percent=max(step.thd_percent or 0.0, 2.0)) for step in found.steps)
    ax = drawn(lambda ax: draw_onset(ax, replace(found, steps=steps)))
    assert title(ax).endswith("THD is above 1 % at every step, and not by the rail alone")
    assert not any("1 % at" in text.get_text() for text in ax.texts)  # it is reached nowhere in the picture


def test_volume_tells_a_narrow_span_and_many_positions() -> None:
    rows = tuple(VolumePosition(at, 3 + at / 50, 5 + at / 50, "clipped") for at in range(36))
    ax = drawn(lambda ax: draw_volume(ax, VolumeResult(None, rows, (), None, 0.0)), Look(size="phone"))
    low, high = sorted(ax.get_ylim())
    told = [tick for tick in ax.yaxis.get_major_ticks() if low <= tick.get_loc() <= high]
    assert [tick.label1.get_text() for tick in told] == ["1", "10"]
    assert all(not tick.label1.get_text() for tick in ax.yaxis.get_minor_ticks())
    names = [tick.label1.get_text() for tick in ax.xaxis.get_major_ticks()]
    assert 8 <= len(names) <= 18
    assert names[0] == "0"
    clean = replace(VOLUME, positions=VOLUME.positions[:2])
    assert "clean at every position, up to 31" in title(drawn(lambda ax: draw_volume(ax, clean)))
