"""Forwarding tables carry every frame to its destinations and nowhere else."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

import pytest

from partitioner.check.facts import Facts, gather_facts
from partitioner.facts.switching import Switching, load_ppm, switching_of
from tests.brute.oracle import Oracle
from tests.brute.random_problems import random_problem
from tests.brute.test_brute import KINDS
from tests.check.ground import facts_of, ground_problem


def drawn(kind: str, seed: int) -> Iterator[Facts]:
    problem = random_problem(seed, 5, **KINDS[kind])
    for layout in itertools.islice(Oracle(problem).drawn(random.Random(seed), 9), 4):
        yield gather_facts(problem, layout)


def reached(facts: Facts, found: Switching, stream: str) -> list[str]:
    """Segments and switches that a frame of a stream comes to, by the tables alone."""
    sent = found.carried[stream]
    address = found.address_of.get(stream) or found.address_of[sent.destinations[0]]
    ports = {(a.node, a.port): a for a in found.attachments if a.port}
    entries = {(e.switch, e.address): e.ports for e in found.entries}
    homes = {d: s.segment for s in facts.laid for d in s.segment.devices}
    if sent.source in homes:
        home = homes[sent.source]
        places, waiting = [home.id], [(home.switch, home.port)]
    else:
        places, waiting = [], [(sent.source, 0)]
    while waiting:
        switch, came_in = waiting.pop()
        assert (switch, address) in entries, "the switch would flood"
        places.append(switch)
        for port in entries[switch, address]:
            if port == came_in:
                continue
            to = ports[switch, port]
            if to.is_backbone:
                back = next(a.port for a in ports.values() if (a.node, a.leads_to) == (
                    to.leads_to, switch))
                waiting.append((to.leads_to, back))
            else:
                places.append(to.leads_to)
        assert len(places) < 100, "a frame goes round for ever"
    return places


@pytest.mark.parametrize("kind", ["plain", "all", "ring"])
@pytest.mark.parametrize("seed", range(2))
def test_frames_reach_their_destinations_each_once_and_no_other_segment(kind, seed) -> None:
    looked_at = 0
    for facts in drawn(kind, seed):
        found = switching_of(facts)
        homes = {d: s.segment.id for s in facts.laid for d in s.segment.devices}
        # A layout that is drawn may leave some destinations without a way.
        joined: dict[str, set[str]] = {}
        for way in facts.ways:
            joined.setdefault(way.stream, set()).add(way.destination)
        for id_, destinations in joined.items():
            stream = facts.problem.streams[id_]
            looked_at += 1
            places = reached(facts, found, stream.id)
            assert len(places) == len(set(places))
            wanted = {homes.get(d, d) for d in destinations}
            assert wanted <= set(places)
            segments = {p for p in places if p not in facts.problem.switches}
            assert segments <= wanted | {homes.get(stream.source)}
    assert looked_at


def test_what_one_end_sends_the_other_hears() -> None:
    problem = ground_problem()
    found = switching_of(facts_of(problem))
    at = {(a.node, a.leads_to): a for a in found.attachments}
    assert at["front", "rear"].sends == at["rear", "front"].hears
    assert at["front", "rear"].hears == at["rear", "front"].sends
    assert at["brain", "link-brain"].sends == at["front", "link-brain"].hears
    on_line = [a for (_, to), a in at.items() if to == "line-rear"]
    for one in on_line:
        others = [s for other in on_line if other is not one for s in other.sends]
        assert sorted(s.id for s in one.hears) == sorted(s.id for s in others)
    picture = at["camera", "link-camera"]
    # 1400 bytes, header, tag and FCS, preamble and gap: 1442 bytes of 12500 in a millisecond.
    assert load_ppm(picture.sends, picture.grade) == 115_360


def test_queues_keep_the_order_of_priorities() -> None:
    problem = random_problem(3, 5, **KINDS["all"])
    layout = next(iter(Oracle(problem).drawn(random.Random(3), 9)))
    found = switching_of(gather_facts(problem, layout))
    queues = found.queue_of()
    used = sorted({s.pcp for s in found.carried.values()})
    assert [queues[pcp] for pcp in used] == list(range(len(used)))
    assert list(queues.values()) == sorted(queues.values())


def test_addresses_are_local_and_differ() -> None:
    problem = ground_problem()
    found = switching_of(facts_of(problem))
    assert len(set(found.address_of.values())) == len(found.address_of)
    for name, address in found.address_of.items():
        first = int(address[:2], 16)
        assert first & 2
        assert bool(first & 1) == (name in problem.streams)
