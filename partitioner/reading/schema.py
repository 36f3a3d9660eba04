"""The problem file, format 1, in people's units: keys, kinds, units, defaults, meaning.

These models are the one source of the file's keys. Reading, JSON Schema, the reference page and
the editor's help all come from them. Numbers stay exact decimals in the unit of their key; the
step to base units is in :mod:`partitioner.reading.build`.
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from partitioner.model.catalogue import Medium, Trust
from partitioner.model.problem import (
    BackboneShape,
    Basis,
    Encapsulation,
    GroupKind,
    Metric,
    QueueOrder,
    ReleaseKind,
    SwitchPosition,
)
from partitioner.reading.cell_numbers import Mark
from partitioner.reading.headings import Holds
from partitioner.reading.kinds import (
    Choice,
    Factor,
    Grades,
    Grams,
    GramsPerMetre,
    Headings,
    LoadShare,
    LongMetres,
    LongMicroseconds,
    LongSeconds,
    Metres,
    Microseconds,
    Money,
    Name,
    Names,
    Number,
    Picofarad,
    Point,
    Share,
    Text,
    UnitLoads,
    Values,
    Whole,
    Yes,
)
from partitioner.units import LARGEST

FORMAT = 1
"""The format this program reads and writes."""
PROPOSE = "propose"
"""What stands in place of switches where candidates are asked for."""

GradeId = Annotated[str, Name("grade")]
PlaceId = Annotated[str, Name("place")]
SwitchId = Annotated[str, Name("switch")]
DeviceId = Annotated[str, Name("device")]
OptionId = Annotated[str, Name("option")]
CableId = Annotated[str, Name("cable")]
PartId = Annotated[str, Name("part")]
Label = Annotated[str, Name("name")]
Coordinates = Annotated[tuple[Decimal, Decimal, Decimal], Point()]
GradeNames = Annotated[tuple[str, ...], Names("grade")]
GradePrices = Annotated[tuple[tuple[str, Decimal | None], ...], Grades()]
EndNames = Annotated[tuple[str, ...], Names("device or switch")]
FileName = Annotated[str, Text(longest=500, shortest=1)]
Sentence = Annotated[str, Text()]
Silenced = Annotated[tuple[str, ...], Names("id", least=0)]
Nanoseconds = Annotated[int, Whole(0, 10_000_000, "ns")]


def key(text: str, default: Any = ..., **more: Any) -> Any:
    """One key of the file: its meaning and its default (none: the key is required)."""
    return Field(default=default, description=text, **more)


class KeyTable(BaseModel):
    """What all mappings of the file share: no unknown keys, no changes after reading."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True
    )


class RoutingTable(KeyTable):
    """How cable lengths follow from positions."""

    metric: Annotated[Metric, Choice(Metric)] = key(
        "Distance of two points where no pathway leads: along the axes or straight.",
        Metric.RECTILINEAR,
    )
    factor: Factor = key("Every such distance is multiplied by this.", Decimal(1))


class PlaceTable(KeyTable):
    """A named point."""

    id: Label = key("Name of the place.")
    position_m: Coordinates = key("Coordinates x, y, z.")


class PathwayTable(KeyTable):
    """A duct, trunking or harness channel between two places."""

    id: Label | None = key("Name of the pathway; default: its two ends joined by a dash.", None)
    from_: PlaceId = key("Place at one end.", alias="from")
    to: PlaceId = key("Place at the other end.")
    length_m: LongMetres | None = key(
        "Length of cable along it; default: distance of the two places by `routing`.", None
    )
    max_cables: Annotated[int, Whole(0, 10_000)] | None = key(
        "Most cables that fit through it (a grommet, a hinge, a slip ring), segments and backbone "
        "links together; default: any number.", None
    )


class PortTable(KeyTable):
    """Ports of a switch that are alike."""

    grades: GradeNames = key("Speed grades each of these ports can serve.")
    count: Annotated[int, Whole(1, 1_000)] = key(
        "How many ports for lines and links to devices; those of backbone links come on top."
    )
    price: Money = key(
        "Price of each port used, besides the port PHY of the catalogue.", Decimal(0)
    )


