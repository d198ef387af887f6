"""`gainkit onset --compare`: which side of the gain control clips first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gainkit.cli.common import show
from gainkit.figures import level_unit, plain

if TYPE_CHECKING:
    from gainkit.capture import Capture
    from gainkit.onset import OnsetResult
    from gainkit.onset.compare import ComparedOnset, OnsetComparison

VERDICTS = {
    "before": "CLIPS BEFORE THE GAIN CONTROL",
    "after": "CLIPS AFTER THE GAIN CONTROL",
    "both": "CLIPS BEFORE THE GAIN CONTROL AT THE LOWER SETTING, AFTER IT AT THE HIGHER ONE",
    "nowhere": "NOTHING CLIPS AT EITHER SETTING",
    "unknown": "NOT KNOWN WHICH SIDE OF THE GAIN CONTROL CLIPS",
}


def show_comparison(one: tuple[Capture, OnsetResult], other: tuple[Capture, OnsetResult], json_: bool) -> None:
    """Two recordings with their onsets, compared and shown."""
    from gainkit.onset import compare_onsets

    told = compare_onsets(one[1], other[1])
    show(told, json_, lambda: comparison_text((one[0].file, other[0].file), told, one[0].calibrated))


def comparison_text(files: tuple[str, str], result: OnsetComparison, calibrated: bool) -> str:
    """The verdict first, then both settings, then what to know."""
    from gainkit.cli.plain import bullets, columns, sections, wrapped

    unit = level_unit(calibrated)
    rows = [_row("lower", result.lower), _row("higher", result.higher)]
    figures = []
    if result.gain_change_db is not None:
        figures.append(f"  Turned      {result.gain_change_db:z.2f} dB")
    if result.onset_change_db is not None:
        figures.append(f"  Onset       {result.onset_change_db:+z.2f} dB with it")
    if result.best_gain_db is not None and result.higher.gain_db is not None:
        down = result.higher.gain_db - result.best_gain_db
        figures.append(f"  Together    at {down:z.2f} dB under the higher setting both sides clip at once")
    return sections(
        wrapped(f"{files[0]} and {files[1]}: {VERDICTS[result.where]}.", "", ""),
        "\n".join(figures),
        columns(("  setting", "gain dB", "onset dBFS", unit), rows),
        bullets("Notes:", result.notes),
    )


def _row(name: str, each: ComparedOnset) -> tuple[str, ...]:
    onset = "-" if each.onset_dbfs is None else f"{each.onset_dbfs:z.2f}"
    if each.onset_dbfs is None and each.loudest_dbfs is not None:
        onset = f"none up to {each.loudest_dbfs:zg}"
    return (
        f"  {name}",
        "-" if each.gain_db is None else f"{each.gain_db:z.2f}",
        onset,
        "-" if each.onset_volts is None else plain(each.onset_volts, 4),
    )
