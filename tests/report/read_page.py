"""Reading a page back: its elements, headings and words."""

from __future__ import annotations

import re
from html.parser import HTMLParser

VOID = {"meta", "br", "hr", "img", "input", "link"}


class Page(HTMLParser):
    """What the tests ask of a page, gathered in one pass; open tags must close in order."""

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

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if self.stack and self.stack[-1] == "svg":
            self.svg_children[-1].append(tag)
        if tag == "svg":
            self.svg_children.append([])
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if self.stack and self.stack[-1] == "svg":
            self.svg_children[-1].append(tag)

    def handle_endtag(self, tag):
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
