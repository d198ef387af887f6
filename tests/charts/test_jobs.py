"""Charts of a job, read back from the Axes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gainkit.charts import draw_compare, draw_job
from gainkit.charts.style import named
from gainkit.errors import GainkitError
from gainkit.job.model import JobStatus
from tests.charts.drawing import drawn, line, title


def test_a_job_stands_beside_its_targets(standing: JobStatus) -> None:
    ax = drawn(lambda ax: draw_job(ax, standing))
    assert line(ax, "on target")[0] == pytest.approx([-0.2])
    assert line(ax, "not on target")[0] == pytest.approx([-3.0])
    assert list(line(ax, "not on target")[1]) == [-1.0]
    assert title(ax).startswith(f"1 of {len(standing.outputs)} outputs on target within 0.5 dB")
    assert standing.outputs[1].name in title(ax)
    assert sum(text.get_text() == "not measured" for text in ax.texts) == len(standing.outputs) - 2


def test_as_found_stands_against_as_left(standing: JobStatus) -> None:
    ax = drawn(lambda ax: draw_compare(ax, standing))
    assert line(ax, "as found")[0] == pytest.approx([2.0])
    assert line(ax, "as left")[0] == pytest.approx([-0.2])
    assert "down by 2.2 dB" in title(ax)
    with pytest.raises(GainkitError) as refused:
        drawn(lambda ax: draw_compare(ax, replace(standing, outputs=standing.outputs[1:])))
    assert refused.value.code == "nothing_to_compare"


def test_outputs_with_long_names_are_told_apart() -> None:
    left, right = (named(f"Loudspeakers behind the rear seat/{side}", 18) for side in ("left", "right"))
    assert (left, right) == ("Loudspeakers\u2026/left", "Loudspeaker\u2026/right")
