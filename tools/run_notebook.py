"""Run the notebook in docs/ in an empty folder, and write into it what its cells really showed.

A test keeps the texts in it equal to what this gives.

    python tools/run_notebook.py
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parent.parent
NOTEBOOK = ROOT / "docs" / "notebook.ipynb"


def executed(path: Path = NOTEBOOK) -> Any:
    """The notebook with every cell's output as it is now, without what differs from run to run."""
    notebook = nbformat.read(path, as_version=4)
    os.environ["PYDEVD_DISABLE_FILE_VALIDATION"] = "1"  # a warning of the kernel's debugger
    with tempfile.TemporaryDirectory() as folder:
        NotebookClient(
            notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": folder}}
        ).execute()
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)
    notebook.metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    return notebook


def texts(notebook: Any) -> list[str]:
    """What the cells show as plain text, in order; pictures are left to the eye."""
    shown = []
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            shown.append(output.get("text") or output.get("data", {}).get("text/plain", ""))
    return shown


if __name__ == "__main__":
    nbformat.write(executed(), NOTEBOOK)
    print(f"{NOTEBOOK} was run.")
