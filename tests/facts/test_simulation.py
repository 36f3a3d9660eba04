"""The simulation of a layout beside its bounds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.check import simulate
from partitioner.errors import InternalFault
from partitioner.facts import simulation as study
from partitioner.pages import simulation as page

ROOT = Path(__file__).parent.parent.parent


def test_every_stream_is_seen_below_its_bound(judged) -> None:
    seen = simulate(judged.facts, 1.0)
    wanted = {(s.id, d) for s in judged.problem.streams.values() for d in s.destinations}
    assert {(o.stream, o.destination) for o in seen.observed} == wanted
    for o in seen.observed:
        assert o.frames > 0
        assert o.frames == sum(o.histogram)
        assert 0 < o.worst_ns <= o.bound_ns
    # Random moments alone come no nearer than this; much nearer would be a miracle.
    assert 0.3 < max(o.longest_ns / o.bound_ns for o in seen.observed) <= 1


def test_same_seed_same_delays(judged) -> None:
    first, again, other = (
        study.simulate_layout(judged.facts, 200_000_000, seed)
        for seed in (3, 3, 4)
    )
    assert first == again
    assert first != other


def test_a_bound_that_is_too_low_is_our_fault(judged, monkeypatch) -> None:
    real = study.simulate_layout

    def with_low_bounds(*given):
        seen = real(*given)
        low = tuple(replace(o, bound_ns=(o.worst_ns or 1) - 1) for o in seen.observed[:1])
        return replace(seen, observed=low + seen.observed[1:])

    monkeypatch.setattr(study, "simulate_layout", with_low_bounds)
    with pytest.raises(InternalFault, match="above the worst case") as fault:
        simulate(judged.facts, 0.2)
    assert len(fault.value.details) == 1


def test_text_and_section_tell_the_nearest_first(judged) -> None:
    seen = study.simulate_layout(judged.facts, 200_000_000)
    nearest = seen.nearest_first()[0]
    lines = page.simulation_text(seen, most=3).splitlines()
    assert lines[0].endswith("no delay above its worst case.")
    # Names may go on in the next line, which holds nothing else.
    rows = [line.split() for line in lines if line and not line[0].isspace()]
    first = [words[0] for words in rows if len(words) > 1]
    told = [o.stream for o in seen.nearest_first()[:3]]
    assert all(t.startswith(f) for f, t in zip(first[-3:], told, strict=True))
    section = page.simulation_section(seen)
    assert section.tables[0].rows[0][0] == nearest.stream
    assert len(section.tables[0].rows) == len(seen.observed)
    assert len(section.figures) == study.DRAWN_STREAMS
    assert "No delay was above its worst case." in section.paragraphs[0]
