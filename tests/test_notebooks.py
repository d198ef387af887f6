"""Every notebook runs from top to bottom, and is stored without output."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator
from pathlib import Path

import nbformat
import pytest
import soundfile
from jupyter_client.manager import KernelManager
from nbclient import NotebookClient

pytestmark = pytest.mark.long

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))
QUICK = {"1_gain_is_not_volume", "4_reading_a_capture"}
"""Notebooks of every run; the others take longer."""

ALLOWED = {"gainkit", "numpy"}
"""What a notebook imports: all of it is to be had in a browser as well."""


def test_there_are_seven() -> None:
    assert len(NOTEBOOKS) == 7


def loudest(output: nbformat.NotebookNode) -> float:
    """The highest sample of a sound in a notebook's output, in parts of full scale."""
    held = re.search(r"data:audio/wav;base64,([^\"]+)", output["data"]["text/html"])
    assert held is not None
    samples, _ = soundfile.read(io.BytesIO(base64.b64decode(held[1])))
    return float(abs(samples).max())


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
    [pytest.param(path, marks=() if path.stem in QUICK else pytest.mark.long) for path in NOTEBOOKS],
    ids=lambda path: path.stem,
)
def test_runs_and_is_stored_bare(path: Path, kernel: KernelManager) -> None:
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    text = "\n".join(cell.source for cell in notebook.cells)
    assert "Question" in text
    assert "<details><summary><b>Answer</b>" in text
    assert "slider(" in text
    assert "hear(" in text
    assert set(re.findall(r"^ *(?:from|import) (\w+)", text, re.M)) <= ALLOWED
    notebook.cells.insert(0, nbformat.v4.new_code_cell("%reset -f"))  # nothing is left of the one before
    patient = {"timeout": None, "startup_timeout": 600, "iopub_timeout": 600}
    NotebookClient(notebook, km=kernel, **patient).execute()
    outputs = [output for cell in code for output in cell.outputs]
    assert any("image/png" in output.get("data", {}) for output in outputs)
    assert all(output.output_type != "execute_result" for output in outputs), "an object is dumped"
    sounds = [loudest(each) for each in outputs if "audio" in each.get("data", {}).get("text/html", "")]
    assert sounds
    assert max(sounds) < 0.11
