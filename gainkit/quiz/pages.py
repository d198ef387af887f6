"""Worksheet and answer sheet as pages to print, on A4 or Letter."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from gainkit.figures import plain
from gainkit.quiz.captures import FULL_SCALE_VOLTS
from gainkit.quiz.model import Answer
from gainkit.words import PYTHON, Door, with_names

PAPERS = {"a4": "A4", "letter": "letter"}
"""Papers, and what a browser calls them."""

LEVELS = {
    1: "volts, watts and decibels",
    2: "gain, headroom and recordings",
    3: "meters, feeds, music and faults",
}

CARE = (
    "Everything here is invented. On a real car: loudspeakers unplugged while a tone sets the gain, neither "
    "lead of a bridged or built-in output to ground, the makers' instructions, local codes and licensed "
    "practice first."
)

STYLE = """
@page { size: @PAPER@; margin: 16mm }
body { font: 11pt/1.45 system-ui, sans-serif; color: #1d1f24; background: #fff; max-width: 46rem;
  margin: 1rem auto; padding: 0 1rem }
h1 { font-size: 1.4em; margin: 0 0 .2em } ol { padding-left: 2.3em } li { margin: 0 0 1em; break-inside: avoid }
.name { display: flex; gap: 2em; margin: .8em 0 } .name span { flex: 1; border-bottom: 1px solid #1d1f24 }
.room { border-bottom: 1px solid #b9b6ab; height: 1.9em } code { overflow-wrap: anywhere }
.answer { font-weight: 600; margin: .2em 0 } .way { margin: .2em 0; color: #3c3f46 }
.care { border: 1px solid #1d1f24; padding: .3em .7em; font-size: .9em }
@media print { body { margin: 0; max-width: none; padding: 0 } }
"""


def worksheet_page(questions: Sequence[Answer], seed: int, level: int, paper: str, door: Door = PYTHON) -> str:
    """What the class gets: questions and room to write."""
    items = "\n".join(
        f'<li>{escape(each.text)}<div class="room"></div><div class="room"></div></li>' for each in questions
    )
    way = _command(f"<measure()> q03.wav <full_scale_volts> {FULL_SCALE_VOLTS:g}", door)
    recordings = (
        f"<p>The recordings lie beside this page. A sample of full scale stands for {FULL_SCALE_VOLTS:g} V: "
        f"<code>{escape(way)}</code>.</p>"
        if any(each.capture for each in questions)
        else ""
    )
    return _page(
        f"Gain setting: {LEVELS[level]}",
        '<div class="name">Name <span></span> Date <span></span></div>'
        f"<p>Sheet {seed}-{level}, {len(questions)} questions. A calculator may help.</p>{recordings}"
        f'<ol>\n{items}\n</ol><p class="care">{escape(CARE)}</p>',
        paper,
    )


def answer_page(questions: Sequence[Answer], seed: int, level: int, paper: str, door: Door = PYTHON) -> str:
    """What the teacher keeps: answers, the way there, and the truth behind the recordings."""
    items = "\n".join(
        f'<li>{escape(each.text)}<p class="answer">{escape(each.answer)}</p>'
        f'<p class="way">{_way(each, door)}</p>{_truth(each)}</li>'
        for each in questions
    )
    return _page(
        f"Answers: {LEVELS[level]}",
        f"<p>Sheet {seed}-{level}. Figures by gainkit's calculator and analysis.</p><ol>\n{items}\n</ol>"
        f'<p class="care">{escape(CARE)}</p>',
        paper,
    )


def _way(each: Answer, door: Door) -> str:
    if each.capture:
        return f"<code>{escape(_command(each.working, door))}</code>"
    return escape(with_names(each.working, door))


def _command(text: str, door: Door) -> str:
    """A line to type: without the marks that a job's name has in a sentence."""
    return with_names(text, door).replace("'", "")


def _truth(each: Answer) -> str:
    """How a recording was made."""
    if each.truth is None:
        return ""
    told = [
        f"{name.replace('_', ' ')} {plain(value, 4) if isinstance(value, float) else value}"
        for name, value in each.truth.items()
        if value
    ]
    return f'<p class="way">Made with: {escape(", ".join(told))}.</p>'


def _page(title: str, body: str, paper: str) -> str:
    style = STYLE.replace("@PAPER@", PAPERS[paper])
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="icon" href="data:,">\n'
        f"<title>{escape(title)}</title><style>{style}</style></head>\n"
        f"<body><h1>{escape(title)}</h1>\n{body}\n</body></html>\n"
    )