class SwitchTable(KeyTable):
    """A switch; a zone controller is a switch with a place in a zone."""

    id: SwitchId = key("Name of the switch.")
    place: PlaceId | None = key("Place it stands at; or give `position_m`.", None)
    position_m: Coordinates | None = key("Coordinates x, y, z; or give `place`.", None)
    zone: Label | None = key("Zone it serves; devices may be pinned to the zone.", None)
    required: Yes = key("`false`: a candidate that may be left out.", True)
    price: Money = key("Price of the switch.", Decimal(0))
    mass_g: Grams = key("Mass of the switch.", Decimal(0))
    forwarding_delay_us: Microseconds = key(
        "Longest time from the last bit in to the frame being queued at its egress port.",
        Decimal(10),
    )
    ports: tuple[PortTable, ...] = key(
        "Its ports, numbered 1, 2, … through the list in order.", min_length=1
    )


class ProposeTable(KeyTable):
    """Candidates for switches, where `switches` is the word `propose`.

    They stand where the cable ways to the devices are shortest in sum: at places of the pathways,
    or without pathways where devices are. Which of them are built is for the plan to decide.
    """

    number: Annotated[int, Whole(1, 50)] | None = key(
        "How many candidates; default: one for every 8 devices, at least 2 and at most 8.", None
    )
    price: Money = key("Price of each; the default is invented.", Decimal(30))
    ports: Annotated[int, Whole(1, 1_000)] = key(
        "Ports of each; every port serves all grades that devices have.", 12
    )
    port_price: Money = key("Price of each port used.", Decimal(0))
    central: SwitchId | None = key(
        "Name of one that stands most central and is required, so that streams may start and end "
        "there; default: all are candidates.",
        None,
    )


class BackboneLinkTable(KeyTable):
    """A possible link between two switches."""

    between: Annotated[tuple[str, str], Names("switch", least=2, most=2)] = key("The two switches.")
    grades: GradeNames = key("Grades it may have; one is chosen if the link is built.")
    length_m: LongMetres | None = key(
        "Cable length, whatever slack there is included; default: the shortest cable way.", None
    )
    required: Yes = key("`true`: built in every layout.", False)


class BackboneTable(KeyTable):
    """The links between switches and the shape they must form."""

    shape: Annotated[BackboneShape, Choice(BackboneShape)] = key(
        "`fixed`: all links listed are built; `tree`, `ring`: links are chosen to form that shape "
        "over the open switches; `any`: links are chosen freely.",
        BackboneShape.FIXED,
    )
    load_share: LoadShare = key(
        "Most load a backbone link may carry, of its rate.", Decimal("0.75")
    )
    links: tuple[BackboneLinkTable, ...] = key("The links to choose from.", ())


class DeviceTable(KeyTable):
    """An end node: at a place, with a PHY, sending and receiving streams."""

    id: DeviceId = key("Name of the device.")
    place: PlaceId | None = key("Place it stands at; or give `position_m`.", None)
    position_m: Coordinates | None = key("Coordinates x, y, z; or give `place`.", None)
    grades: GradePrices = key(
        "Speed grades its PHY can have. As a mapping: the price of the PHY for each grade, or "
        "`null` for the catalogue's price."
    )
    unit_loads: UnitLoads = key("Load it puts on a shared line.", Decimal(1))
    option: OptionId | None = key("Equipment option that brings it; default: always fitted.", None)
    switch: SwitchId | None = key("The one switch it must hang on.", None)
    switches: Annotated[tuple[str, ...], Names("switch")] | None = key(
        "The switches it may hang on.", None
    )
    zone: Label | None = key("Zone whose switches it may hang on.", None)
    stub_m: Metres = key("Length of its spur off a shared line.", Decimal(0))
    safety_level: Annotated[int, Whole(0, 100)] | None = key(
        "Safety level; see `sharing.safety_span`. Default: shares with any level.", None
    )
    security_domain: Label | None = key(
        "Security domain; see `sharing.domains`. Default: shares with any domain.", None
    )
    queue: Annotated[QueueOrder, Choice(QueueOrder)] = key(
        "Order in which it sends its own waiting frames.", QueueOrder.FIFO
    )
    function: Label | None = key("What it does; see `failure_rules`.", None)
    mass_g: Grams = key(
        "Mass of the device itself; the same in every layout, it counts in no total.", Decimal(0)
    )
    capacitance_pf: Picofarad | None = key(
        "Capacitance it puts on a shared line; default: the catalogue's figure.", None
    )


