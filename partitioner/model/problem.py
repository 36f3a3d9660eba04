"""The problem: what has to be connected, by what rules, at what prices. Data only.

Every quantity is an integer in the base unit its name ends with (see :mod:`partitioner.units`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import accumulate
from math import isqrt

from partitioner.model.catalogue import Catalogue
from partitioner.units import PPM, ceil_div


class Metric(StrEnum):
    """How distance is measured where no pathways are given."""

    STRAIGHT = "straight"
    RECTILINEAR = "rectilinear"


class SwitchPosition(StrEnum):
    """Where the switch may sit on a shared line."""

    END = "end"
    ANYWHERE = "anywhere"


class Basis(StrEnum):
    """Whose promise the segment limits rest on."""

    GUARANTEED = "guaranteed"
    """What the standard promises for any compliant part."""
    ENGINEERED = "engineered"
    """What the user has qualified for their own parts and environment."""


class GroupKind(StrEnum):
    """What a group of devices asks for."""

    APART_SEGMENT = "apart-segment"
    """No two of them on one segment."""
    APART_SWITCH = "apart-switch"
    """No two of them on one switch."""
    TOGETHER = "together"
    """All of them on one segment."""


class QueueOrder(StrEnum):
    """In which order a node sends its own waiting frames."""

    FIFO = "fifo"
    PCP = "pcp"


class Encapsulation(StrEnum):
    """What stands between the Ethernet header and the payload."""

    RAW = "raw"
    UDP_IPV4 = "udp-ipv4"
    UDP_IPV6 = "udp-ipv6"
    IEEE1722_NTSCF = "ieee1722-ntscf"
    """IEEE 1722 non-time-synchronous control format carrying one ACF CAN message."""
    IEEE1722_TSCF = "ieee1722-tscf"
    """IEEE 1722 time-synchronous control format carrying one ACF CAN message."""


class ReleaseKind(StrEnum):
    """How a stream's frames are released."""

    PERIODIC = "periodic"
    SPORADIC = "sporadic"
    """``period_ns`` is then the least gap between releases."""


class BackboneShape(StrEnum):
    """Which shape the links between the switches must form."""

    FIXED = "fixed"
    """All links listed are built."""
    TREE = "tree"
    """A tree over the open switches, chosen among the links listed."""
    RING = "ring"
    """A ring over the open switches, chosen among the links listed."""
    ANY = "any"
    """No shape: any of the links listed, as far as streams and rules on failures need them."""

    @property
    def joins_all(self) -> bool:
        """Whether the links built must join all open switches."""
        return self in (BackboneShape.TREE, BackboneShape.RING)


@dataclass(frozen=True, slots=True)
class Place:
    """A named point, in micrometres."""

    id: str
    position_um: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Pathway:
    """A duct, trunking or harness channel between two places.

    ``max_cables`` is the most segments and backbone links that fit through it (a grommet, a hinge),
    None if unlimited.
    """

    id: str
    ends: tuple[str, str]
    length_um: int
    max_cables: int | None = None


@dataclass(frozen=True, slots=True)
class Routing:
    """How cable lengths follow from positions.

    Without pathways the distance is ``metric`` times ``factor_ppm``. With pathways the shortest
    way along them counts; a device or switch given by coordinates reaches the nearest place by
    ``metric`` times ``factor_ppm``.
    """

    metric: Metric = Metric.RECTILINEAR
    factor_ppm: int = 1_000_000

    def distance_um(self, a: Sequence[int], b: Sequence[int]) -> int:
        """Distance of two points where no pathway leads, rounded up."""
        gaps = [abs(p - q) for p, q in zip(a, b, strict=True)]
        if self.metric is Metric.RECTILINEAR:
            return ceil_div(sum(gaps) * self.factor_ppm, PPM)
        # Exact integer square root, rounded up: straight lines must never come out too short.
        scaled = sum(g * g for g in gaps) * self.factor_ppm * self.factor_ppm
        root = isqrt(scaled)
        return ceil_div(root + (root * root < scaled), PPM)


