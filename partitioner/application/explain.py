"""``explain``: why there is no layout, what a rule costs, why a device is where it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from partitioner.application.nearest import told_ending
from partitioner.application.search import Search
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    from partitioner.explain.explanation import Explained
    from partitioner.explain.placement import Locate
    from partitioner.report.sections import Page

EXPLANATION = "explain.json"
PRICES = "explanation.txt"
"""What is known while the search goes on."""
EXPLAINED_LAYOUT = "explained-layout.yaml"
"""Not ``layout.yaml``: a folder with that one is taken for the report of a plan."""


@dataclass(frozen=True, slots=True)
class ExplainAnswer:
    """An explanation.

    ``locate`` tells where in the files a rule stands; see
    :func:`partitioner.explain.placement.locator`.
    """

    problem: Problem
    explained: Explained
    locate: Locate

    @property
    def start_unusable(self) -> tuple[str, ...]:
        """What of the layout to start from could not be used: a sentence each."""
        return () if self.outcome is None else self.outcome.start_unusable

    @property
    def outcome(self) -> Outcome | None:
        """How the plan that is explained ended; None where there is no layout."""
        from partitioner.explain.explanation import NoLayoutExplained

        return None if isinstance(self.explained, NoLayoutExplained) else self.explained.outcome

    def text(self) -> str:
        """The explanation for a terminal."""
        from partitioner.pages.explanation import explained_text

        return explained_text(self.problem, self.explained, self.locate)

    def data(self) -> dict[str, Any]:
        """The same as plain data."""
        from partitioner.pages.explanation import explained_data

        return explained_data(self.problem, self.explained, self.locate)

    def page(self, made_on: date | None = None) -> Page:
        """The explanation as a page; ``made_on`` is the day in its title block."""
        from partitioner.pages.explanation import explained_page

        return explained_page(self.problem, self.explained, self.locate, made_on)

    def files(self, *, made_on: date | None = None) -> dict[str, str]:
        """A page with the files of its tables, the data, and the layouts told of, by name."""
        from partitioner.pages.explanation import found_layouts
        from partitioner.reading.layout_file import layout_text
        from partitioner.report.page import page_files
        from partitioner.visible import json_file

        files = page_files(self.page(made_on))
        files[EXPLANATION] = json_file(self.data())
        if self.outcome is not None:
            files[EXPLAINED_LAYOUT] = layout_text(self.outcome.layout, self.problem)
        for name, layout in found_layouts(self.explained).items():
            files[name] = layout_text(layout, self.problem)
        return files


def explain(
    problem: Problem,
    search: Search | None = None,
    *,
    device: str | None = None,
    start: Layout | None = None,
    on_prices: Callable[[ExplainAnswer], None] = lambda so_far: None,
) -> ExplainAnswer:
    """Explain a problem: its conflict, or the price of its rules, or the place of one device.

    As :func:`partitioner.interface.functions.explain_problem`, errors too, but that of an unknown
    device is a KeyError. ``search`` says how long and how to search, for all plans together.
    ``on_prices`` is told what is known of prices after each plan, to be kept.
    """
    from partitioner.explain.explanation import explain as explained_by
    from partitioner.explain.placement import nowhere
    from partitioner.report.amounts import money_text
    from partitioner.report.text import plain

    search = (search or Search()).begun()
    place = search.locate or nowhere
    told = [""]

    def step(text: str) -> None:
        told[0] = text
        search.on_step(text)

    def state(cost_money: int | None) -> str:
        if cost_money is None:
            return told[0]
        return f"{told[0]}; best {plain(money_text(cost_money, problem.currency))}"

    budget = search.budget(problem, state)
    with told_ending(problem, search):
        explained = explained_by(
            problem, budget, device, step, start,
            lambda so_far: on_prices(ExplainAnswer(problem, so_far, place)),
        )  # fmt: skip
    return ExplainAnswer(problem, explained, place)