class ForecastTable(DeviceTable):
    """A device that may come later."""

    probability: Share = key("Probability that it comes.")


class GroupTable(KeyTable):
    """Devices that must be apart or together."""

    id: Label = key("Name of the group.")
    kind: Annotated[GroupKind, Choice(GroupKind)] = key(
        "`apart-segment`: no two on one segment; `apart-switch`: no two on one switch; "
        "`together`: all on one segment."
    )
    devices: Annotated[tuple[str, ...], Names("device", least=2)] = key("Its devices.")


class StreamTable(KeyTable):
    """Periodic or sporadic traffic from one device to one or several."""

    id: Label = key("Name of the stream.")
    from_: Annotated[str, Name("device or switch")] = key(
        "Device or switch that sends it.", alias="from"
    )
    to: EndNames = key("Devices or switches that receive it.")
    payload_bytes: Annotated[int, Whole(0, 1_500, "bytes")] = key(
        "Payload of a frame, before encapsulation."
    )
    encapsulation: Annotated[Encapsulation, Choice(Encapsulation)] = key(
        "What stands between the Ethernet header and the payload. The two of IEEE 1722 carry one "
        "ACF CAN message: at most 64 bytes.",
        Encapsulation.RAW,
    )
    tagged: Yes = key("Frames carry the 4 bytes of an 802.1Q tag.", True)
    kind: Annotated[ReleaseKind, Choice(ReleaseKind)] = key(
        "`periodic`, or `sporadic`: `period_us` is then the least gap.", ReleaseKind.PERIODIC
    )
    period_us: LongMicroseconds = key("Time between two frames.")
    jitter_us: Microseconds = key("Most by which a release may be late.", Decimal(0))
    deadline_us: LongMicroseconds | None = key(
        "Longest time from release to the last bit at the last receiver; default: the period.", None
    )
    pcp: Annotated[int, Whole(0, 7)] = key(
        "802.1Q priority code point, compared as a number: 7 is most urgent.", 0
    )


class Packing(StrEnum):
    """How bus messages go into Ethernet frames."""

    NONE = "none"
    ACF = "acf"
    DATA = "data"


class MessageTable(KeyTable):
    """A message of a bus. It becomes a stream, alone or with others of its sender."""

    id: Label = key("Name of the message.")
    identifier: Sentence | None = key("Identifier on the bus, as written in the list.", None)
    bus: Label = key("Bus that carries it.", "bus")
    from_: Annotated[str, Name("device or switch")] = key("Who sends it.", alias="from")
    to: Annotated[tuple[str, ...], Names("device or switch", least=0)] = key(
        "Who receives it; a message that nobody receives becomes no stream.", ()
    )
    payload_bytes: Annotated[int, Whole(0, 1_500, "bytes")] = key("Bytes of data.", 8)
    kind: Annotated[ReleaseKind, Choice(ReleaseKind)] = key(
        "`periodic`, or `sporadic` (on change): `period_us` is then the least gap.",
        ReleaseKind.PERIODIC,
    )
    period_us: LongMicroseconds = key("Time between two of them.")
    jitter_us: Microseconds = key("Most by which it may be late.", Decimal(0))
    deadline_us: LongMicroseconds | None = key(
        "Longest time to the last receiver; default: the period.", None
    )
    pcp: Annotated[int, Whole(0, 7)] = key("802.1Q priority code point.", 0)


