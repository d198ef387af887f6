"""Commands of this room."""

from __future__ import annotations

import typer


def register(app: typer.Typer) -> None:
    """Add this module's commands to the tree."""
