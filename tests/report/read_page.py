"""Reading a page back: its elements, headings and words."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from partitioner.report.sections import State

VOID = {"meta", "br", "hr", "img", "input", "link"}


class Page(HTMLParser):
    """What the tests ask of a page, gathered in one pass; open tags must close in order.

    Cells and rows of tables alone may be closed by what follows, as HTML has it.
    """

    def __init__(self, html: str):
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.stack: list[str] = []
        self.headings: list[int] = []
        self.svg_children: list[list[str]] = []
        self.text: list[str] = []
        self.feed(html)
        self.close()
        assert self.stack == []

    def _end_implied(self, *tags):
        while self.stack and self.stack[-1] in tags:
            self.stack.pop()

    def handle_starttag(self, tag, attrs):
        if tag in ("td", "th", "tr"):
            self._end_implied("td", "th", *(["tr"] if tag == "tr" else []))
        self.tags.append((tag, dict(attrs)))
        if self.stack and self.stack[-1] == "svg":
            self.svg_children[-1].append(tag)
        if tag == "svg":
            self.svg_children.append([])
        if tag == "td" and (state := dict(attrs).get("class")) in set(State):
            self.text.append(State(state).glyph)  # the style sheet sets it before the words
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if self.stack and self.stack[-1] == "svg":
            self.svg_children[-1].append(tag)

    def handle_endtag(self, tag):
        if tag == "tbody":
            self._end_implied("td", "th", "tr")
        assert self.stack, f"</{tag}> closes nothing"
        assert self.stack.pop() == tag

    def handle_data(self, data):
        if self.stack and not {"style", "script", "template"} & set(self.stack):
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).replace("\u00a0", " ").split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [a for t, a in self.tags if t == tag]