class SourceTable(KeyTable):
    """A table kept elsewhere: a CSV file, or a sheet of an `.xlsx` workbook."""

    file: FileName = key("The file, in the folder of the problem or below it.")
    sheet: Sentence | None = key("Sheet of the workbook; default: the first that fits.", None)
    holds: Annotated[Holds, Choice(Holds)] = key("What it lists.")
    columns: Annotated[tuple[tuple[str, str], ...], Headings()] = key(
        "Heading of the column that holds each key, as `{id: Part tag, x_m: \"X [mm]\"}`; a unit "
        "in the heading is the unit of its numbers. Without it columns are guessed, and a warning "
        "tells how.",
        (),
    )
    heading_row: Annotated[int, Whole(1, 1_000_000)] | None = key(
        "Number of the row with the headings; default: the row that fits best.", None
    )
    decimal: Annotated[Mark, Choice(Mark)] | None = key(
        "What stands before the fraction of a number; default: as the numbers of each column tell.",
        None,
    )
    fill: Annotated[tuple[tuple[str, Any], ...], Values()] = key(
        "Values for keys that a row does not have, as `{grades: [10BASE-T1S-multidrop]}`.", ()
    )
    packing: Annotated[Packing, Choice(Packing)] = key(
        "Of bus messages: `none`: a frame each, as one ACF CAN message; `acf`: periodic messages "
        "of one sender with the same receivers and period share a frame of several ACF messages; "
        "`data`: they share a frame of their data alone.",
        Packing.NONE,
    )


class SilenceTable(KeyTable):
    """Warnings of likely slips that are meant as they stand, by the name in the warning.

    Each is a list of the ids it is silenced for; `[all]` for every one.
    """

    millimetres: Silenced = key(
        "Positions, or the length of a pathway, that look like millimetres.", ()
    )
    milliseconds: Silenced = key("Periods or deadlines that look like milliseconds.", ())
    far_away: Silenced = key("A device ten times farther out than the others.", ())
    one_point: Silenced = key("Devices whose coordinates are the same.", ())
    no_traffic: Silenced = key("A device that no stream starts or ends at.", ())
    late_deadline: Silenced = key(
        "A stream of small payload with a deadline of more than two periods.", ()
    )
    short_period: Silenced = key("A stream with a period of less than 50 µs.", ())
    heavy_stream: Silenced = key(
        "A stream whose frames ask for more than 2 Mbit/s of a shared line.", ()
    )
    long_stub: Silenced = key("A stub longer than the way to the nearest other device.", ())
    long_jump: Silenced = key("A long way from a device to the pathways.", ())
    free_phy: Silenced = key("A PHY at price 0 beside others with a price.", ())


class TransferTable(KeyTable):
    """A bulk transfer beside the periodic traffic: software update, log."""

    id: Label = key("Name of the transfer.")
    from_: Annotated[str, Name("device or switch")] = key(
        "Device or switch that sends it.", alias="from"
    )
    to: EndNames = key("Devices or switches that receive it.")
    size_bytes: Annotated[int, Whole(1, LARGEST, "bytes")] = key("Bytes to carry.")
    longest_s: LongSeconds | None = key("Longest time it may take; default: no limit.", None)
    frame_payload_bytes: Annotated[int, Whole(1, 1_500, "bytes")] = key(
        "Payload of each of its frames.", 1_400
    )


class ReserveTable(KeyTable):
    """Room left free on every shared line for growth."""

    nodes: Annotated[int, Whole(0, 254)] = key("Nodes.", 0)
    length_m: Metres = key("Cable.", Decimal(0))
    load_share: Share = key("Load, of the rate.", Decimal(0))


