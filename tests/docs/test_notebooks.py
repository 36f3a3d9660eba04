"""The notebooks of the documentation run, and show what they are shown with."""

from __future__ import annotations

import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parent.parent.parent
NOTEBOOKS = ROOT / "docs" / "notebooks"


def words_shown(notebook: nbformat.NotebookNode) -> list[list[str]]:
    """What each cell shows as text; a picture has none that means anything."""
    return [
        [
            output["text"] if output.output_type == "stream" else output.data["text/plain"]
            for output in cell.get("outputs", ())
            if "image/png" not in output.get("data", {})
        ]
        for cell in notebook.cells
    ]


@pytest.mark.parametrize("name", ["first-plan", "line-length"])
def test_notebook_shows_what_it_is_shown_with(name: str, tmp_path: Path, monkeypatch) -> None:
    path = NOTEBOOKS / f"{name}.ipynb"
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(paths))
    notebook = nbformat.read(path, as_version=4)
    stored = words_shown(notebook)
    resources = {"metadata": {"path": str(tmp_path)}}
    NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources=resources, record_timing=False
    ).execute()
    if os.environ.get("PARTITIONER_ACCEPT"):
        nbformat.write(notebook, path)
        stored = words_shown(nbformat.read(path, as_version=4))
    assert words_shown(notebook) == stored, "stale: run with PARTITIONER_ACCEPT=1"
    kinds = {kind for cell in notebook.cells for o in cell.get("outputs", ())
             for kind in o.get("data", ())}  # fmt: skip
    assert "image/svg+xml" in kinds
    assert list(tmp_path.iterdir()) == []
