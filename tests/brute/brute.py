"""The best layout of a very small problem, by trying everything in plain Python.

Shares nothing with the solver and nothing with the check but the unit functions, the cable
network and the linear timing bounds. Costs and limits are worked out here in a third way.

Every partition of the devices into segments is tried, every order along a line, every place of
the switch, every switch, grade and kind of port, every set of open candidate switches and every
backbone with every choice of grades. Branches that already cost more than the best layout are cut.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import combinations, pairwise, permutations, product

from partitioner.model.catalogue import Grade, Medium
from partitioner.model.frames import stream_frame_bytes
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    Encapsulation,
    GroupKind,
    Problem,
    QueueOrder,
    ReleaseKind,
    Stream,
    SwitchPosition,
)
from partitioner.network.cable import CableNetwork
from partitioner.timing.line import LineFlow, LineNode, line_settings, linear_bound, propagation_ns
from partitioner.timing.link import LinkQueue, linear_link_bound
from partitioner.units import (
    ceil_div,
    length_mass_mg,
    mass_value_money,
    priced_length_money,
    shared,
)

PORT = "the switch port"


@dataclass(frozen=True)
class Arm:
    """What hangs on one side of the switch, outward."""

    devices: tuple[str, ...]
    cost: int
    length_um: int
    passes: frozenset[str]


@dataclass(frozen=True)
class Candidate:
    """A segment that keeps all rules of its own, its port not chosen yet."""

    devices: frozenset[str]
    switch: str
    grade: str
    order: tuple[str, ...]
    index: int
    cost: int
    passes: frozenset[str]
    up: dict[str, int]
    down: dict[str, int]


@dataclass(frozen=True)
class Net:
    """Open switches and the links between them, grades not chosen yet."""

    switches: tuple[str, ...]
    links: tuple[BackboneLink, ...]


def best_layout(problem: Problem) -> tuple[int, Layout] | None:
    """Find the least objective money of any layout, and one such layout.

    None when no layout keeps all rules; deadlines count as kept when the linear bounds of the legs
    and the forwarding delays add up to no more than the deadline.
    """
    return _Search(problem).run()


class _Search:
    def __init__(self, problem: Problem):
        self.problem = problem
        self.network = CableNetwork(problem)
        self.caps = {p.id: p.max_cables for p in problem.pathways if p.max_cables is not None}
        self.streams = {**problem.streams, **self.transfers()}
        self.flows = {
            s.id: LineFlow(
                s.id, stream_frame_bytes(s), s.period_ns, s.jitter_ns, s.deadline_ns, s.pcp
            )
            for s in self.streams.values()
        }
        self.arm = cache(self._arm)
        self.best: tuple[int, Layout] | None = None

    def transfers(self) -> dict[str, Stream]:
        """Transfers with a longest time as streams, their frames spread evenly over that time."""
        found = {}
        for transfer in self.problem.transfers.values():
            if transfer.longest_ns is not None:
                frames = -(-transfer.size_bytes // transfer.frame_payload_bytes)
                pace = transfer.longest_ns // frames
                found[f"bulk/{transfer.id}"] = Stream(
                    id=f"bulk/{transfer.id}",
                    source=transfer.source,
                    destinations=transfer.destinations,
                    payload_bytes=transfer.frame_payload_bytes,
                    encapsulation=Encapsulation.RAW,
                    tagged=True,
                    kind=ReleaseKind.SPORADIC,
                    period_ns=pace,
                    jitter_ns=0,
                    deadline_ns=pace,
                    pcp=0,
                )
        return found

    # -- what a thing counts in the objective -------------------------------------------------

    def value(self, money: int, mass_mg: int) -> int:
        return money + mass_value_money(mass_mg, self.problem.objective.mass_price_per_kg_money)

    def cable(self, grade: Grade, length_um: int, share: int) -> int:
        row = self.problem.catalogue.cables[grade.cable]
        return self.value(
            shared(priced_length_money(length_um, row.price_per_m_money), share),
            shared(length_mass_mg(length_um, row.mass_mg_per_m), share),
        )

    def part(self, id_: str, share: int = 1_000_000, price: int | None = None) -> int:
        row = self.problem.catalogue.parts[id_]
        return self.value(
            shared(row.price_money if price is None else price, share), shared(row.mass_mg, share)
        )

    # -- one segment --------------------------------------------------------------------------

    def _arm(self, switch: str, grade_id: str, devices: tuple[str, ...]) -> Arm | None:
        """Cable of one side of the switch with the slack of its outer end; None: not allowed."""
        problem = self.problem
        grade = problem.catalogue.grades[grade_id]
        line = problem.line
        cost, length, passes = 0, 0, set()
        is_line = grade.medium is Medium.MIXING
        for k in range(len(devices)):
            inner = devices[k - 1] if k > 0 else switch
            beyond = devices[k:]
            share = problem.fitted_share_ppm(beyond)
            way = self.network.length_um(inner, devices[k])
            if is_line and way + line.drop_slack_um < problem.limits[grade_id].spacing_min_um:
                return None
            cost += self.cable(grade, way, share) + self.cable(grade, line.drop_slack_um, share)
            length += way + line.drop_slack_um
            if self.caps:
                passes |= {
                    p for p in self.network.pathways_on(inner, devices[k]) if p in self.caps
                }
            if is_line and line.option_tail and problem.devices[devices[k]].option is not None:
                for later in beyond:
                    if problem.devices[later].option is None:
                        return None
        if devices:
            whole = problem.fitted_share_ppm(devices)
            cost += self.cable(grade, line.end_slack_um, whole)
            length += line.end_slack_um
        return Arm(devices, cost, length, frozenset(passes))

    def set_allowed(self, devices: tuple[str, ...], grade: Grade) -> bool:
        """Rules of a segment that order and switch do not change."""
        problem = self.problem
        limits = problem.limits[grade.id]
        rows = [problem.devices[d] for d in devices]
        if any(grade.id not in {c.grade for c in row.grades} for row in rows):
            return False
        for group in problem.groups:
            inside = len(set(group.devices) & set(devices))
            if group.kind is GroupKind.TOGETHER:
                if 0 < inside < len(group.devices):
                    return False
            elif inside > 1:
                return False
        if grade.medium is Medium.LINK:
            return len(devices) == 1
        if len(devices) + 1 + limits.reserve.nodes > limits.nodes:
            return False
        if any(row.stub_um > limits.stub_um for row in rows):
            return False
        loads = sum(row.unit_load_mul for row in rows)
        if limits.unit_loads_mul is not None and loads > limits.unit_loads_mul:
            return False
        levels = [row.safety_level for row in rows if row.safety_level is not None]
        span = problem.sharing.safety_span
        if span is not None and levels and max(levels) - min(levels) > span:
            return False
        domains = {row.security_domain for row in rows} - {None}
        return len(domains) < 2 or any(domains <= s for s in problem.sharing.domains)

    def legs(
        self, devices: tuple[str, ...], grade: Grade
    ) -> tuple[dict[str, int], dict[str, int]] | None:
        """Linear bounds of the legs on a segment: sent by devices, sent by the switch port."""
        problem = self.problem
        limits = problem.limits[grade.id]
        streams = self.streams.values()
        is_line = grade.medium is Medium.MIXING
        burst = problem.plca.burst_count
        senders = [
            LineNode(
                d,
                tuple(self.flows[s.id] for s in streams if s.source == d),
                problem.devices[d].queue,
                burst,
            )
            for d in devices
        ]
        incoming = tuple(
            self.flows[s.id]
            for s in streams
            if s.source not in devices and set(s.destinations) & set(devices)
        )
        port = LineNode(PORT, incoming, QueueOrder.PCP, burst)
        if grade.full_duplex:
            found = self._full_duplex_legs(senders[0], port, grade)
            if found is None:
                return None
            load, up, down = found
        else:
            settings = line_settings(problem, grade.id, limits.length_um)
            spare = limits.reserve.nodes if is_line else 0
            bound = linear_bound((port, *senders), len(devices) + 1 + spare, settings)
            if bound.overload:
                return None
            load = bound.load_ppm
            up = {f: leg.total_ns for (node, f), leg in bound.legs.items() if node != PORT}
            down = {f: leg.total_ns for (node, f), leg in bound.legs.items() if node == PORT}
        if load + limits.reserve.load_share_ppm > limits.load_share_ppm:
            return None
        for leg in (up, down):
            if any(ns > self.streams[s].deadline_ns for s, ns in leg.items()):
                return None
        return up, down

    def _full_duplex_legs(self, device: LineNode, port: LineNode, grade: Grade):
        limit_um = self.problem.limits[grade.id].length_um
        load, both = 0, []
        for node in (device, port):
            if not node.flows:
                both.append({})
                continue
            bound = linear_link_bound(self.queue(grade, node.flows, node.queue, limit_um))
            if bound.overload:
                return None
            load = max(load, bound.load_ppm)
            both.append({f: leg.total_ns for f, leg in bound.legs.items()})
        return load, both[0], both[1]

    def queue(self, grade: Grade, flows, order: QueueOrder, length_um: int) -> LinkQueue:
        return LinkQueue(
            tuple(flows),
            grade.rate_bps,
            order,
            grade.phy_tx_ns + grade.phy_rx_ns,
            propagation_ns(self.problem, grade.id, length_um),
        )

    def candidates(self, devices: tuple[str, ...]) -> Iterator[Candidate]:
        """Segments over exactly these devices: per switch and grade the cheapest order.

        With pathways of limited capacity, every order that no cheaper one beats on all of them.
        """
        problem = self.problem
        for grade_id, grade in problem.catalogue.grades.items():
            if grade_id not in problem.limits or not self.set_allowed(devices, grade):
                continue
            legs = self.legs(devices, grade)
            if legs is None:
                continue
            up, down = legs
            price = problem.objective.latency_price_per_ms_money
            fixed = sum(
                ceil_div(ns * price, 1_000_000)
                for leg in (up, down)
                for stream, ns in leg.items()
                if stream in problem.streams
            )
            fixed += self.once_and_per_device(devices, grade)
            for switch in problem.switches.values():
                pins = [problem.devices[d].pinned_switches for d in devices]
                if any(pin is not None and switch.id not in pin for pin in pins):
                    continue
                if not any(grade_id in g.grades for g in switch.port_groups):
                    continue
                for order, index, cost, passes in self.orders(devices, switch.id, grade):
                    yield Candidate(
                        frozenset(devices), switch.id, grade_id, order, index, fixed + cost,
                        passes, up, down,
                    )

    def once_and_per_device(self, devices: tuple[str, ...], grade: Grade) -> int:
        """Parts of a segment but its cable along the line and its port."""
        problem = self.problem
        whole = problem.fitted_share_ppm(devices)
        total = self.part(grade.connector, whole)
        if grade.medium is Medium.MIXING and grade.terminator:
            total += 2 * self.part(grade.terminator, whole)
        for d in devices:
            row = problem.devices[d]
            own = problem.fitted_share_ppm([d])
            price = {c.grade: c.phy_price_money for c in row.grades}[grade.id]
            total += self.part(grade.device_phy, own, price) + self.part(grade.connector, own)
            if grade.medium is Medium.MIXING:
                total += self.cable(grade, row.stub_um, own)
                if row.stub_um and grade.junction:
                    total += self.part(grade.junction, own)
        return total

    def orders(self, devices: tuple[str, ...], switch: str, grade: Grade):
        """(order, switch index, cable cost, passes) worth keeping."""
        problem = self.problem
        limits = problem.limits[grade.id]
        end_um = problem.line.end_slack_um
        end_cost = self.cable(grade, end_um, problem.fitted_share_ppm(devices))
        anywhere = (
            grade.medium is Medium.MIXING
            and problem.line.switch_position is SwitchPosition.ANYWHERE
        )
        kept: list[tuple] = []
        for order in permutations(devices):
            for index in range(len(order) // 2 + 1 if anywhere else 1):
                after = self.arm(switch, grade.id, order[index:])
                before = self.arm(switch, grade.id, tuple(reversed(order[:index])))
                if after is None or before is None:
                    continue
                cost = after.cost + before.cost
                length = after.length_um + before.length_um
                if not (after.devices and before.devices):
                    cost, length = cost + end_cost, length + end_um
                if length + limits.reserve.length_um > limits.length_um:
                    continue
                passes = after.passes | before.passes
                if any(row[2] <= cost and row[3] <= passes for row in kept):
                    continue
                kept = [row for row in kept if not (cost <= row[2] and passes <= row[3])]
                kept.append((order, index, cost, passes))
        yield from kept

    # -- the whole ----------------------------------------------------------------------------

    def run(self) -> tuple[int, Layout] | None:
        devices = tuple(self.problem.devices)
        found: list[Candidate] = []
        for size in range(1, len(devices) + 1):
            for subset in combinations(devices, size):
                found.extend(self.candidates(subset))
        self.containing = {d: [c for c in found if d in c.devices] for d in devices}
        for rows in self.containing.values():
            rows.sort(key=lambda c: (c.cost / len(c.devices), sorted(c.devices), c.switch))
        for net in self.nets():
            self.try_net(net, devices)
        return self.best

    def nets(self) -> Iterator[Net]:
        """Every set of open switches with every backbone of the shape asked for."""
        problem = self.problem
        required = [s.id for s in problem.switches.values() if s.required]
        optional = [s.id for s in problem.switches.values() if not s.required]
        ends = {
            e
            for s in self.streams.values()
            for e in (s.source, *s.destinations)
            if e in problem.switches
        }
        for size in range(len(optional) + 1):
            for extra in combinations(optional, size):
                opened = tuple(s for s in problem.switches if s in required or s in extra)
                if not ends <= set(opened):
                    continue
                within = [link for link in problem.backbone.links if set(link.ends) <= set(opened)]
                for links in self.shapes(opened, within):
                    yield Net(opened, links)

    def shapes(self, opened, links) -> Iterator[tuple[BackboneLink, ...]]:
        shape = self.problem.backbone.shape
        if shape is BackboneShape.FIXED:
            yield tuple(links)
            return
        ring = shape is BackboneShape.RING and len(opened) > 2
        number = len(opened) if ring else len(opened) - 1
        for chosen in combinations(links, max(number, 0)):
            if any(link.required and link not in chosen for link in links):
                continue
            if not _joined(opened, chosen):
                continue
            degrees = Counter(e for link in chosen for e in link.ends)
            if ring and any(degrees[s] != 2 for s in opened):
                continue
            yield chosen

    def grades_of(self, link: BackboneLink) -> list[tuple[int, str]]:
        """(value, grade) of every grade that reaches, cheapest first."""
        problem = self.problem
        length = self.link_um(link)
        rows = []
        for id_ in link.grades:
            grade = problem.catalogue.grades[id_]
            limits = problem.limits.get(id_)
            reach = grade.guaranteed_length_um if limits is None else limits.length_um
            if length <= reach:
                value = self.cable(grade, length, 1_000_000)
                value += 2 * self.part(grade.connector) + 2 * self.part(grade.port_phy)
                rows.append((value, id_))
        return sorted(rows)

    def link_um(self, link: BackboneLink) -> int:
        return (
            self.network.length_um(*link.ends) if link.length_um is None else link.length_um
        )

    def try_net(self, net: Net, devices: tuple[str, ...]) -> None:
        problem = self.problem
        grades = [self.grades_of(link) for link in net.links]
        if not all(grades):
            return
        base = sum(
            self.value(problem.switches[s].price_money, problem.switches[s].mass_mg)
            for s in net.switches
        )
        base += sum(rows[0][0] for rows in grades)
        opened = set(net.switches)
        self.rows = {
            d: [c for c in self.containing[d] if c.switch in opened] for d in devices
        }
        if not all(self.rows.values()):
            return
        # A segment costs at least its cheapest port; spread over its devices this bounds the rest.
        self.least = {
            d: min(
                (c.cost + min(self.ports(c))[0]) // len(c.devices) for c in self.rows[d]
            )
            for d in devices
        }
        free = {
            (s, k): group.count
            for s in net.switches
            for k, group in enumerate(problem.switches[s].port_groups)
        }
        backbone = Counter(p for ends in net.links for p in self.network.pathways_on(*ends.ends))
        self.extend(net, grades, list(devices), [], base, free, backbone)

    def ports(self, candidate: Candidate) -> list[tuple[int, int]]:
        """(value, port group) of the ports that serve a segment."""
        switch = self.problem.switches[candidate.switch]
        phy = self.part(self.problem.catalogue.grades[candidate.grade].port_phy)
        return [
            (phy + group.price_money, k)
            for k, group in enumerate(switch.port_groups)
            if candidate.grade in group.grades
        ]

    def extend(self, net, grades, rest, chosen, cost, free, used) -> None:
        """Give the first device that is left a segment, in every way."""
        if self.best is not None and cost + sum(self.least[d] for d in rest) >= self.best[0]:
            return
        if not rest:
            self.finish(net, grades, chosen, cost)
            return
        left = set(rest)
        for candidate in self.rows[rest[0]]:
            if not candidate.devices <= left:
                continue
            if not self.fits_groups(candidate, chosen):
                continue
            more = used + Counter(candidate.passes) if self.caps else used
            if any(more[p] > cap for p, cap in self.caps.items()):
                continue
            for value, group in self.ports(candidate):
                port = (candidate.switch, group)
                if free[port] == 0:
                    continue
                free[port] -= 1
                self.extend(
                    net,
                    grades,
                    [d for d in rest if d not in candidate.devices],
                    [*chosen, (candidate, group)],
                    cost + candidate.cost + value,
                    free,
                    more,
                )
                free[port] += 1

    def fits_groups(self, candidate: Candidate, chosen) -> bool:
        for group in self.problem.groups:
            if group.kind is GroupKind.APART_SWITCH and candidate.devices & set(group.devices):
                for other, _ in chosen:
                    if other.switch == candidate.switch and other.devices & set(group.devices):
                        return False
        return True

    def finish(self, net, grades, chosen, cost) -> None:
        """Choose the grades of the backbone for a complete set of segments."""
        if not self.failures_allowed(net, [c for c, _ in chosen]):
            return
        without_links = cost - sum(rows[0][0] for rows in grades)
        for choice in sorted(product(*grades), key=lambda c: sum(v for v, _ in c)):
            total = without_links + sum(value for value, _ in choice)
            if self.best is not None and total >= self.best[0]:
                return
            if self.in_time(net, [g for _, g in choice], [c for c, _ in chosen]):
                self.best = total, self.layout(net, [g for _, g in choice], chosen)
                return

    def failures_allowed(self, net: Net, segments: list[Candidate]) -> bool:
        """Whether no single failure loses too many devices of a watched set."""
        problem = self.problem
        if not problem.failure_rules:
            return True
        links = [link.ends for link in net.links]
        home = {d: c.switch for c in segments for d in c.devices}
        losses = [set(c.devices) for c in segments]
        for switch in net.switches:
            down = {d for d, s in home.items() if s == switch}
            rest = [ends for ends in links if switch not in ends]
            losses.append(down | self.cut_off(home, down | {switch}, rest))
        for gone in links:
            rest = [ends for ends in links if ends != gone]
            losses.append(self.cut_off(home, set(), rest))
        for rule in problem.failure_rules:
            watched = {d.id for d in problem.devices.values() if d.function == rule.function}
            for group in problem.groups:
                if group.id == rule.group:
                    watched = set(group.devices)
            if any(len(watched & lost) > rule.most_lost for lost in losses):
                return False
        return True

    def cut_off(self, home: dict[str, str], down: set[str], links) -> set[str]:
        """Devices that run but reach no partner that runs."""
        talks: dict[str, set[str]] = {}
        for stream in self.problem.streams.values():
            for target in stream.destinations:
                if stream.source not in down and target not in down:
                    talks.setdefault(stream.source, set()).add(target)
                    talks.setdefault(target, set()).add(stream.source)
        lost = set()
        for device, partners in talks.items():
            if device not in home:
                continue
            reached = {home[device]}
            for _ in links:
                reached |= {e for ends in links if reached & set(ends) for e in ends}
            if all(home.get(p, p) not in reached for p in partners):
                lost.add(device)
        return lost

    def in_time(self, net: Net, link_grades: list[str], segments: list[Candidate]) -> bool:
        problem = self.problem
        home = {d: c for c in segments for d in c.devices}
        ways = _shortest_ways(
            net.switches,
            {link.ends: self.link_um(link) for link in net.links},
        )
        crossing: dict[tuple[str, str], set[str]] = {}
        routes = []
        for stream in self.streams.values():
            source = home.get(stream.source)
            start = stream.source if source is None else source.switch
            for target in stream.destinations:
                sink = home.get(target)
                if source is not None and source is sink:
                    continue  # heard directly; a leg alone was judged with its segment
                end = target if sink is None else sink.switch
                way = ways.get((start, end))
                if way is None:
                    return False
                routes.append((stream, source, way, sink))
                for hop in pairwise(way):
                    crossing.setdefault(hop, set()).add(stream.id)
        hops: dict[tuple[tuple[str, str], str], int] = {}
        for link, grade_id in zip(net.links, link_grades, strict=True):
            grade = problem.catalogue.grades[grade_id]
            for hop in (link.ends, link.ends[::-1]):
                flows = [self.flows[s] for s in self.streams if s in crossing.get(hop, ())]
                if not flows:
                    continue
                bound = linear_link_bound(
                    self.queue(grade, flows, QueueOrder.PCP, self.link_um(link))
                )
                if bound.overload or bound.load_ppm > problem.backbone.load_share_ppm:
                    return False
                for flow, leg in bound.legs.items():
                    hops[hop, flow] = leg.total_ns
        for stream, source, way, sink in routes:
            total = sum(problem.switches[s].forwarding_delay_ns for s in way)
            total += sum(hops[hop, stream.id] for hop in pairwise(way))
            if source is not None:
                total += source.up[stream.id]
            if sink is not None:
                total += sink.down[stream.id]
            if total > stream.deadline_ns:
                return False
        return True

    def layout(self, net: Net, link_grades: list[str], chosen) -> Layout:
        problem = self.problem
        next_port: dict[tuple[str, int], int] = {}
        for s in net.switches:
            first = 1
            for k, group in enumerate(problem.switches[s].port_groups):
                next_port[s, k] = first
                first += group.count
        segments = []
        for number, (candidate, group) in enumerate(chosen, 1):
            port = next_port[candidate.switch, group]
            next_port[candidate.switch, group] += 1
            ids: tuple[int, ...] = ()
            count = 0
            if problem.catalogue.grades[candidate.grade].medium is Medium.MIXING:
                outward = candidate.order[candidate.index :] + tuple(
                    reversed(candidate.order[: candidate.index])
                )
                ids = tuple(outward.index(d) + 1 for d in candidate.order)
                count = len(ids) + 1 + problem.limits[candidate.grade].reserve.nodes
            segments.append(
                Segment(
                    id=f"segment-{number}",
                    switch=candidate.switch,
                    port=port,
                    grade=candidate.grade,
                    devices=candidate.order,
                    switch_index=candidate.index,
                    plca_ids=ids,
                    node_count=count,
                )
            )
        return Layout(
            problem_name=problem.name,
            problem_digest=problem.digest,
            open_switches=net.switches,
            backbone=tuple(
                BuiltLink(link.ends, grade)
                for link, grade in zip(net.links, link_grades, strict=True)
            ),
            segments=tuple(segments),
        )


def _joined(switches, links) -> bool:
    """Whether links join all switches."""
    if not switches:
        return True
    reached = {switches[0]}
    grown = True
    while grown:
        grown = False
        for link in links:
            if len(reached & set(link.ends)) == 1:
                reached |= set(link.ends)
                grown = True
    return reached >= set(switches)


def _shortest_ways(switches, lengths_um) -> dict[tuple[str, str], tuple[str, ...]]:
    """Best of all simple ways: fewest links, then least cable, then names."""
    ways: dict[tuple[str, str], tuple[int, int, tuple[str, ...]]] = {}

    def walk(way: tuple[str, ...], length: int) -> None:
        key = (way[0], way[-1])
        rank = (len(way), length, way)
        if key not in ways or rank < ways[key]:
            ways[key] = rank
        for (a, b), more in lengths_um.items():
            for here, there in ((a, b), (b, a)):
                if here == way[-1] and there not in way:
                    walk((*way, there), length + more)

    for switch in switches:
        walk((switch,), 0)
    return {key: rank[2] for key, rank in ways.items()}