class LimitTable(KeyTable):
    """Limits of the segments of one grade."""

    basis: Annotated[Basis, Choice(Basis)] = key(
        "Whose promise the figures rest on. Figures beyond the guaranteed ones of the catalogue "
        "need `engineered`.",
        Basis.GUARANTEED,
    )
    nodes: Annotated[int, Whole(2, 255)] | None = key(
        "Most nodes of a line, the switch port counted; default: the guaranteed number.", None
    )
    length_m: LongMetres | None = key("Longest line or link; default: the guaranteed length.", None)
    stub_m: Metres | None = key("Longest stub; default: the guaranteed length.", None)
    load_share: LoadShare = key("Most load of a segment, of its rate.", Decimal("0.75"))
    unit_loads: UnitLoads | None = key("Most unit loads of a line; default: no limit.", None)
    spacing_m: Metres = key("Least distance of two neighbours on a line.", Decimal(0))
    reserve: ReserveTable = key("Room left free for growth.", ReserveTable())


class LineTable(KeyTable):
    """How shared lines are built."""

    switch_position: Annotated[SwitchPosition, Choice(SwitchPosition)] = key(
        "Where the switch may sit on a line.", SwitchPosition.END
    )
    drop_slack_m: Metres = key("Cable added at each drop; the device of a link is one.", Decimal(0))
    end_slack_m: Metres = key(
        "Cable added at each end of a line, and of a link to a device; not of a backbone link.",
        Decimal(0),
    )
    option_tail: Yes = key(
        "Option devices only beyond the last device of their arm that is always fitted, or on a "
        "line of their own.",
        False,
    )


class PlcaTable(KeyTable):
    """PLCA settings of every shared line; times in bit times of 100 ns."""

    to_timer_bt: Annotated[int, Whole(1, 255, "BT")] = key("Transmit opportunity timer.", 32)
    burst_count: Annotated[int, Whole(0, 255)] = key(
        "Frames a node may send after the first one in its transmit opportunity.", 0
    )
    burst_timer_bt: Annotated[int, Whole(0, 255, "BT")] = key(
        "How long a node may hold the line between the frames of a burst.", 128
    )
    logical_collision: Yes = key(
        "Count the one logical collision a plain half-duplex MAC can suffer.", True
    )


class ShopTable(KeyTable):
    """What the harness shop works with."""

    batch: Annotated[int, Whole(1, 1_000_000)] | None = key(
        "Units ordered together, for the order list; `--units` takes another number.", None
    )
    cut_step_m: Metres = key(
        "Cable is cut to whole steps of this, rounded up; 0: to the length needed.",
        Decimal("0.005"),
    )


class SharingTable(KeyTable):
    """Who may share a line, since every node hears everything on it."""

    domains: tuple[Annotated[tuple[str, ...], Names("security domain", least=2)], ...] = key(
        "Sets of security domains that may mix.", ()
    )
    safety_span: Annotated[int, Whole(0, 100)] | None = key(
        "Largest difference of safety levels on one line; default: any.", None
    )


class OptionTable(KeyTable):
    """An equipment option."""

    id: OptionId = key("Name of the option.")
    take_rate: Share = key("Share of units built with it.")
    name: Sentence = key("Its name in reports; default: its id.", "")


class BuildTable(KeyTable):
    """An allowed combination of options."""

    id: Label = key("Name of the build.")
    options: Annotated[tuple[str, ...], Names("option", least=0)] = key("Options it has.")
    share: Share = key("Share of units built this way.")


class FailureRuleTable(KeyTable):
    """A loss that no single failure may cause."""

    id: Label = key("Name of the rule.")
    group: Annotated[str, Name("group")] | None = key("Group of devices; or give `function`.", None)
    function: Label | None = key("Function of devices; or give `group`.", None)
    most_lost: Annotated[int, Whole(1, 1_000_000)] = key(
        "Most of these devices that one failure may take down."
    )


class ChangePriceTable(KeyTable):
    """What it costs to change an ordered layout; used by a rerun only."""

    device_segment: Money = key("A device moves to another segment.", Decimal(0))
    device_order: Money = key("A device changes its rank on its line.", Decimal(0))
    port: Money = key("A segment moves to another port.", Decimal(0))
    plca_id: Money = key("A device gets another PLCA ID.", Decimal(0))
    new_line: Money = key("A line that was not there before.", Decimal(0))
    cut_length: Money = key("A piece of cable gets another length.", Decimal(0))


