"""Problems and assessments that the report's tests share."""

from __future__ import annotations

import pytest

from partitioner.model.assessment import Assessment
from partitioner.model.problem import Problem
from partitioner.pages.line_sheets import sheets
from partitioner.report.drawing import layout_figures
from partitioner.report.drawing_input import drawing_input
from partitioner.report.files import report_files
from partitioner.report.sections import Figure
from partitioner.report.told import Told
from tests.report.fixtures import (
    assessment_of,
    greedy_layout,
    made_up_rounds,
    many_text,
    outcome_of,
    problem_from,
    twelve_text,
)

Case = tuple[Problem, Assessment]


@pytest.fixture(scope="session")
def twelve(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A row of twelve devices at two switches."""
    problem = problem_from(twelve_text(), tmp_path_factory.mktemp("twelve"))
    return problem, assessment_of(problem, greedy_layout(problem))


@pytest.fixture(scope="session")
def many(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A long frame with 180 devices at six switches, engineered limits, two levels."""
    problem = problem_from(many_text(), tmp_path_factory.mktemp("many"))
    return problem, assessment_of(problem, greedy_layout(problem))


@pytest.fixture(scope="session")
def twelve_page(twelve: Case) -> str:
    """The page of the row."""
    return page_of(twelve)


@pytest.fixture(scope="session")
def many_page(many: Case) -> str:
    """The page of the long frame; it takes some seconds to make."""
    return page_of(many)


def page_of(case: Case) -> str:
    problem, assessment = case
    data = drawing_input(problem, assessment)
    own = sheets(problem, assessment, data, made_up_rounds(assessment), {})
    return report_files(Told(problem, assessment, outcome_of(assessment), own))["report.html"]


@pytest.fixture(scope="session")
def many_figures(many: Case) -> tuple[Figure, ...]:
    """The drawings of the long frame; they take a second or two to make."""
    return layout_figures(drawing_input(*many))
