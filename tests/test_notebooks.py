"""Every notebook runs from its first cell to its last, and shows what it promises to.

The runs are left out of a plain `pytest`: `-m notebook` asks for them, as `.ci/run` does against the installed wheel.
"""

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.py"))
NEEDS = "needs jupytext, nbclient and ipykernel: install the extra `test`"


def test_there_are_notebooks() -> None:
    assert {"designer", "researcher"} <= {path.stem for path in NOTEBOOKS}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_text_without_outputs(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert "format_name: percent" in text
    assert "assert " in text, "a notebook checks at least one physical number"


@pytest.mark.slow
@pytest.mark.notebook
@pytest.mark.filterwarnings("default")  # what the notebook's machinery warns of is not ours; our cells' go to stderr
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs(path: Path, tmp_path: Path) -> None:
    jupytext = pytest.importorskip("jupytext", reason=NEEDS)
    nbclient = pytest.importorskip("nbclient", reason=NEEDS)
    pytest.importorskip("ipykernel", reason=NEEDS)
    notebook = jupytext.read(path)
    client = nbclient.NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute(env={**os.environ, "PYTHONPATH": os.environ.get("ROOMMODES_PACKAGES", str(ROOT))})
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    assert any("image/png" in output.get("data", {}) for output in outputs), "no picture was shown"
    complaints = [output.text for output in outputs if output.get("name") == "stderr"]
    assert not complaints
    assert not any(tmp_path.iterdir()), "a notebook leaves no files behind"