class ObjectiveTable(KeyTable):
    """Weights of the aims; money counts with weight 1."""

    mass_price_per_kg: Money = key("What a kilogram is worth.", Decimal(0))
    latency_price_per_ms: Money = key(
        "What a millisecond of delay is worth, summed over the legs of all streams on segments: "
        "the priced delay, which counts one waiting frame of each stream there.",
        Decimal(0),
    )


class GradeEntry(KeyTable):
    """A speed grade; keys left out keep the shipped figure.

    A new grade needs all of them, except a link `nodes` and `stub_m`, and in full duplex the loop
    delays.
    """

    medium: Annotated[Medium, Choice(Medium)] | None = key("Shared line or link.", None)
    rate_mbps: Annotated[Decimal, Number("Mbit/s", 1_000_000, above=True)] | None = key(
        "Line rate.", None
    )
    full_duplex: Yes | None = key("Both directions at once.", None)
    length_m: LongMetres | None = key("Guaranteed length.", None)
    nodes: Annotated[int, Whole(2, 255)] | None = key(
        "Guaranteed nodes, the switch port counted; 2 for a link.", None
    )
    stub_m: Metres | None = key("Guaranteed stub; 0 for a link.", None)
    phy_tx_ns: Nanoseconds | None = key("Longest delay from the MAC interface to the wire.", None)
    phy_rx_ns: Nanoseconds | None = key("Longest delay from the wire to the MAC interface.", None)
    loop_delay_min_ns: Nanoseconds | None = key(
        "Shortest time from the end of a frame until its sender sees the line free.", None
    )
    loop_delay_max_ns: Nanoseconds | None = key(
        "Longest time from the end of a frame until every node sees the line free.", None
    )
    cable: CableId | None = key("Its cable, an id of `cables`.", None)
    device_phy: PartId | None = key("PHY of a device, an id of `parts`.", None)
    port_phy: PartId | None = key("PHY of a switch port, an id of `parts`.", None)
    connector: PartId | None = key("Connector, an id of `parts`.", None)
    terminator: PartId | None = key("Terminator, an id of `parts`; none for a link.", None)
    junction: PartId | None = key(
        "Junction of two pieces of a line and a stub, an id of `parts`; none for a link.", None
    )
    source: Sentence | None = key("Where the figures come from.", None)
    trust: Annotated[Trust, Choice(Trust)] | None = key("How far they can be trusted.", None)


class AttenuationTable(KeyTable):
    """One point of a cable's attenuation."""

    mhz: Annotated[Decimal, Number("MHz", 1_000_000, above=True)] = key("Frequency.")
    db_per_m: Annotated[Decimal, Number("dB/m", 1_000_000)] = key("Attenuation.")


class CableEntry(KeyTable):
    """A cable; keys left out keep the shipped figure. A new cable needs all but the last."""

    price_per_m: Money | None = key("Price of a metre.", None)
    mass_g_per_m: GramsPerMetre | None = key("Mass of a metre.", None)
    propagation_ns_per_m: Annotated[Decimal, Number("ns/m", 1_000, above=True)] | None = key(
        "Delay of a metre.", None
    )
    attenuation: tuple[AttenuationTable, ...] | None = key(
        "Attenuation by frequency, for the electrical estimate.", None
    )
    source: Sentence | None = key("Where the figures come from.", None)
    trust: Annotated[Trust, Choice(Trust)] | None = key("How far they can be trusted.", None)


class PartEntry(KeyTable):
    """A part; keys left out keep the shipped figure. A new part needs price and mass."""

    price: Money | None = key("Price.", None)
    mass_g: Grams | None = key("Mass.", None)
    source: Sentence | None = key("Where the figures come from.", None)
    trust: Annotated[Trust, Choice(Trust)] | None = key("How far they can be trusted.", None)


class LossTable(KeyTable):
    """One point of a limit of insertion loss."""

    mhz: Annotated[Decimal, Number("MHz", 1_000_000, above=True)] = key("Frequency.")
    db: Annotated[Decimal, Number("dB", 1_000_000)] = key("Most insertion loss.")


