"""Source files of the project as syntax trees, for the tests that read them."""

from __future__ import annotations

import ast
import gc
from pathlib import Path


def syntax_tree(path: Path) -> ast.Module:
    """The syntax tree of the Python file at ``path``.

    Garbage collection waits meanwhile: CPython 3.11 counts the depth of all trees in the making in
    one place, and a finaliser that is told of on the way (``traceback`` parses too) makes the count
    wrong, which is raised as a SystemError about a depth mismatch.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        return ast.parse(path.read_text(encoding="utf-8"))
    finally:
        if collecting:
            gc.enable()
