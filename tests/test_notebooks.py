"""Every notebook runs from top to bottom, and is stored without output."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))


def test_there_are_six() -> None:
    assert len(NOTEBOOKS) == 6


@pytest.mark.filterwarnings("ignore")  # the kernel's own machinery, not ours
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_and_is_stored_bare(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    text = "\n".join(cell.source for cell in notebook.cells)
    assert "Question" in text
    assert "Answer" in text
    monkeypatch.setenv("JUPYTER_PLATFORM_DIRS", "1")
    NotebookClient(notebook, timeout=60, kernel_name="python3").execute()
    assert any(cell.outputs for cell in code)
