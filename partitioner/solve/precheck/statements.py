"""What a problem states, as far as arithmetic can set it against the rest: one sentence each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass

from partitioner.errors import Conflict
from partitioner.model.layout import link_name
from partitioner.model.problem import GroupKind, SegmentLimits
from partitioner.solve.backbone import BackboneData
from partitioner.solve.instance import GradeData, Instance, StreamData
from partitioner.wording import (
    agree,
    count,
    duration,
    listed,
    metres,
    percent,
    to_whole_cm,
    unit_loads,
)

MOST_NAMED = 8
"""Names told in a sentence; the rest is counted."""

MOST_OF_A_RULE = 4
"""Sentences told of one rule; the rest is counted."""

FULL_SHARE_PPM = 900_000
"""A load share from which raising it gives next to nothing."""

NEED_LINKS = {"backbone-shape", "stream-way", "deadline", "transfer", "failure"}
"""Rules that ask for backbone links, so that more of them may help; fewer do where none is told."""

LEAVES_ANOTHER = ", which leaves another conflict"
"""Said of what helps the devices of a proof but not all."""

Key = tuple[str, ...]
"""Rule, then whom the statement is about."""


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement of the problem that a proof may rest on.

    Attributes
    ----------
    rule
        Name in the register of the check.
    subjects
        Ids it concerns.
    sentence
        The statement with its figures. ``{who}`` stands for the first of the subjects, so that
        statements that are alike can be told in one sentence.
    remedy
        What to change, ``{who}`` as above; empty where nothing can be.
    """

    rule: str
    subjects: tuple[str, ...]
    sentence: str
    remedy: str = ""


def named(ids: Iterable[str]) -> str:
    """The first few names, the rest counted."""
    names = list(ids)
    few = names[:MOST_NAMED]
    return listed(names if len(names) <= len(few) + 1 else [*few, f"{len(names) - len(few)} more"])


def kept_free(reserve: int) -> str:
    """What to say beside a limit of which some is kept free."""
    return ", reserve taken off" if reserve else ""


def room_of_line(limits: SegmentLimits, grade: GradeData) -> str:
    """How many devices a line has room for, and why."""
    free = f" and {limits.reserve.nodes} kept free" if limits.reserve.nodes else ""
    return (
        f"A line of {grade.id} has room for {count(grade.max_devices, 'device')}: "
        f"{limits.nodes} nodes, less the switch port{free}."
    )


def raise_nodes(limits: SegmentLimits, grade: str) -> str:
    """What to do about too few nodes."""
    fewer = " or keep fewer nodes free" if limits.reserve.nodes else ""
    return f"raise the node limit of {grade}{fewer}"


