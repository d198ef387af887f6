"""The pages that go with the tracks: tracks.txt for any screen, tracks.html for the printer and a phone."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence

from gainkit.figures import plain
from gainkit.toneset.cautions import COPYING, GENERAL
from gainkit.toneset.index import TrackFacts
from gainkit.toneset.model import AudioFormat, ToneSet

_WIDTH = 78


def duration(seconds: float) -> str:
    """Length as minutes and seconds, 1:02."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def level_text(track: TrackFacts) -> str:
    """The level of a track in words: -12 dBFS, -20 to 0 dBFS, -6 dBFS peak."""
    if (from_dbfs := track.parameters.get("from_dbfs")) is not None:
        return f"{plain(from_dbfs, 6)} to {plain(track.parameters['to_dbfs'], 6)} dBFS"
    if track.level_dbfs is None:
        return "silent"
    kind = " peak" if track.level_kind == "peak" else " rms" if track.kind == "noise" else ""
    return f"{plain(track.level_dbfs, 6)} dBFS{kind}"


def _count(tracks: Sequence[TrackFacts]) -> str:
    return f"{len(tracks)} track{'' if len(tracks) == 1 else 's'}"


def form_text(audio: AudioFormat) -> str:
    """How the tracks are written: WAV, 44.1 kHz, 16 bit."""
    bits = "32 bit float" if audio.samples.is_float else f"{audio.bits} bit"
    return f"{audio.format.upper()}, {plain(audio.rate / 1000)} kHz, {bits}"


def page_text(tone_set: ToneSet, audio: AudioFormat, tracks: Sequence[TrackFacts]) -> str:
    """tracks.txt: cautions first, then each track with level, length and use; plain ASCII letters and CRLF."""
    lines = [tone_set.title, "=" * len(tone_set.title)]
    if tone_set.about:
        lines.append(_wrapped(tone_set.about))
    total = sum(track.seconds for track in tracks)
    lines += [f"{_count(tracks)}, {duration(total)}, {form_text(audio)}.", "", "BEFORE YOU PLAY ANYTHING"]
    lines += [_wrapped(caution, "! ") for caution in GENERAL]
    lines += ["", "TRACKS (0 dBFS: the peaks of a sine touch full scale)", ""]
    for track in tracks:
        lines += _track_lines(track)
    lines += ["", "KEEPING THE TRACKS AS THEY ARE"]
    lines += [_wrapped(advice, "- ") for advice in COPYING]
    return "\r\n".join("\n".join(lines).split("\n")) + "\r\n"


def _track_lines(track: TrackFacts) -> list[str]:
    """One track of tracks.txt."""
    channels = "" if track.channels == "both" else f", {channel_text(track)}"
    return [
        f"{track.file}  {level_text(track)}, {duration(track.seconds)}{channels}",
        _wrapped(f"{track.title}. {track.use}", "    "),
        *(_wrapped(caution, "    ! ") for caution in track.cautions),
        *(_wrapped(note, "    ") for note in track.notes),
    ]


def _wrapped(text: object, first: str = "") -> str:
    """A text or remark in lines that hang under its first."""
    return textwrap.fill(str(text), _WIDTH, initial_indent=first, subsequent_indent=" " * len(first))


def channel_text(track: TrackFacts) -> str:
    """Which channels play, in words."""
    names = {"left": "left only", "right": "right only", "opposite": "right in opposite polarity"}
    return names.get(track.channels, "left and right")


def page_html(tone_set: ToneSet, audio: AudioFormat, tracks: Sequence[TrackFacts]) -> str:
    """tracks.html: the same for the printer (A4 or Letter, black on white) and a phone; nothing fetched."""
    escape = html.escape
    total = sum(track.seconds for track in tracks)
    rows = [_track_row(track) for track in tracks]
    cautions, keeping = ("".join(f"<li>{escape(str(each))}" for each in of) for of in (GENERAL, COPYING))
    about = f"<p>{escape(tone_set.about)}" if tone_set.about else ""
    return f"""<!doctype html>
<html lang=en><meta charset=utf-8><meta name=viewport content="width=device-width, initial-scale=1">
<title>{escape(tone_set.title)}</title>
<style>{_STYLE}</style>
<h1>{escape(tone_set.title)}</h1>
{about}
<p>{_count(tracks)}, {duration(total)}, {escape(form_text(audio))}. 0 dBFS: the peaks of a sine touch full
scale. <section><h2>Before you play anything</h2><ul>{cautions}</ul></section>
<table><thead><tr><th>File<th>Level<th>Length<th>Plays on<th>What for</thead>
<tbody>
{chr(10).join(rows)}
</tbody></table>
<h2>Keeping the tracks as they are</h2><ul>{keeping}</ul>
</html>
"""


def _track_row(track: TrackFacts) -> str:
    """One track of tracks.html."""
    escape = html.escape
    return (
        f"<tr><th scope=row>{escape(track.file)}</th><td>{escape(level_text(track))}</td>"
        f"<td>{duration(track.seconds)}</td><td>{escape(channel_text(track))}</td>"
        f"<td><b>{escape(track.title)}.</b> {escape(track.use)}"
        + "".join(f" {escape(str(note))}" for note in track.notes)
        + "".join(f"<br><i>{escape(str(caution))}</i>" for caution in track.cautions)
        + "</td></tr>"
    )


_STYLE = """
:root{color-scheme:light dark}
body{font:11pt/1.4 system-ui,sans-serif;margin:1.2rem auto;padding:0
1rem;max-width:60rem;color:#111;background:#fff}
h1{font-size:1.5em;margin:0 0
.3em}h2{font-size:1.1em;margin:1em 0 .3em}ul{margin:.2em 0;padding-left:1.2em} section{border:2px solid
currentColor;padding:.2rem 1rem .6rem;break-inside:avoid}
table{border-collapse:collapse;width:100%;margin-top:1em}
th,td{text-align:left;vertical-align:top;padding:.3em .6em .3em 0;border-bottom:1px solid #999}
tbody th{font-family:ui-monospace,monospace;font-weight:600;white-space:nowrap}
td:nth-child(2),td:nth-child(3){white-space:nowrap}thead{display:table-header-group}tr{break-inside:avoid}
@media(max-width:40rem){thead{display:none}tr{display:block;padding:.5em 0;border-bottom:1px solid #999}
td,tbody th{display:inline;border:0;padding:0 .6em 0 0}
td:nth-child(2),td:nth-child(3),tbody th{white-space:normal;overflow-wrap:anywhere}
td:last-child{display:block}}
@media screen and (prefers-color-scheme:dark){body{color:#f1efe8;background:#16181d}
th,td,tr{border-color:#5c6068}}
@page{margin:15mm}
"""
