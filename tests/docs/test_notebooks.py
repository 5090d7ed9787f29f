"""The example notebooks run from top to bottom, end with a check that can fail, and carry no outputs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

from docs.tools.snippets import fresh_folder

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "docs" / "notebooks").glob("*.ipynb"))
SECONDS = 120.0
"""For one cell: a hundred times what the slowest takes, so that only one that hangs runs into it."""


@pytest.fixture(autouse=True, scope="module")
def drawing(tmp_path_factory) -> Iterator[None]:
    """One folder for what matplotlib looks up about fonts, which takes it seconds in every fresh home."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MPLCONFIGDIR", str(tmp_path_factory.mktemp("matplotlib")))
        yield


def run(book: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Run a notebook in a kernel of its own, in a fresh folder, drawing into memory."""
    with fresh_folder() as folder:
        NotebookClient(book, timeout=SECONDS, kernel_name="python3", resources={"metadata": {"path": folder}}).execute()
    return book


def read(path: Path) -> nbformat.NotebookNode:
    return nbformat.read(path, as_version=4)


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def notebook(request) -> Path:
    return request.param


def test_there_are_three_and_the_first_page_links_to_each():
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    assert len(NOTEBOOKS) == 3
    for path in NOTEBOOKS:
        assert f"(notebooks/{path.name})" in index


def test_a_notebook_runs_and_draws_and_its_check_holds(notebook):
    outputs = [output for cell in run(read(notebook)).cells for output in cell.get("outputs", [])]
    assert any("image/png" in output.get("data", {}) for output in outputs)
    assert not [output for output in outputs if output.output_type == "stream" and output.name == "stderr"]


def test_a_notebook_is_kept_without_outputs(notebook):
    for cell in read(notebook).cells:
        if cell.cell_type == "code":
            assert not cell.outputs
            assert cell.execution_count is None


def test_a_notebook_ends_with_a_check(notebook):
    last = read(notebook).cells[-1]
    assert last.cell_type == "code"
    assert "assert " in last.source


def test_the_check_of_a_notebook_can_fail():
    book = read(ROOT / "docs" / "notebooks" / "model_a_rig.ipynb")
    right = '"cable.length", "10 m"'
    (cell,) = (cell for cell in book.cells if right in cell.source)
    cell.source = cell.source.replace(right, '"cable.length", "15 m"')
    with pytest.raises(CellExecutionError, match="the square root says"):
        run(book)


def test_six_tasks_take_ten_lines_each_and_show_what_they_found():
    """Run in one kernel, one after the other with nothing left over, for a kernel takes longer than they do."""
    paths = sorted((ROOT / "docs" / "notebooks" / "ten_lines").glob("*.ipynb"))
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    together, ends = nbformat.v4.new_notebook(), []
    for path in paths:
        cells = [cell for cell in read(path).cells if cell.cell_type == "code"]
        assert sum(bool(line.strip()) for cell in cells for line in cell.source.splitlines()) <= 10, path
        assert not any(cell.outputs for cell in cells)
        assert f"(notebooks/ten_lines/{path.name})" in index
        together.cells += [nbformat.v4.new_code_cell("%reset -f"), *cells]
        ends.append(len(together.cells))
    assert len(paths) == 6
    run(together)
    for path, start, end in zip(paths, [0, *ends], ends):
        outputs = [output for cell in together.cells[start:end] for output in cell.get("outputs", [])]
        shown = [output.get("data", {}) for output in outputs]
        assert any("image/png" in data or "<svg" in data.get("text/html", "") for data in shown), path
        assert not [output for output in outputs if output.output_type == "stream" and output.name == "stderr"], path
