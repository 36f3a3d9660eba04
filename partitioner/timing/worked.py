"""One bound of a line's response-time analysis taken apart: every term, to the figure.

Nothing is bounded anew here: :mod:`partitioner.timing.response` finds the worst arrival in the
busy window, and what it is made of is told term by term. The terms add up to the bound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from partitioner.timing.constants import (
    BEACON_BT,
    ESD_BT,
    IPG_BT,
    JAM_BT,
    PENDING_TIMER_BT,
    PREAMBLE_SFD_BT,
    TIMER_TOLERANCE_NS,
)
from partitioner.timing.line import (
    LineNode,
    LineSettings,
    hold_again_ns,
    linear_bound,
    silent_ns,
    start_ns,
)
from partitioner.timing.line_window import Line, Queue
from partitioner.timing.response import longest_waits

CLAUSE_148 = "IEEE Std 802.3 Clause 148"
FRAME_CLAUSES = "IEEE Std 802.3 Clauses 4.4.2, 3.1.1 and 147"
OWN = "own derivation, docs/explanation/timing.md"
PHY_TERM, WAY_TERM = "sending and receiving PHY", "propagation"
MOST_ROUNDS = 10_000


@dataclass(frozen=True, slots=True)
class Term:
    """One term of a bound in ns, with its formula in bit times (BT) and where it comes from."""

    name: str
    formula: str
    ns: int
    source: str


def worked_leg(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings, key: tuple[str, str]
) -> tuple[Term, ...] | None:
    """Take the bound of one leg, by node and flow, apart; the terms sum to it.

    The line is as given to :func:`~partitioner.timing.response.response_bound`. None where the
    bound is the linear one.
    """
    linear = linear_bound(nodes, node_count, settings).legs
    line = Line(
        [n for n in nodes if n.flows], node_count, settings,
        {leg: delay.total_ns for leg, delay in linear.items()},
    )  # fmt: skip
    flow = line.keys.index(key)
    index = next(k for k, queue in enumerate(line.queues) if flow in queue.flows)
    queue, wait = line.queues[index], longest_waits(line)[index]
    if wait is None or (key in linear and linear[key].total_ns < line.life(queue, wait.wait_ns)):
        return None
    offset = 0
    for number, settled in enumerate(wait.settled):
        if settled.start_ns - offset == wait.wait_ns:
            break
        offset = queue.step(number)[2]
    ids = [n.id for n in nodes if n.flows]
    terms = [*_waiting(line, ids, queue, settled.start_ns, settled.ahead_ns, node_count, settings)]
    if offset:
        terms.append(
            Term("arrived later in the busy window", "less the time since it began", -offset, OWN)
        )
    return (*terms, *_sending(queue, settings))


def _waiting(
    line: Line, ids: list[str], queue: Queue, start: int, ahead_ns: int, node_count: int,
    settings: LineSettings,
) -> list[Term]:
    """What lies before the start of the turn in which the frame goes out."""
    rounds, cost, first = _rounds(line, queue, start, line.miss + ahead_ns)
    bit = settings.bit_ns
    loop_bt = settings.loop_delay_ns / bit
    silent_bt = silent_ns(settings) // bit
    empty = start_ns(settings) + (node_count - 1) * silent_ns(settings)
    terms = [
        Term(
            "own turn just let pass",
            f"the longer of a silent turn, {silent_bt} BT, and a loop delay, {loop_bt:g} BT",
            line.miss,
            CLAUSE_148,
        ),
        Term(
            f"rounds until its turn: {rounds}",
            f"{rounds} × (BEACON {BEACON_BT} BT + loop delay {loop_bt:g} BT + {node_count - 1} × "
            f"{silent_bt} BT for the silent turns of the others)",
            rounds * empty,
            CLAUSE_148,
        ),
    ]
    if ahead_ns:
        terms.append(
            Term(
                f"frames of {ids[queue.node]} before it",
                _frame_formula(loop_bt),
                ahead_ns,
                FRAME_CLAUSES,
            )
        )
    terms += _others(line, ids, queue, start, rounds, cost, loop_bt, silent_bt, bit)
    if line.collision:
        held_bt = max(PREAMBLE_SFD_BT, hold_again_ns(node_count, settings) / bit)
        terms.append(
            Term(
                "logical collision of a plain half-duplex MAC",
                f"{rounds} × ({IPG_BT} gap + {held_bt:.10g} sent before it collides + "
                f"{JAM_BT} jam + {PENDING_TIMER_BT} pending + "
                f"{TIMER_TOLERANCE_NS / bit:g} tolerance + "
                f"{silent_bt} a silent turn BT){_first_collision(line, first, bit)}",
                rounds * line.collision + first,
                OWN,
            )
        )
    return terms


def _first_collision(line: Line, first: int, bit: int) -> str:
    """What the collision of the first frame takes more or less than that of one that follows."""
    longer = line.first_idle + IPG_BT * bit
    left_over = first - line.first_idle
    told = f", and {longer / bit:.10g} BT longer in the delay line" if longer else ""
    if first == line.first_time:
        return f"{told}, and a frame of another node let pass, {(first - longer) / bit:.10g} BT"
    told += f", less a gap of {IPG_BT} BT that was over before"
    return told + (f", and frames left over, {left_over / bit:.10g} BT" if left_over else "")


def _rounds(line: Line, queue: Queue, start: int, opening: int) -> tuple[int, int, int]:
    """Rounds until a turn that starts then, and what others and the first collision cost."""
    for rounds in range(1, MOST_ROUNDS):
        cost, first, _ = line.others(queue.node, start, rounds)
        if opening + rounds * line.round + cost + first == start:
            return rounds, cost, first
    raise AssertionError(f"no number of rounds gives a start at {start} ns")


def _frame_formula(loop_bt: float) -> str:
    sent = f"{IPG_BT} gap + {PREAMBLE_SFD_BT} preamble + 8 L + {ESD_BT} end"
    return f"each {sent} + {loop_bt:g} loop BT"


def _others(
    line: Line, ids: list[str], queue: Queue, start: int, rounds: int, cost: int, loop_bt: float,
    silent_bt: int, bit: int,
) -> list[Term]:
    """What every other node sends meanwhile, less the silent turns that its frames replace."""
    formula = _frame_formula(loop_bt) + f", less a silent turn of {silent_bt} BT"
    found = []
    for node, rows in enumerate(line.node_rows):
        if node == queue.node:
            continue
        room, frames, spent = rounds, Counter[int](), 0
        for (around, period, one), bits in zip(
            rows, line.bits[line.first[node] : line.first[node + 1]], strict=True
        ):
            taken = min(room, -(-(start + around) // period))
            room -= taken
            frames[bits] += taken
            spent += taken * one
        number = sum(frames.values())
        if number:
            name = f"{number} of {ids[node]}, at most one a round"
            lengths = _lengths(frames, bit)
            found.append(Term(name, f"{formula}; L: {lengths}", spent, FRAME_CLAUSES))
    if sum(t.ns for t in found) == cost:
        return found
    # With bursts the frames share turns, and what that saves or costs belongs to no single node.
    return [Term("frames of the other nodes, in bursts", formula, cost, FRAME_CLAUSES)]


def _lengths(frames: Mapping[int, int], bit: int) -> str:
    """How many frames of which length in bytes, by the time in ns that their bits take."""
    bytes_of = {
        ns: (ns - (PREAMBLE_SFD_BT + ESD_BT) * bit) // (8 * bit) for ns, n in frames.items() if n
    }
    return ", ".join(
        f"{length}" if frames[ns] == 1 else f"{frames[ns]} × {length}"
        for ns, length in bytes_of.items()
    )


def _sending(queue: Queue, settings: LineSettings) -> list[Term]:
    """From the start of its turn to the last bit at the last receiver."""
    bit = settings.bit_ns
    rest = (IPG_BT + PREAMBLE_SFD_BT + ESD_BT) * bit + settings.loop_delay_ns
    length = (queue.last_ns - rest) // (8 * bit)
    return [
        Term("gap before the frame", f"{IPG_BT} BT, held as COMMIT", IPG_BT * bit, CLAUSE_148),
        Term(
            f"the frame, {length} bytes",
            f"{PREAMBLE_SFD_BT} preamble + 8 × {length} + {ESD_BT} end BT",
            queue.last_ns - rest + (PREAMBLE_SFD_BT + ESD_BT) * bit,
            FRAME_CLAUSES,
        ),
        *way_terms("line", settings.phy_ns, settings.propagation_ns),
    ]


def way_terms(what: str, phy_ns: int, propagation_ns: int) -> tuple[Term, Term]:
    """What PHYs and cable of a line or link take."""
    formula = f"length of the {what} times the cable's delay"
    return (
        Term(PHY_TERM, "both delays of the grade", phy_ns, "the catalogue's grade"),
        Term(WAY_TERM, formula, propagation_ns, "the catalogue's cable"),
    )  # fmt: skip