class Statements:
    """Makes the statements of one problem, each once, by its key.

    ``proof``: the keys of all that are told together; what helps depends on the others.
    """

    def __init__(
        self, instance: Instance, backbone: BackboneData, proof: Collection[Key] = ()
    ):
        self._instance, self._backbone = instance, backbone
        self._proof = frozenset(proof)
        self._rules_told = {key[0] for key in proof}
        self._made: dict[Key, Statement] = {}
        self._rules = {r.id: r for r in instance.problem.failure_rules}
        self._groups = {g.id: g for g in instance.problem.groups}
        self._streams = {s.id: s for s in instance.streams}

    def __getitem__(self, key: Key) -> Statement:
        if key not in self._made:
            make = getattr(self, "_" + key[0].replace("-", "_"))
            self._made[key] = make(*key[1:])
        return self._made[key]

    def _grade(self, id_: str) -> GradeData:
        return self._instance.grades[self._instance.grade_index[id_]]

    # -- ports and limits ---------------------------------------------------------------------

    def _port_exists(self, switch: str, number: str) -> Statement:
        group = self._instance.problem.switches[switch].port_groups[int(number)]
        grades = " or ".join(group.grades)
        return Statement(
            "port-exists", (switch,), f"{switch} has {count(group.count, 'port')} for {grades}.",
            f"give {switch} more ports for {grades}",
        )

    def _nodes(self, grade: str) -> Statement:
        limits = self._instance.problem.limits[grade]
        return Statement(
            "nodes", (grade,), room_of_line(limits, self._grade(grade)), raise_nodes(limits, grade)
        )

    def _length(self, grade: str) -> Statement:
        problem, data = self._instance.problem, self._grade(grade)
        limits, slack_um = problem.limits[grade], problem.line.drop_slack_um
        cable_um = data.max_length_um - 2 * problem.line.end_slack_um
        is_wide = ("spacing", grade) in self._proof
        is_slack = data.is_line and slack_um * data.max_devices > cable_um
        of_it = f", and each device on it takes {metres(slack_um)} of slack" if is_slack else ""
        # A device that is nearer keeps as far from its neighbours, and takes as much slack.
        ways = [] if is_wide or is_slack else ["place switches or devices nearer"]
        ways = ["plan less slack (drop_slack_m)"] if is_slack and not is_wide else ways
        return Statement(
            "length", (grade,),
            f"A segment of {grade} may have {metres(data.max_length_um)} of cable"
            f"{kept_free(limits.reserve.length_um)}{of_it}.",
            ", or ".join([f"raise the length limit of {grade}", *ways]),
        )

    def _stub(self, grade: str, device: str) -> Statement:
        data = self._instance.problem.devices[device]
        return Statement(
            "stub", (device, grade),
            f"The stub of {device} is {metres(data.stub_um)}, the limit for {grade} is "
            f"{metres(self._grade(grade).max_stub_um)}.",
            f"shorten the stub of {device} or raise the stub limit of {grade}",
        )

    def _spacing(self, grade: str) -> Statement:
        return Statement(
            "spacing", (grade,),
            f"Neighbours on a line of {grade} are at least "
            f"{metres(self._grade(grade).spacing_min_um)} of cable apart.",
            f"lower the least spacing of {grade}",
        )

    def _load(self, grade: str) -> Statement:
        share = percent(self._grade(grade).load_cap_ppm)
        limits = self._instance.problem.limits[grade]
        # No share is more than all of the time.
        has_room = limits.load_share_ppm < FULL_SHARE_PPM
        higher = f"raise the load share of {grade}, or " if has_room else ""
        return Statement(
            "load", (grade,),
            f"A segment of {grade} may be busy {share} of the time"
            f"{kept_free(limits.reserve.load_share_ppm)}.",
            f"{higher}send less or less often",
        )

    def _unit_loads(self, grade: str) -> Statement:
        most = unit_loads(self._grade(grade).unit_cap_mul)
        return Statement(
            "unit-loads", (grade,), f"A line of {grade} carries {most}.",
            f"raise the unit loads of {grade}",
        )

    def _pathway_capacity(self, pathway: str) -> Statement:
        most, backbone = self._backbone.pathway_caps[pathway], self._backbone
        links = [
            link_name(*link.ends) for k, link in enumerate(self._instance.problem.backbone.links)
            if pathway in backbone.link_passes(k)
        ]
        beside = ""
        if links and ("backbone-link",) in self._proof:
            many = len(links) > 1
            beside = f", and the backbone {'links' if many else 'link'} {named(links)} "
            beside += f"{'run' if many else 'runs'} through it"
        elif not self._rules_told.isdisjoint(NEED_LINKS):
            beside = ", links between switches among them"
        return Statement(
            "pathway-capacity", (pathway,),
            f"{count(most, 'cable')} {agree(most, 'fits', 'fit')} through {pathway}{beside}.",
            f"make room for more cables in {pathway}",
        )

    # -- placement ----------------------------------------------------------------------------

    def _device_grade(self, device: str) -> Statement:
        grades = " or ".join(c.grade for c in self._instance.problem.devices[device].grades)
        return Statement(
            "device-grade", (device,), f"{{who}} can have {grades} only.",
            "give {who} a PHY of another grade",
        )

    def _pin(self, device: str) -> Statement:
        pinned = self._instance.problem.devices[device].pinned_switches
        assert pinned is not None
        return Statement(
            "pin", (device, *pinned), f"Pinned to {' or '.join(pinned)}: {{who}}.",
            "let {who} hang on another switch too",
        )

    def _group(self, id_: str) -> Statement:
        group = self._groups[id_]
        words = {
            GroupKind.APART_SEGMENT: "are on different segments",
            GroupKind.APART_SWITCH: "are on different switches",
            GroupKind.TOGETHER: "share one segment",
        }[group.kind]
        return Statement(
            group.kind.value, (id_, *group.devices),
            f"{named(group.devices)} {words} (group {id_}).",
            f"drop group {id_}" + (" or make it smaller" if len(group.devices) > 2 else ""),
        )

    def _safety_span(self) -> Statement:
        span = self._instance.problem.sharing.safety_span
        return Statement(
            "safety-span", (), f"Safety levels on one line differ by at most {span}.",
            "let safety levels on one line differ by more",
        )

    def _security_domain(self) -> Statement:
        return Statement(
            "security-domain", (), "Only security domains that may mix share a line.",
            "let more security domains share lines",
        )

    def _option_tail(self) -> Statement:
        return Statement(
            "option-tail", (),
            "Option devices come only beyond the last device of their arm that is always fitted.",
            "let option devices stand anywhere on a line",
        )

    def _switch_position(self) -> Statement:
        return Statement(
            "switch-position", (), "The switch is at an end of its line.",
            "let switches sit along their lines",
        )

    # -- backbone, service --------------------------------------------------------------------

    def _switch_open(self, switch: str) -> Statement:
        why = "is required" if self._instance.problem.switches[switch].required else (
            "sends or receives streams itself"
        )
        return Statement("switch-open", (switch,), f"{switch} {why}, so it is open.")

    def _backbone_link(self) -> Statement:
        backbone = self._instance.problem.backbone
        links = backbone.links
        pairs = named(link_name(*link.ends) for link in links) if links else "none"
        must = ", and all of them where both switches are open" if backbone.shape == "fixed" else ""
        required = [link_name(*link.ends) for link in links if link.required]
        if required and not must:
            must = f", and {named(required)} {agree(len(required), 'has', 'have')} to be"
        more, remedy = self._more_links, "list fewer backbone links that must be built"
        if not self._rules_told.isdisjoint(NEED_LINKS):
            is_room = must and "pathway-capacity" in self._rules_told
            remedy = more or (remedy if is_room else "")
            remedy += ", or fewer that must be built" if more and is_room else ""
        return Statement(
            "backbone-link", (), f"The backbone links that may be built are: {pairs}{must}.", remedy
        )

    @property
    def _more_links(self) -> str:
        """What to do where links are missing; nothing where every two switches have one."""
        backbone, switches = self._instance.problem.backbone, self._instance.switch_count
        pairs = {frozenset(link.ends) for link in backbone.links}
        return "list more backbone links" if 2 * len(pairs) < switches * (switches - 1) else ""

    def _backbone_reach(self, number: str) -> Statement:
        link = self._instance.problem.backbone.links[int(number)]
        length = to_whole_cm(self._backbone.links[int(number)].length_um)
        reach = max(self._instance.problem.reach_um(g) for g in link.grades)
        short = metres(to_whole_cm(length - reach))
        return Statement(
            "backbone-reach", link.ends,
            f"The backbone link {link_name(*link.ends)} is {metres(length)} long; "
            f"{' or '.join(link.grades)} reaches {metres(reach)}, {short} less.",
            f"bring the backbone link {link_name(*link.ends)} to {metres(reach)}, or list a grade "
            f"for it that reaches {metres(length)}",
        )

    def _backbone_shape(self) -> Statement:
        shape = self._instance.problem.backbone.shape.value
        # Whichever links are listed, a pathway may have no room for those that the shape needs.
        more = self._more_links if ("backbone-link",) in self._proof else ""
        return Statement(
            "backbone-shape", (), f"The backbone is a {shape} over the open switches.",
            " or ".join(filter(None, (more, f"make the shape of the backbone other than {shape}"))),
        )

    def _backbone_load(self, *side: str) -> Statement:
        backbone = self._instance.problem.backbone
        links = [
            link.ends for link, data in zip(backbone.links, self._backbone.links, strict=True)
            if data.grades and len({*link.ends}.intersection(side)) == 1
        ]
        pairs = named(link_name(*ends) for ends in links)
        ways = f"link {pairs} carries" if len(links) == 1 else f"links {pairs} carry"
        parts = "two parts of the backbone"
        if len(side) == 1:
            parts = f"{side[0]} and the other switches"
        each = " each" if len(links) > 1 else ""
        return Statement(
            "backbone-load", tuple(dict.fromkeys(end for ends in links for end in ends)),
            f"The backbone {ways} all that is sent between {parts}, and may{each} be busy "
            f"{percent(backbone.load_share_ppm)} of the time.",
            f"raise the load share of backbone links, or list more or faster ones beside {pairs}",
        )

    def _failure(self, id_: str, *down: str) -> Statement:
        """``down``: switch or ends of the link that fails, where the proof is of that one."""
        rule = self._rules[id_]
        members = self._instance.problem.watched(rule)
        sentence = (
            f"No single failure loses more than {rule.most_lost} of the {len(members)} devices "
            f"that rule {id_} watches"
        )
        remedy = f"let rule {id_} allow more to be lost"
        if down:
            where = down[0] if len(down) == 1 else f"the backbone link {'-'.join(down)}"
            sentence += (
                f", and a failure of {where} does: those beyond it reach nothing that they send to "
                f"or hear"
            )
            remedy += ", or list a backbone link that leads round it"
        return Statement("failure", (id_, *members, *down), f"{sentence}.", remedy)

    def _stream_way(self, stream: str) -> Statement:
        name, source, targets = self._ends(stream)
        return Statement(
            "stream-way", (name, source, *targets),
            f"{called(self._streams[stream])} runs from {source} to {named(targets)}.",
        )

    def _deadline(self, stream: str) -> Statement:
        data = self._streams[stream]
        name, source, targets = self._ends(stream)
        within = duration(data.limit_ns)
        if data.is_transfer:
            return Statement(
                "transfer", (name, source, *targets),
                f"Each frame of transfer {name} gets from {source} to {named(targets)} within "
                f"{within}, its pace.",
                f"give transfer {name} longer",
            )
        return Statement(
            "deadline", (stream, source, *targets),
            f"Stream {stream} gets from {source} to {named(targets)} within {within}.",
            f"relax the deadline of {stream}",
        )

    def _ends(self, stream: str) -> tuple[str, str, list[str]]:
        """Name of a stream or transfer, who sends it and who receives it."""
        data = self._streams[stream]
        return name_of(data), *ends_of(self._instance, data)


