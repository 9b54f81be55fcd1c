"""The notebooks run from top to bottom in a fresh kernel, assert their key number, and are stored without results."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
# In a process of its own: the kernel's libraries warn of things that are not this project's.
RUN = """
import sys
import nbformat
from nbclient import NotebookClient
book = nbformat.read(sys.argv[1], as_version=4)
NotebookClient(book, timeout=400, kernel_name="python3", resources={"metadata": {"path": sys.argv[2]}}).execute()
nbformat.write(book, sys.argv[3])
"""


def test_there_are_three():
    assert [path.stem for path in NOTEBOOKS] == ["a-study", "accuracy", "measure-a-page"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_is_stored_without_results_and_asserts_a_number(path):
    book = json.loads(path.read_text("utf-8"))
    cells = [c for c in book["cells"] if c["cell_type"] == "code"]
    assert not [c for c in cells if c["outputs"] or c["execution_count"] is not None]
    assert "assert " in "".join(cells[-1]["source"])


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_runs(path, tmp_path):
    pytest.importorskip("nbclient")
    pytest.importorskip("ipykernel")
    environment = os.environ | {
        "PYTHONPATH": str(ROOT),
        "MPLCONFIGDIR": str(tmp_path),
        "IPYTHONDIR": str(tmp_path),
        "OPENBLAS_NUM_THREADS": "1",
    }
    environment.pop("MPLBACKEND", None)
    done = subprocess.run(
        [sys.executable, "-c", RUN, path, path.parent, tmp_path / path.name],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=500,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    book = json.loads((tmp_path / path.name).read_text("utf-8"))
    said = [o for c in book["cells"] if c["cell_type"] == "code" for o in c["outputs"]]
    assert [o for o in said if "image/png" in o.get("data", {})], "a notebook shows something"
