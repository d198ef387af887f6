"""`gainkit demo`: the whole job on an invented car."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, remark, tell


def register(app: typer.Typer) -> None:
    """Add `demo` to the tree."""
    app.command("demo")(demo)


def demo(
    folder: Annotated[Path, typer.Argument(help="Folder to work in.", metavar="[DIR]")] = Path("gainkit-demo"),
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Run the whole job on an invented car, with a simulated amplifier, and say how near it came."""
    from gainkit.cli.door import CLI
    from gainkit.demo import run_demo
    from gainkit.results import to_json

    result = run_demo(folder, remark if json_ else tell, overwrite=overwrite, door=CLI)
    if json_:
        print(to_json(result))
    else:
        print(
            "\nThe car, the shop and every figure are invented. On a real car the makers' instructions,\n"
            "local codes and licensed practice come first."
        )