@dataclass(frozen=True, slots=True)
class PortGroup:
    """Ports of a switch that are alike: each serves one of ``grades``.

    ``price_money`` is paid for each port used, besides the catalogue's port PHY of the grade.
    """

    grades: tuple[str, ...]
    count: int
    price_money: int = 0


@dataclass(frozen=True, slots=True)
class Switch:
    """A zone controller. Ports are numbered 1, 2, … through ``port_groups`` in order.

    ``place`` is a place's id; ``position_um`` is used when ``place`` is None.
    A switch that is not ``required`` is a candidate and may stay closed.
    """

    id: str
    place: str | None
    position_um: tuple[int, int, int] | None
    port_groups: tuple[PortGroup, ...]
    price_money: int
    mass_mg: int
    required: bool
    forwarding_delay_ns: int
    zone: str | None = None

    @property
    def port_count(self) -> int:
        """All ports of the switch."""
        return sum(g.count for g in self.port_groups)

    @property
    def ports(self) -> dict[int, PortGroup]:
        """The group of each port, by the number of the port."""
        return dict(enumerate((g for g in self.port_groups for _ in range(g.count)), 1))

    def group_of_port(self, port: int) -> int | None:
        """Index of the group of a port; None where there is no port of that number."""
        lasts = accumulate(g.count for g in self.port_groups)
        return next((i for i, last in enumerate(lasts) if 1 <= port <= last), None)


@dataclass(frozen=True, slots=True)
class BackboneLink:
    """A possible link between two switches; one of ``grades`` is chosen if it is built.

    ``length_um`` None: the shortest cable way. ``required``: built in every layout.
    """

    ends: tuple[str, str]
    grades: tuple[str, ...]
    length_um: int | None = None
    required: bool = False


@dataclass(frozen=True, slots=True)
class Backbone:
    """The links between switches and the shape they must form.

    Backbone links end at ports of their own, not at the ports of ``Switch.port_groups``; each end
    costs the port PHY of the grade. ``load_share_ppm`` is the most load a link may carry.
    """

    shape: BackboneShape = BackboneShape.FIXED
    links: tuple[BackboneLink, ...] = ()
    load_share_ppm: int = 750_000


@dataclass(frozen=True, slots=True)
class GradeChoice:
    """A grade a device's PHY can have; ``phy_price_money`` None: the catalogue's price."""

    grade: str
    phy_price_money: int | None = None


@dataclass(frozen=True, slots=True)
class Device:
    """An end node.

    ``pinned_switches``: the switches it may hang on (None: any). ``option``: the equipment option
    that brings it (None: always fitted). ``stub_um``: the spur between line and device.
    ``function`` names what it does for rules about failures.
    """

    id: str
    place: str | None
    position_um: tuple[int, int, int] | None
    grades: tuple[GradeChoice, ...]
    unit_load_mul: int = 1_000
    option: str | None = None
    pinned_switches: tuple[str, ...] | None = None
    stub_um: int = 0
    safety_level: int | None = None
    security_domain: str | None = None
    queue: QueueOrder = QueueOrder.FIFO
    function: str | None = None
    mass_mg: int = 0
    capacitance_pf: float | None = None

    def phy_price_money(self, grade: str) -> int | None:
        """Price of its PHY of a grade, where it has one of its own."""
        return next((c.phy_price_money for c in self.grades if c.grade == grade), None)


@dataclass(frozen=True, slots=True)
class Group:
    """Devices that must be apart or together."""

    id: str
    kind: GroupKind
    devices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stream:
    """Traffic from one device to one or several.

    ``source`` or a destination may also be a switch (its own processor): it then starts or ends
    at that switch and crosses no segment there. ``jitter_ns`` is the most by which a release may
    be late against its period. ``deadline_ns`` counts from release to the last bit received by
    the last destination. ``pcp`` is the 802.1Q priority code point 0..7.
    """

    id: str
    source: str
    destinations: tuple[str, ...]
    payload_bytes: int
    encapsulation: Encapsulation
    tagged: bool
    kind: ReleaseKind
    period_ns: int
    jitter_ns: int
    deadline_ns: int
    pcp: int


