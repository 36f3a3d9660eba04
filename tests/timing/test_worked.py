"""A bound taken apart adds up to the bound, term by term as by hand."""

from __future__ import annotations

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from partitioner.timing.layout_timing import analyse, settled_line
from partitioner.timing.line import LineNode, linear_bound
from partitioner.timing.response import busy_window_bound, response_bound
from partitioner.timing.worked import worked_leg
from tests.timing.one_line import line_traffic
from tests.timing.random_traffic import random_segment
from tests.timing.test_response import BARE, BEACON, SILENT, SLOT, flow

FORMULA = re.compile(r"([0-9]+) × \((.*) BT\)(.*)")
PART = re.compile(r", (and|less) [^0-9]*([0-9.]+) BT")


def test_terms_by_hand() -> None:
    """As in test_response: missed turn, one round with three others sending, own frame."""
    nodes = tuple(LineNode(f"n{i}", (flow(f"f{i}"),)) for i in range(4))
    terms = worked_leg(nodes, 6, BARE, ("n0", "f0"))
    assert terms is not None
    assert [(t.name, t.ns) for t in terms] == [
        ("own turn just let pass", SILENT),
        ("rounds until its turn: 1", BEACON + 5 * SILENT),
        ("1 of n1, at most one a round", SLOT - SILENT),
        ("1 of n2, at most one a round", SLOT - SILENT),
        ("1 of n3, at most one a round", SLOT - SILENT),
        ("gap before the frame", 9_600),
        ("the frame, 64 bytes", 6_400 + 51_200 + 800),
        ("sending and receiving PHY", 0),
        ("propagation", 0),
    ]


def test_own_frames_before_it_by_hand() -> None:
    nodes = (LineNode("a", tuple(flow(n) for n in "fgh")), LineNode("b", (flow("i"),)))
    terms = worked_leg(nodes, 2, BARE, ("a", "h"))
    assert terms is not None
    by_name = {t.name: t.ns for t in terms}
    assert by_name["rounds until its turn: 3"] == 3 * (BEACON + SILENT)
    assert by_name["frames of a before it"] == 2 * SLOT
    assert by_name["1 of b, at most one a round"] == SLOT - SILENT


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_terms_add_up_to_the_bound(seed: int) -> None:
    nodes, node_count, line = random_segment(seed)
    whole = response_bound(nodes, node_count, line).legs
    linear = linear_bound(nodes, node_count, line).legs
    own = busy_window_bound(nodes, node_count, line, linear)
    for key, leg in whole.items():
        terms = worked_leg(nodes, node_count, line, key)
        if terms is None:
            assert key not in own or linear[key].total_ns < own[key].total_ns
            continue
        assert sum(t.ns for t in terms) == leg.total_ns, (seed, key)
        assert all(t.name and t.formula and t.source for t in terms)


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_the_formula_of_a_collision_gives_its_term(seed: int) -> None:
    """Who works it out by hand from the words comes to the figure beside them."""
    nodes, node_count, line = random_segment(seed)
    for node in nodes:
        for sent in node.flows:
            terms = worked_leg(nodes, node_count, line, (node.id, sent.id)) or ()
            for term in (t for t in terms if "collision" in t.name):
                rounds, each, beside = FORMULA.fullmatch(term.formula).groups()  # type: ignore[union-attr]
                bits = int(rounds) * sum(float(part.split()[0]) for part in each.split(" + "))
                for sign, part in PART.findall(beside):
                    bits += float(part) if sign == "and" else -float(part)
                assert round(bits * line.bit_ns) == term.ns, (seed, term)


@given(st.integers(0, 10_000))
@settings(max_examples=8, deadline=None)
def test_a_settled_line_is_what_the_analysis_of_the_layout_ends_with(seed: int) -> None:
    traffic = line_traffic(*random_segment(seed))
    bounds = analyse(traffic)
    legs = response_bound(*settled_line(traffic, "line")).legs
    for (stream, _), bound in bounds.bounds.items():
        if bound.response_ns is not None:
            node = next(n for n, f in legs if f == stream)
            assert legs[node, stream].total_ns == bound.response_ns