class LimitCurveEntry(KeyTable):
    """Electrical limits of the lines of a grade, for the electrical estimate."""

    points: tuple[LossTable, ...] | None = key("Insertion loss, straight between points.", None)
    node_capacitance_pf: Picofarad | None = key("Most capacitance of a node.", None)
    total_capacitance_pf: Picofarad | None = key("Most capacitance of all nodes of a line.", None)
    source: Sentence | None = key("Where the figures come from.", None)
    trust: Annotated[Trust, Choice(Trust)] | None = key("How far they can be trusted.", None)


class CatalogueTable(KeyTable):
    """What can be bought; entries add to the shipped ones or change them key by key."""

    grades: dict[str, GradeEntry] = key("Speed grades by id.", {})
    cables: dict[str, CableEntry] = key("Cables by id.", {})
    parts: dict[str, PartEntry] = key("PHYs, ports, connectors, terminators, junctions by id.", {})
    limit_curves: dict[str, LimitCurveEntry] = key("Electrical limits by grade id.", {})


class ProblemTable(KeyTable):
    """A problem: what has to be connected, by what rules, at what prices."""

    format: Annotated[int, Whole(1, 1_000_000)] = key(
        "Format of the file; the one described here is 1."
    )
    name: Annotated[str, Text(longest=200, shortest=1)] = key("Name of the problem.")
    currency: Annotated[str, Text(longest=10, shortest=1)] = key("Currency of all prices.", "EUR")
    note: Sentence = key("Anything a reader of the report should know.", "")
    routing: RoutingTable = key("How cable lengths follow from positions.", RoutingTable())
    places: tuple[PlaceTable, ...] = key("Named points.", ())
    pathways: tuple[PathwayTable, ...] = key(
        "Ducts, trunking, harness channels. Without any, cables take the distance by `routing`.", ()
    )
    switches: tuple[SwitchTable, ...] = key("Switches and candidates.", min_length=1)
    propose: ProposeTable = key(
        "Candidates in place of a list, where `switches` is the word `propose`.", ProposeTable()
    )
    backbone: BackboneTable = key("Links between the switches.", BackboneTable())
    devices: tuple[DeviceTable, ...] = key("Devices; they may also stand in `devices_csv`.", ())
    devices_csv: FileName | None = key(
        "CSV file with devices, in the folder of this file or below it.", None
    )
    tables: tuple[SourceTable, ...] = key(
        "Tables with devices, streams, places, pathways or bus messages, as people keep them.", ()
    )
    groups: tuple[GroupTable, ...] = key("Devices apart or together.", ())
    streams: tuple[StreamTable, ...] = key("Streams; they may also stand in `streams_csv`.", ())
    streams_csv: FileName | None = key(
        "CSV file with streams, in the folder of this file or below it.", None
    )
    transfers: tuple[TransferTable, ...] = key("Bulk transfers.", ())
    limits: dict[str, LimitTable] = key(
        "Limits of segments by grade; default: what the standard guarantees.", {}
    )
    line: LineTable = key("How shared lines are built.", LineTable())
    plca: PlcaTable = key("PLCA settings.", PlcaTable())
    shop: ShopTable = key("What the harness shop works with.", ShopTable())
    sharing: SharingTable = key("Who may share a line.", SharingTable())
    options: tuple[OptionTable, ...] = key("Equipment options.", ())
    builds: tuple[BuildTable, ...] = key(
        "Allowed combinations of options; default: options are independent of each other.", ()
    )
    forecast: tuple[ForecastTable, ...] = key("Devices that may come later.", ())
    failure_rules: tuple[FailureRuleTable, ...] = key("Losses no single failure may cause.", ())
    change_prices: ChangePriceTable = key("Prices of changes, for a rerun.", ChangePriceTable())
    objective: ObjectiveTable = key("Weights of the aims.", ObjectiveTable())
    silence: SilenceTable = key("Warnings that are not wanted.", SilenceTable())
    catalogue: CatalogueTable = key("Changes to the shipped catalogue.", CatalogueTable())
