"""`gainkit routing`: which channel plays where."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, grouped
from gainkit.cli.place import NoteOptions, NoteRequest, Noting, place_of, tell
from gainkit.cli.plain import columns, said, sections, wrapped

if TYPE_CHECKING:
    from gainkit.routing import RoutingResult


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("routing")(grouped(routing))


def routing(
    *,
    capture: Annotated[Path, typer.Argument(help="Recording of the beeps track.")],
    microphone: Annotated[
        bool | None,
        typer.Option("--microphone/--line", help="Sound by a microphone, or line channels [by their number]."),
    ] = None,
    pitch_hz: Annotated[float | None, typer.Option("--pitch-hz", help="Pitch of the beeps [997].")] = None,
    note: NoteOptions,
    json_: JsonFlag = False,
) -> None:
    """Tell which channel plays where, from a recording of counted beeps."""
    from gainkit.capture import read_capture
    from gainkit.routing import PITCH_HZ, check_routing

    place = place_of(NoteRequest("routing", note))
    pitch = PITCH_HZ if pitch_hz is None else pitch_hz
    result = check_routing(read_capture(capture), microphone=microphone, pitch_hz=pitch)
    tell(place, result, json_, lambda: routing_text(result), [Noting(result, [capture])])


def routing_text(result: RoutingResult) -> str:
    """The verdict first, then what was heard when."""
    from gainkit.words.routing import routing_verdict

    table = columns(
        ("channel", "beeps", "at s"),
        [(str(entry.channel), str(entry.beeps), f"{entry.start_seconds:.2f}") for entry in result.heard[:12]],
    )
    lines = [wrapped(text, "  - ", "    ") for text in said((*result.problems, *result.notes))]
    unused = [number for note in result.notes for number in note.values.get("channels", [])]
    return sections(routing_verdict(result.ok, result.by_ear, unused, result.judged), "\n".join(lines), table)
