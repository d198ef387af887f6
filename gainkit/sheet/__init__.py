"""The as-left page of a job: one self-contained HTML file."""

from __future__ import annotations

from gainkit.sheet.page import SheetMade, write_sheet

__all__ = ["SheetMade", "write_sheet"]