def called(stream: StreamData) -> str:
    """What a stream is called at the begin of a sentence."""
    return stream.id[:1].upper() + stream.id[1:] if stream.is_transfer else f"Stream {stream.id}"


def name_of(stream: StreamData) -> str:
    """Id of a stream or transfer in the problem file."""
    return stream.id.partition(" ")[2] if stream.is_transfer else stream.id


def ends_of(instance: Instance, stream: StreamData) -> tuple[str, list[str]]:
    """Ids of who sends a stream and who receives it."""
    def named_end(device: int | None, switch: int) -> str:
        return instance.switch_ids[switch] if device is None else instance.device_ids[device]

    source = named_end(stream.source_device, stream.source_switch)
    return source, [named_end(t.device, t.switch) for t in stream.targets]


def told(
    statements: Collection[Statement],
    alone: Collection[Statement],
    jointly: Collection[Statement],
    all_of: Collection[Statement] = (),
    beside: Callable[[Collection[Statement]], str] = lambda changed: "",
) -> list[Conflict]:
    """Conflicts of a proof, statements that are alike told in one.

    Each in ``alone`` is enough to change; of those in ``jointly`` some of a rule are, and of those
    in ``all_of`` all of a rule. Of these it is told what to do about them, and what to say
    ``beside`` of the statements that are changed then, all of them.
    """
    alike: dict[tuple[str, str], list[Statement]] = {}
    for statement in statements:
        alike.setdefault((statement.rule, statement.sentence), []).append(statement)
    found = []
    of_rule = Counter(rule for rule, _ in alike)
    told_of: Counter[str] = Counter()
    for (rule, sentence), rows in alike.items():
        told_of[rule] += 1
        if told_of[rule] > MOST_OF_A_RULE:
            continue
        more = of_rule[rule] - MOST_OF_A_RULE
        if told_of[rule] == MOST_OF_A_RULE and more > 0:
            sentence += (
                f" {count(more, 'more statement')} of the same rule {agree(more, 'takes', 'take')} "
                f"part."
            )
        whom = _first_of(rows)
        rest = dict.fromkeys(id_ for row in rows for id_ in row.subjects[1:])
        subjects = tuple(dict.fromkeys((*whom, *rest)))
        found.append(
            Conflict(
                rule, subjects, sentence.replace("{who}", named(whom)),
                _way_out(
                    rows, alone, jointly, all_of,
                    [s for s in statements if s.rule == rule and s not in rows], beside,
                ),
            )
        )
    return found


def _first_of(rows: Iterable[Statement]) -> list[str]:
    return list(dict.fromkeys(row.subjects[0] for row in rows if row.subjects))


def _way_out(
    rows: Sequence[Statement],
    alone: Collection[Statement],
    jointly: Collection[Statement],
    all_of: Collection[Statement],
    others: Collection[Statement],
    beside: Callable[[Collection[Statement]], str],
) -> str:
    """What to do about statements that are alike, and maybe about ``others`` of their rule."""
    every = [row for row in rows if row in all_of]
    some = every or [row for row in rows if row in alone or row in jointly]
    way = next((row.remedy for row in some if row.remedy), "")
    if not way:
        return ""
    changed = list(some)
    if others and every:
        changed += others
        way += f"; do the same with the other statements of {rows[0].rule}"
    elif others and not any(row in alone for row in rows):
        changed += others
        way += (
            f"; if that alone is not enough, do the same with other statements of {rows[0].rule}, "
            f"as many as it takes"
        )
    whom = _first_of(some)
    who = named(whom) if len(whom) < 2 or every else f"some of {named(whom)}"
    return way.replace("{who}", who) + beside(changed)
