"""Before a grounded clip: every command that asks for a hook-up tells to check the lead, in the same words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.calculator.leads import hook_up_cautions
from gainkit.cli.plain import said
from tests.conftest import DATA, Answer

CAPTURE = DATA / "captures" / "split_997hz_0v9.flac"


def _one_line(answer: Answer) -> str:
    return " ".join((answer.out + answer.err).split())


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (("pad", "--max-volts", 20, "--input-volts", 2), True),
        (("pad", "--max-volts", 20, "--input-volts", 2, "--bridged"), False),
        (("pad", "--max-volts", 1, "--input-volts", 2), True),
        (("measure", CAPTURE), True),
        (("calibrate", CAPTURE, "--reading-volts", 5, "--out", "OUT"), True),
    ],
)
def test_commands_that_ask_for_a_hook_up_tell_to_check_the_lead(
    call: tuple[object, ...], told: bool, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    answer = gainkit(*[tmp_path / "c.toml" if each == "OUT" else each for each in call])
    assert answer.code == 0, answer.err
    sentence = " ".join(said(hook_up_cautions())[0].split())
    assert (sentence in _one_line(answer)) is told
    assert "an ohmmeter from that lead to chassis ground" in sentence


def test_the_answer_stands_before_a_caution_of_three_lines(
    monkeypatch: pytest.MonkeyPatch, gainkit: Callable[..., Answer]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = gainkit("measure", CAPTURE, "--full-scale-volts", 30, "--target-volts", 5).out.splitlines()
    cautions = [number for number, line in enumerate(lines) if line.startswith("CAUTION")]
    turns = [number for number, line in enumerate(lines) if line.startswith(("Turn", "On target"))]
    assert len(cautions) == 1
    assert max(turns) < 3
    assert cautions[0] > turns[0]
    assert len(lines) - cautions[0] <= 3
    told = " ".join(" ".join(lines[cautions[0] :]).split())
    assert all(each in told for each in ("destroy", "neither lead on ground", "--minus 2", "amplifier off"))


def test_two_inputs_subtracted_need_no_clip_on_a_minus_lead() -> None:
    assert hook_up_cautions(minus=2) == ()
    assert [each.severity for each in hook_up_cautions()] == ["danger"]


def test_a_loudspeaker_that_measures_too_low_is_not_to_be_connected(gainkit: Callable[..., Answer]) -> None:
    """IEC 60268-5 lets an impedance fall to 80 % of nominal (from memory): under that share of the minimum, per
    half when bridged, the load is none that the amplifier allows."""
    call = ("target", "--watts", 75, "--ohms", 4, "--json")
    for extra, danger in (
        (("--real-load-ohms", 1.4, "--min-ohms", 2), True),
        (("--real-load-ohms", 1.61, "--min-ohms", 2), False),
        (("--real-load-ohms", 3.1, "--min-ohms", 2, "--bridged"), True),
        (("--real-load-ohms", 3.3, "--min-ohms", 2, "--bridged"), False),
        (("--real-load-ohms", 1.4), False),
    ):
        cautions = gainkit(*call, *extra).json["cautions"]
        found = [each for each in cautions if each["code"] == "load_below_minimum"]
        assert bool(found) is danger, extra
        if found:
            assert found[0]["severity"] == "danger"
            assert found[0]["text"].startswith("Do not connect")
