"""Every notebook runs from top to bottom, and is stored without output."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import nbformat
import pytest
from jupyter_client.manager import KernelManager
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))
LONG = {"6_a_full_setting"}
"""Runs the whole demo once more."""


def test_there_are_six() -> None:
    assert len(NOTEBOOKS) == 6


@pytest.fixture(scope="module")
def kernel() -> Iterator[KernelManager]:
    """One kernel for all notebooks: to start one takes longer than most of them."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setenv("JUPYTER_PLATFORM_DIRS", "1")
        manager = KernelManager(kernel_name="python3")
        manager.start_kernel()
        yield manager
        manager.shutdown_kernel(now=True)


@pytest.mark.filterwarnings("ignore")  # the kernel's own machinery, not ours
@pytest.mark.parametrize(
    "path",
    [pytest.param(path, marks=pytest.mark.long if path.stem in LONG else ()) for path in NOTEBOOKS],
    ids=lambda path: path.stem,
)
def test_runs_and_is_stored_bare(path: Path, kernel: KernelManager) -> None:
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    text = "\n".join(cell.source for cell in notebook.cells)
    assert "Question" in text
    assert "Answer" in text
    notebook.cells.insert(0, nbformat.v4.new_code_cell("%reset -f"))  # nothing is left of the one before
    patient = {"timeout": None, "startup_timeout": 600, "iopub_timeout": 600}
    NotebookClient(notebook, km=kernel, **patient).execute()
    assert any(cell.outputs for cell in code)