@dataclass(frozen=True, slots=True)
class Transfer:
    """A bulk transfer beside the periodic traffic: bytes and the longest time it may take."""

    id: str
    source: str
    destinations: tuple[str, ...]
    size_bytes: int
    longest_ns: int | None
    frame_payload_bytes: int = 1_400


@dataclass(frozen=True, slots=True)
class Reserve:
    """Room left free on every shared line for growth."""

    nodes: int = 0
    length_um: int = 0
    load_share_ppm: int = 0


@dataclass(frozen=True, slots=True)
class SegmentLimits:
    """Limits of the segments of one grade.

    ``nodes`` counts the switch port. ``unit_loads_mul`` None: no such limit.
    """

    basis: Basis
    nodes: int
    length_um: int
    stub_um: int
    load_share_ppm: int
    unit_loads_mul: int | None = None
    spacing_min_um: int = 0
    reserve: Reserve = field(default_factory=Reserve)


@dataclass(frozen=True, slots=True)
class LineRules:
    """How shared lines are built. Slack is cable added at each drop and at each end of a line."""

    switch_position: SwitchPosition = SwitchPosition.END
    drop_slack_um: int = 0
    end_slack_um: int = 0
    option_tail: bool = False
    """Option devices only beyond the last always-fitted device of their arm, or on a line alone."""


@dataclass(frozen=True, slots=True)
class PlcaRules:
    """PLCA settings used on every shared line; times in bit times (BT)."""

    to_timer_bt: int = 32
    burst_count: int = 0
    burst_timer_bt: int = 128
    logical_collision: bool = True
    """Count the one logical collision a plain half-duplex MAC can suffer."""


@dataclass(frozen=True, slots=True)
class Shop:
    """What the harness shop works with.

    ``batch`` is how many units are ordered together (None: not stated). Cable is cut to whole
    steps of ``cut_step_um``, never below what is needed; 0: to the length needed.
    """

    batch: int | None = None
    cut_step_um: int = 5_000

    def cut_um(self, length_um: int) -> int:
        """Length to cut for a length that is needed.

        Examples
        --------
        >>> Shop().cut_um(1_684_344), Shop(cut_step_um=0).cut_um(1_684_344)
        (1685000, 1684344)
        """
        step = self.cut_step_um
        return ceil_div(length_um, step) * step if step else length_um


@dataclass(frozen=True, slots=True)
class Sharing:
    """Who may share a line, since every node hears everything on it.

    ``domains``: sets of security domains that may mix (a domain always mixes with itself; a
    device without a domain mixes with all). ``safety_span``: largest difference of safety levels
    on one line, None: any.
    """

    domains: tuple[frozenset[str], ...] = ()
    safety_span: int | None = None


@dataclass(frozen=True, slots=True)
class Option:
    """An equipment option and the share of units built with it."""

    id: str
    take_rate_ppm: int
    name: str = ""


@dataclass(frozen=True, slots=True)
class Build:
    """An allowed combination of options and the share of units built that way."""

    id: str
    options: frozenset[str]
    share_ppm: int


@dataclass(frozen=True, slots=True)
class Forecast:
    """A device that may come later, with its probability."""

    device: Device
    probability_ppm: int


@dataclass(frozen=True, slots=True)
class FailureRule:
    """A loss that no single failure may cause.

    ``group``: not all members of that group at once; or ``function``: at most ``most_lost``
    devices of it.
    """

    id: str
    group: str | None
    function: str | None
    most_lost: int


@dataclass(frozen=True, slots=True)
class ChangePrices:
    """What it costs to change an ordered layout, per item, in money steps."""

    device_segment_money: int = 0
    device_order_money: int = 0
    port_money: int = 0
    plca_id_money: int = 0
    new_line_money: int = 0
    cut_length_money: int = 0


