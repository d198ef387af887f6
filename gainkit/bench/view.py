"""What the page shows, as plain values for the templates and for the live stream; sentences are made here."""

from __future__ import annotations

from typing import Any

from gainkit.bench.desk import LIVE, Desk, Kept
from gainkit.bench.words import BENCH, LANGUAGE, WORDS
from gainkit.errors import GainkitError
from gainkit.figures import filled
from gainkit.job.listing import key_figures
from gainkit.remarks import Remark, Sentence
from gainkit.steps import Step, Tone
from gainkit.steps.model import StepKind
from gainkit.steps.taking import Finding, figures_of
from gainkit.steps.way import SEEN
from gainkit.words import error_text, remark_text
from gainkit.words.steps import TITLES

BAR_DB = 6.0
"""The bar reaches so far on either side of the target [dB]: what lies beyond is shown at its end."""

SHOWN_READINGS = 8
"""The record's last lines on the page [-]."""

LONGEST_TEXT = 400
"""Sentences are cut after so many characters: a name from a system file may be long."""


def said(remark: Remark | Sentence) -> str:
    """A sentence as the page says it."""
    text = remark_text(remark, BENCH)
    return text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 1] + "…"


def told(word: str, **values: Any) -> str:
    """One of the page's own words with its values."""
    return filled(WORDS[word], values)


def fault_view(fault: GainkitError) -> dict[str, str]:
    """The two parts of a fault."""
    problem, remedy = error_text(fault, BENCH)
    return {"problem": problem[:LONGEST_TEXT], "remedy": remedy[:LONGEST_TEXT]}


def look_view(look: Finding | None) -> dict[str, Any] | None:
    """What a reading says: the large line, the bar, the figures, what else is to be known."""
    if look is None:
        return None
    error = look.error_db
    return {
        "large": said(look.large),
        "code": look.large.code,
        "direction": look.direction,
        "error_db": error,
        "place": None if error is None else round(100 * max(-1.0, min(1.0, error / BAR_DB)), 1),
        "bar": told("bar_none") if error is None else told("bar", error=error),
        "figures": [said(each) for each in look.figures],
        "remarks": [{"severity": each.severity, "text": said(each)} for each in look.remarks],
    }


def counts(look: Finding) -> bool:
    """Whether a live reading is worth keeping: it tells the level, or a danger."""
    return look.error_db is not None or any(each.severity == "danger" for each in look.remarks)


def live_view(desk: Desk) -> dict[str, Any]:
    """The live reading as it goes out several times a second."""
    live = desk.live
    words = {"off": "live_off", "lost": "live_lost", "on": "waiting"}
    read = None if live.found is None else " · ".join(said(each) for each in figures_of(live.found))
    why = [] if live.problem is None else [fault_view(live.problem)["problem"]]
    return {
        "state": live.state,
        "step": desk.current,
        "text": " ".join([read or WORDS[words[live.state]], *why]),
        "counts": live.look is not None and counts(live.look),
        "device": live.device,
        "look": look_view(live.look),
    }


def page_view(desk: Desk, who: str | None, fault: GainkitError | None = None) -> dict[str, Any]:
    """Everything that the page needs."""
    with desk.lock:
        steps, step, version = desk.steps(), desk.step(), desk.version
        pending, job = desk.pending(step.key), desk.job()
        live, kept = live_view(desk), desk.kept
    fault = fault or desk.fault
    return {
        "language": LANGUAGE,
        "words": WORDS,
        "version": version,
        "car": job.system.job.vehicle or job.system.job.title or "",
        "who": who or job.system.job.technician or "",
        "step": step_view(step),
        "steps": [_short(each, step.key) for each in steps],
        "pending": look_view(pending.look) if pending else None,
        "reading": pending.number if pending else LIVE,
        "shown": list(pending.shown) if pending else [],
        "parts": [{"label": label, "shown": each.shown} for label, each in desk.parts(step.key).items()],
        "live": live,
        "can_keep": pending is not None or live["counts"],
        "kept": _kept(desk, kept),
        "outputs": [each.name for each in job.system.outputs] if step.kind == "match" else [],
        "simulated": desk.simulated,
        "records": _records(desk),
        "fault": None if fault is None else fault_view(fault),
        "plan": _plan(desk) if step.kind == "plan" else [],
    }


def step_view(step: Step) -> dict[str, Any]:
    """One step with its sentences."""
    return {
        "key": step.key,
        "kind": step.kind,
        "title": TITLES[step.kind],
        "output": step.output,
        "state": step.state,
        "tone": None if step.tone is None else tone_view(step.tone),
        "connect": [said(each) for each in step.connect],
        "cautions": [{"severity": each.severity, "text": said(each)} for each in step.cautions],
        "confirm": [said(Remark(code)) for code in step.unconfirmed],
        "ways": list(step.ways),
        "reads": bool({"capture", "volts", "polarity", "positions", "outputs"} & set(step.ways)),
        "seen": said(Remark(SEEN[step.kind])) if step.kind in SEEN else None,
        "told": None if step.told is None else said(step.told),
        "faults": [said(each) for each in step.faults],
        "undo": step.readings[-1] if step.readings else None,
        "target": None if step.set_volts is None else f"{step.set_volts:.2f}\u00a0V",
        "tolerance": None if step.tolerance_db is None else told("tolerance", tolerance=step.tolerance_db),
        "tolerance_place": None if step.tolerance_db is None else round(100 * step.tolerance_db / BAR_DB, 1),
    }


def tone_view(tone: Tone) -> dict[str, Any]:
    """What is played, in words and for the player."""
    figures = {"frequency": tone.frequency_hz, "level": tone.level_dbfs, "from_level": tone.from_dbfs}
    if tone.kind in ("sine", "staircase"):
        text = told(f"tone_{tone.kind}", **figures)
    else:
        text = told("tone_other", kind=WORDS[f"kind_{tone.kind}"], level=tone.level_dbfs)
    return {"kind": tone.kind, "hz": tone.frequency_hz, "dbfs": tone.level_dbfs, "text": text}


def _short(step: Step, current: str) -> dict[str, Any]:
    return {
        "key": step.key,
        "title": _title(step.kind),
        "output": step.output,
        "state": step.state,
        "here": step.key == current,
    }


def _title(kind: StepKind) -> str:
    return TITLES[kind]


def _kept(desk: Desk, kept: Kept | None) -> dict[str, Any] | None:
    if kept is None:
        return None
    step = desk.step(kept.key)
    return {"number": kept.number, "title": TITLES[step.kind], "output": step.output, "state": step.state}


def _records(desk: Desk) -> list[dict[str, Any]]:
    """The last lines of the record, the newest first."""
    lines = []
    for each in reversed(desk.job().readings[-SHOWN_READINGS:]):
        lines.append(
            {
                "number": each.number,
                "output": ", ".join(each.outputs),
                "kind": each.kind,
                "figures": key_figures(each.result)[:LONGEST_TEXT],
                "who": each.who or "",
                "void": each.void_reason,
            }
        )
    return lines


def _plan(desk: Desk) -> list[dict[str, str]]:
    """The plan's line for every channel."""
    return [
        {
            "name": each.name,
            "volts": f"{each.set_volts:.2f}\u00a0V",
            "tone": told("tone_sine", frequency=each.tone_hz, level=each.tone_dbfs),
        }
        for each in desk.job().plan.channels
    ]
