"""Parts of a page as a notebook shows them: in its own styles, each drawing a picture by itself."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import replace
from xml.etree import ElementTree as ET

from partitioner.report.page import environment
from partitioner.report.sections import Figure, Page, Section
from partitioner.report.svg import standalone


def section_fragment(section: Section) -> str:
    """A section with its parts as HTML to be set into a page of others."""
    return _render(section=_alone(section))


def verdict_fragment(page: Page, figure: Figure | None) -> str:
    """The verdict of a page, with one figure, as HTML to be set into a page of others."""
    return _render(page=page, figure=None if figure is None else _pictured(figure, figure.alone))


def _alone(section: Section) -> Section:
    """The same without links to the files of its tables, which are not beside a notebook."""
    return replace(
        section,
        tables=[replace(table, has_csv=False) for table in section.tables],
        figures=[_pictured(figure, figure.svg) for figure in section.figures],
        parts=[_alone(part) for part in section.parts],
    )


def _render(
    page: Page | None = None, section: Section | None = None, figure: Figure | None = None
) -> str:
    template = environment().get_template("notebook.html")
    return template.render(page=page, section=section, figure=figure)


def _pictured(figure: Figure, svg: str) -> Figure:
    """The same with its drawing as an image, whose styles reach nothing outside it."""
    data = b64encode(standalone(svg).encode()).decode("ascii")
    image = ET.Element("img", {"alt": figure.caption, "src": f"data:image/svg+xml;base64,{data}"})
    return replace(figure, svg=ET.tostring(image, encoding="unicode", method="html"))
