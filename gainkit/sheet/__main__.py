"""Writes schema.json anew from the dataclasses: `python -m gainkit.sheet`, after a field was added."""

from __future__ import annotations

import json
from pathlib import Path

from gainkit.files import write_whole
from gainkit.schemas import schema_of
from gainkit.sheet.page import SheetMade


def main() -> None:
    """Write it beside this file."""
    text = json.dumps(schema_of(SheetMade, "the as-left page as JSON"), indent=1) + "\n"
    write_whole(Path(__file__).parent / "schema.json", text, overwrite=True)


if __name__ == "__main__":
    main()
