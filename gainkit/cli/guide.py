"""`gainkit guide`: the manual, a step of the job each, in the terminal or as one page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show

PAGES = Path(__file__).parent.parent / "guide"


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("guide")(guide)


def guide(
    step: Annotated[
        str | None, typer.Argument(metavar="[STEP]", help="Page to show; its list if left out.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write the whole manual as one page, .html.")
    ] = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Show the manual, a step of the job each."""
    from gainkit.errors import GainkitError

    pages = steps()
    if out is not None:
        from gainkit.files import write_whole

        if step is not None:
            raise GainkitError("not_both", "out", str(out), other="step")
        if out.suffix.lower() not in (".html", ".htm"):
            raise GainkitError("wrong_suffix", "out", str(out), [".html"])
        write_whole(out, as_html(pages), overwrite=overwrite)
        show({"file": out, "pages": list(pages)}, json_, lambda: f"Wrote {out}: {len(pages)} pages in one.")
    elif step is None:
        listed = [{"step": name, "title": title_of(page)} for name, page in pages.items()]
        show({"pages": listed}, json_, lambda: contents(pages))
    elif (page := pages.get(step.lower())) is not None:
        if json_:
            show({"step": step.lower(), "title": title_of(page), "markdown": page}, json_, str)
        else:
            show_page(page)  # by rich itself: its colours are no text of others
    else:
        raise GainkitError("no_such_page", "step", step, list(pages))


def steps() -> dict[str, str]:
    """The pages' Markdown by their names, in the order of the job."""
    files = sorted(PAGES.glob("[0-9][0-9]_*.md"))
    return {file.stem[3:]: file.read_text(encoding="utf-8") for file in files}


def title_of(page: str) -> str:
    """Its first heading."""
    return page.split("\n", 1)[0].removeprefix("# ").strip()


def contents(pages: dict[str, str]) -> str:
    """The list of pages."""
    longest = max(map(len, pages))
    lines = [f"  {name:<{longest}}  {title_of(page)}" for name, page in pages.items()]
    return "\n".join(
        ["Pages of the manual:", *lines, "", "'gainkit guide plan' shows one; '--out manual.html' writes all."]
    )


def show_page(page: str) -> None:
    """One page in the terminal's width; rich honours NO_COLOR."""
    from rich.console import Console
    from rich.markdown import Markdown

    from gainkit.cli.plain import width

    Console(width=width(), highlight=False).print(Markdown(page, hyperlinks=False))


STYLE = """
:root { color-scheme: light dark }
body { font: 11pt/1.5 system-ui, sans-serif; max-width: 52rem; margin: 1rem auto; padding: 0 1rem }
pre, code { font-family: ui-monospace, monospace; font-size: .9em }
pre { overflow-x: auto; border: 1px solid; padding: .6em; border-radius: 4px }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; vertical-align: top; padding: .3em .6em .3em 0; border-bottom: 1px solid }
h1 { border-bottom: 2px solid; margin-top: 2em; break-before: page }
nav { columns: 2 } @page { margin: 14mm }
"""


def as_html(pages: dict[str, str]) -> str:
    """All pages as one, with a list of them; nothing in it is fetched from outside."""
    from html import escape

    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    links = "".join(f'<li><a href="#{name}">{escape(title_of(page))}</a>' for name, page in pages.items())
    bodies = "".join(f'<section id="{name}">{reader.render(page)}</section>' for name, page in pages.items())
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'\">"
        f'<link rel="icon" href="data:,"><title>gainkit: the manual</title><style>{STYLE}</style>'
        f"<p>The makers' instructions, local codes and licensed practice come before anything in here."
        f"<nav><ol>{links}</ol></nav>{bodies}</html>\n"
    )
