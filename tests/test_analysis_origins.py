"""What lines beside a tone are called: only by their evidence."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from gainkit.analysis import measure
from gainkit.analysis.origins import Scene, origins_of
from gainkit.analysis.spectrum import Line
from gainkit.capture import Capture

SCENE = Scene(997.0, 0.73, 48_000.0, 1e-3, 0.0)


def kinds(*hertz: float, scene: Scene = SCENE) -> list[tuple[str, float | None]]:
    lines = [Line(each, 1e-3 / (1 + place / 10), 40.0) for place, each in enumerate(hertz)]
    return [(each.kind, each.fundamental_hz) for each in origins_of(lines, scene)]


@pytest.mark.parametrize(
    ("hertz", "wanted"),
    [
        ((300.0, 60.02, 180.06, 600.2), [("mains", 60.0)] * 4),
        ((300.1, 50.02, 150.06), [("mains", 50.0)] * 3),
        ((150.0, 450.0), [("mains", 50.0)] * 2),
        ((100.0,), [("mains", 50.0)]),
        ((50.0, 60.0, 150.0, 180.0), [("mains", 50.0), ("mains", 60.0)] * 2),
        ((300.0,), [("either", 300.0)]),
        ((350.0,), [("unknown", None)]),
        ((612.0,), [("unknown", None)]),
        ((250.3, 500.6, 1501.8), [("orders", 250.3)] * 3),
        ((897.0, 1097.0), [("sideband", 100.0)] * 2),
        ((48_000.0 - 29 * 997.0,), [("folded", 29 * 997.0)]),
        ((15 * 997.0,), [("multiple", 997.0)]),
    ],
)
def test_a_family_is_named_by_its_evidence(
    hertz: tuple[float, ...], wanted: list[tuple[str, float | None]]
) -> None:
    told = kinds(*hertz)
    assert [kind for kind, _ in told] == [kind for kind, _ in wanted]
    for (_, own), (_, truth) in zip(told, wanted, strict=True):
        assert own == (None if truth is None else pytest.approx(truth, abs=0.1))


def test_what_steps_make_is_no_hum() -> None:
    """A tone of six steps' height in 8 bits, no dither: Bennett's q / sqrt(12) is all that is left over."""
    step = 2.0**-7
    wave = np.round(6.3 * np.sin(2 * np.pi * 401.7 / 48_000 * np.arange(96_000))) * step
    capture = dataclasses.replace(Capture.from_array(wave, 48_000, calibrated=False), step_units=step)
    told = {note.code for note in measure(capture).notes}
    assert "line_is_rounding" in told
    assert not {"hum", "interfering_tone"} & told


def test_a_square_edge_without_a_filter_is_no_whine() -> None:
    wave = 0.5 * np.clip(1.3 * np.sin(2 * np.pi * 2_503.0 / 48_000 * np.arange(96_000)), -1.0, 1.0)
    hiss = 1e-5 * np.random.default_rng(1).standard_normal(len(wave))
    notes = [note for note in measure(Capture.from_array(wave + hiss, 48_000)).notes if "line" in note.code]
    assert [note.code for note in notes] == ["line_is_folded"]
    order = notes[0].values["order"]
    assert order % 2 == 1
    assert notes[0].values["frequency_hz"] == pytest.approx(
        abs(order * 2_503.0 - round(order * 2_503 / 48_000) * 48_000), abs=0.5
    )