@dataclass(frozen=True, slots=True)
class Objective:
    """Weights of the aims. Cost in money counts with weight 1.

    ``mass_price_per_kg_money``: money steps a kilogram is worth. ``latency_price_per_ms_money``:
    money steps per millisecond of priced delay, summed over all stream legs on segments.
    """

    mass_price_per_kg_money: int = 0
    latency_price_per_ms_money: int = 0


@dataclass(frozen=True, slots=True)
class Problem:
    """A whole problem. Dictionaries keep the order of the file and are keyed by id."""

    name: str
    currency: str
    note: str
    places: dict[str, Place]
    pathways: tuple[Pathway, ...]
    routing: Routing
    switches: dict[str, Switch]
    backbone: Backbone
    devices: dict[str, Device]
    groups: tuple[Group, ...]
    streams: dict[str, Stream]
    transfers: dict[str, Transfer]
    limits: dict[str, SegmentLimits]
    """By grade; every grade that a device and a port share has an entry."""
    line: LineRules
    plca: PlcaRules
    sharing: Sharing
    options: dict[str, Option]
    builds: tuple[Build, ...]
    """Empty: options are independent."""
    forecast: tuple[Forecast, ...]
    failure_rules: tuple[FailureRule, ...]
    change_prices: ChangePrices
    objective: Objective
    catalogue: Catalogue
    shop: Shop = field(default_factory=Shop)
    warnings: tuple[str, ...] = ()
    """What the reader noticed and every report must say."""
    digest: str = ""
    """Hex digest of all files the problem was read from."""

    @property
    def delivery_count(self) -> int:
        """Streams counted once for each of their destinations."""
        return sum(len(s.destinations) for s in self.streams.values())

    @property
    def served_grades(self) -> frozenset[str]:
        """Grades that any switch has a port for."""
        return frozenset(
            grade for s in self.switches.values() for g in s.port_groups for grade in g.grades
        )

    def position_um(self, item: Device | Switch) -> tuple[int, int, int]:
        """Where a device or switch stands: its own position, or that of its place."""
        at = item.position_um if item.place is None else self.places[item.place].position_um
        assert at is not None
        return at

    def without_reserve(self) -> Problem:
        """The same with the reserve of every segment given free to be used now."""
        free = {grade: replace(one, reserve=Reserve()) for grade, one in self.limits.items()}
        return replace(self, limits=free)

    def watched(self, rule: FailureRule) -> tuple[str, ...]:
        """Devices that a failure rule is about: those of its group, or of its function."""
        if rule.group is not None:
            return next(g.devices for g in self.groups if g.id == rule.group)
        return tuple(d.id for d in self.devices.values() if d.function == rule.function)

    def reach_um(self, grade: str) -> int:
        """Longest cable of a grade: the stated limit, else what the grade is guaranteed for."""
        limits = self.limits.get(grade)
        if limits is not None:
            return limits.length_um
        return self.catalogue.grades[grade].guaranteed_length_um

    def backbone_port(self, switch: str, other: str) -> int | None:
        """Port of a switch that a backbone link to another one ends at; None for no such link.

        Backbone ports are numbered on from the last port for devices, one for each link that the
        problem lists there, so that none gets another number when other links are built.
        """
        partners = [
            link.ends[link.ends[0] == switch] for link in self.backbone.links if switch in link.ends
        ]
        if switch not in self.switches or other not in partners:
            return None
        return self.switches[switch].port_count + 1 + partners.index(other)

    def fitted_share_ppm(self, devices: Iterable[str]) -> int:
        """Share of units (ppm, rounded up) in which at least one of ``devices`` is fitted.

        A device without an option is fitted in every unit. With stated builds their shares are
        summed; else options are independent of each other. No devices: 0.
        """
        wanted: set[str] = set()
        for device in devices:
            option = self.devices[device].option
            if option is None:
                return PPM
            wanted.add(option)
        if self.builds:
            return sum(b.share_ppm for b in self.builds if b.options & wanted)
        without, scale = 1, 1
        for option in wanted:
            without *= PPM - self.options[option].take_rate_ppm
            scale *= PPM
        return ceil_div((scale - without) * PPM, scale)
