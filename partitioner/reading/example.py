"""The commented example that a new project starts from."""

from __future__ import annotations

from importlib import resources


def example_text() -> str:
    """Text of a commented problem file that can be planned as it is."""
    return resources.files("partitioner.reading").joinpath("example.yaml").read_text("utf-8")
