"""A right file becomes the problem that was meant, with every default and every unit."""

from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.application.reading import read_problem
from partitioner.errors import WrongFile
from partitioner.model.catalogue import Medium, Trust
from partitioner.model.problem import (
    BackboneShape,
    Basis,
    Encapsulation,
    GradeChoice,
    GroupKind,
    Metric,
    PortGroup,
    QueueOrder,
    ReleaseKind,
    Reserve,
    SwitchPosition,
)
from partitioner.reading.yaml_text import dump, load

FULL = """\
format: 1
name: full
currency: CHF
note: Invented.
routing: {metric: straight, factor: 1.25}
places:
  - {id: a, position_m: [0, 0, 0.5]}
  - {id: b, position_m: [3, 4, 0.5]}
  - {id: c, position_m: [3, 4, 2.5]}
pathways:
  - {id: w1, from: a, to: b, length_m: 5.25, max_cables: 6}
  - {from: b, to: c}
switches:
  - id: s1
    place: a
    zone: front
    price: 40.5
    mass_g: 250.5
    forwarding_delay_us: 5.5
    ports:
      - {grades: [10BASE-T1S-multidrop, 10BASE-T1S-link], count: 4, price: 0.25}
      - {grades: [100BASE-T1], count: 2}
  - id: s2
    position_m: [-1, 0.000001, 0]
    required: false
    ports: [{grades: [10BASE-T1S-multidrop], count: 1}]
backbone:
  shape: tree
  load_share: 0.5
  links: [{between: [s1, s2], grades: [1000BASE-T1, 100BASE-T1], length_m: 4, required: true}]
devices:
  - id: d1
    place: c
    grades: {10BASE-T1S-multidrop: 1.25, 10BASE-T1S-link: null}
    unit_loads: 1.5
    option: winter
    switches: [s1, s2]
    stub_m: 0.05
    safety_level: 2
    security_domain: body
    queue: pcp
    function: light
    mass_g: 30
    capacitance_pf: 12.5
  - {id: d2, place: b, grades: [10BASE-T1S-multidrop], zone: front, security_domain: comfort}
  - {id: d3, place: b, grades: [100BASE-T1], switch: s1, function: light}
groups:
  - {id: g, kind: apart-switch, devices: [d1, d2]}
streams:
  - {id: t1, from: d1, to: [s1, d2], payload_bytes: 8, encapsulation: udp-ipv6, tagged: false,
     kind: sporadic, period_us: 1000.5, jitter_us: 0.001, deadline_us: 900, pcp: 7}
  - {id: t2, from: s1, to: [d1], payload_bytes: 0, period_us: 1}
transfers:
  - {id: u, from: s1, to: [d1], size_bytes: 200000, longest_s: 30.5, frame_payload_bytes: 1000}
limits:
  10BASE-T1S-multidrop:
    {basis: engineered, nodes: 12, length_m: 40, stub_m: 0.3, load_share: 0.6, unit_loads: 16,
     spacing_m: 0.5, reserve: {nodes: 1, length_m: 2, load_share: 0.05}}
line: {switch_position: anywhere, drop_slack_m: 0.1, end_slack_m: 0.2, option_tail: true}
plca: {to_timer_bt: 40, burst_count: 2, burst_timer_bt: 200, logical_collision: false}
sharing: {domains: [[body, comfort]], safety_span: 1}
options: [{id: winter, take_rate: 0.3, name: Winter kit}]
builds: [{id: base, options: [], share: 0.7}, {id: all, options: [winter], share: 0.3}]
forecast: [{id: f, probability: 0.4, place: a, grades: [10BASE-T1S-multidrop]}]
failure_rules: [{id: r1, group: g, most_lost: 1}, {id: r2, function: light, most_lost: 1}]
change_prices: {device_segment: 3, device_order: 1, port: 2, plca_id: 0.5, new_line: 10,
                cut_length: 0.2}
silence: {short_period: [t2]}
objective: {mass_price_per_kg: 1.5, latency_price_per_ms: 0.25}
catalogue:
  cables: {pair-10: {price_per_m: 0.85}}
  parts: {my-phy: {price: 2, mass_g: 0.5, source: own list}}
  grades: {10BASE-T1S-multidrop: {device_phy: my-phy}}
"""


def test_every_key_arrives_in_base_units(read) -> None:
    problem, findings = read(FULL)
    assert findings == []
    p = problem
    assert (p.name, p.currency, p.note) == ("full", "CHF", "Invented.")
    assert (p.routing.metric, p.routing.factor_ppm) == (Metric.STRAIGHT, 1_250_000)
    assert p.places["b"].position_um == (3_000_000, 4_000_000, 500_000)
    first, second = p.pathways
    assert (first.id, first.ends, first.length_um, first.max_cables) == (
        "w1",
        ("a", "b"),
        5_250_000,
        6,
    )
    assert (second.id, second.length_um, second.max_cables) == ("b-c", 2_500_000, None)
    s1, s2 = p.switches.values()
    assert s1.port_groups == (
        PortGroup(("10BASE-T1S-multidrop", "10BASE-T1S-link"), 4, 2_500),
        PortGroup(("100BASE-T1",), 2, 0),
    )
    assert (s1.place, s1.position_um, s1.price_money, s1.mass_mg) == ("a", None, 405_000, 250_500)
    assert (s1.required, s1.forwarding_delay_ns, s1.zone) == (True, 5_500, "front")
    assert (s2.place, s2.position_um, s2.required) == (None, (-1_000_000, 1, 0), False)
    assert s2.forwarding_delay_ns == 10_000
    assert (p.backbone.shape, p.backbone.load_share_ppm) == (BackboneShape.TREE, 500_000)
    (link,) = p.backbone.links
    assert (link.ends, link.grades) == (("s1", "s2"), ("1000BASE-T1", "100BASE-T1"))
    assert (link.length_um, link.required) == (4_000_000, True)
    d1, d2, d3 = p.devices.values()
    assert d1.grades == (
        GradeChoice("10BASE-T1S-multidrop", 12_500),
        GradeChoice("10BASE-T1S-link", None),
    )
    assert (d1.unit_load_mul, d1.option, d1.pinned_switches) == (1_500, "winter", ("s1", "s2"))
    assert (d1.stub_um, d1.safety_level, d1.security_domain) == (50_000, 2, "body")
    assert (d1.queue, d1.function, d1.mass_mg) == (QueueOrder.PCP, "light", 30_000)
    assert d1.capacitance_pf == 12.5
    assert (d2.pinned_switches, d3.pinned_switches) == (("s1",), ("s1",))
    assert (d2.unit_load_mul, d2.queue, d2.safety_level) == (1_000, QueueOrder.FIFO, None)
    assert [(g.id, g.kind, g.devices) for g in p.groups] == [
        ("g", GroupKind.APART_SWITCH, ("d1", "d2"))
    ]
    t1, t2 = p.streams.values()
    assert (t1.source, t1.destinations, t1.payload_bytes) == ("d1", ("s1", "d2"), 8)
    assert (t1.encapsulation, t1.tagged, t1.kind) == (
        Encapsulation.UDP_IPV6,
        False,
        ReleaseKind.SPORADIC,
    )
    assert (t1.period_ns, t1.jitter_ns, t1.deadline_ns, t1.pcp) == (1_000_500, 1, 900_000, 7)
    assert (t2.encapsulation, t2.tagged, t2.kind) == (
        Encapsulation.RAW,
        True,
        ReleaseKind.PERIODIC,
    )
    assert (t2.period_ns, t2.jitter_ns, t2.deadline_ns, t2.pcp) == (1_000, 0, 1_000, 0)
    u = p.transfers["u"]
    assert (u.source, u.destinations, u.size_bytes) == ("s1", ("d1",), 200_000)
    assert (u.longest_ns, u.frame_payload_bytes) == (30_500_000_000, 1_000)
    limits = p.limits["10BASE-T1S-multidrop"]
    assert (limits.basis, limits.nodes, limits.length_um) == (Basis.ENGINEERED, 12, 40_000_000)
    assert (limits.stub_um, limits.load_share_ppm, limits.unit_loads_mul) == (
        300_000,
        600_000,
        16_000,
    )
    assert (limits.spacing_min_um, limits.reserve) == (500_000, Reserve(1, 2_000_000, 50_000))
    assert (p.line.switch_position, p.line.option_tail) == (SwitchPosition.ANYWHERE, True)
    assert (p.line.drop_slack_um, p.line.end_slack_um) == (100_000, 200_000)
    assert (p.plca.to_timer_bt, p.plca.burst_count, p.plca.burst_timer_bt) == (40, 2, 200)
    assert p.plca.logical_collision is False
    assert (p.sharing.domains, p.sharing.safety_span) == ((frozenset({"body", "comfort"}),), 1)
    assert (p.options["winter"].take_rate_ppm, p.options["winter"].name) == (300_000, "Winter kit")
    assert [(b.id, b.options, b.share_ppm) for b in p.builds] == [
        ("base", frozenset(), 700_000),
        ("all", frozenset({"winter"}), 300_000),
    ]
    assert [(f.device.id, f.probability_ppm) for f in p.forecast] == [("f", 400_000)]
    assert [(r.id, r.group, r.function, r.most_lost) for r in p.failure_rules] == [
        ("r1", "g", None, 1),
        ("r2", None, "light", 1),
    ]
    c = p.change_prices
    assert (c.device_segment_money, c.device_order_money, c.port_money) == (30_000, 10_000, 20_000)
    assert (c.plca_id_money, c.new_line_money, c.cut_length_money) == (5_000, 100_000, 2_000)
    assert p.objective.mass_price_per_kg_money == 15_000
    assert p.objective.latency_price_per_ms_money == 2_500
    assert p.warnings == ()
    assert len(p.digest) == 64


def test_a_new_grade_of_full_duplex_links_needs_no_figures_of_lines(read) -> None:
    own = (
        "{medium: link, rate_mbps: 100, full_duplex: true, length_m: 30, phy_tx_ns: 1, "
        "phy_rx_ns: 1, cable: pair-100, device_phy: phy-100base-t1, "
        "port_phy: port-phy-100base-t1, connector: connector-link}"
    )
    problem, _ = read(FULL.replace("\n  grades: {10BASE", f"\n  grades: {{own: {own}, 10BASE"))
    grade = problem.catalogue.grades["own"]
    assert (grade.guaranteed_nodes, grade.guaranteed_stub_um, grade.loop_delay_max_ns) == (2, 0, 0)


def test_own_catalogue_entries_lie_over_the_shipped_ones(read) -> None:
    problem, _ = read(FULL)
    cable = problem.catalogue.cables["pair-10"]
    assert (cable.price_per_m_money, cable.mass_mg_per_m) == (8_500, 14_000)
    assert cable.trust is Trust.USER
    assert cable.source.startswith("stated in the problem file: price_per_m; else ")
    part = problem.catalogue.parts["my-phy"]
    assert (part.price_money, part.mass_mg, part.source) == (20_000, 500, "own list")
    grade = problem.catalogue.grades["10BASE-T1S-multidrop"]
    assert (grade.device_phy, grade.port_phy) == ("my-phy", "port-phy-10base-t1s")
    assert problem.catalogue.parts["terminator-100-ohm"].trust is Trust.INVENTED


def test_defaults_are_those_of_the_standard(small_problem) -> None:
    limits = small_problem.limits["10BASE-T1S-multidrop"]
    assert limits.basis is Basis.GUARANTEED
    # At least 8 nodes, 25 m, stubs of 0.1 m: IEEE Std 802.3 Clause 147 as PHY data sheets say it.
    assert (limits.nodes, limits.length_um, limits.stub_um) == (8, 25_000_000, 100_000)
    assert small_problem.limits["100BASE-T1"].length_um == 15_000_000
    plca = small_problem.plca
    # aPLCATransmitOpportunityTimer 32 BT, aPLCAMaxBurstCount 0, aPLCABurstTimer 128 BT:
    # defaults of IEEE Std 802.3 Clause 30.16.1.1, restated in the ethtool(8) manual.
    assert (plca.to_timer_bt, plca.burst_count, plca.burst_timer_bt) == (32, 0, 128)
    assert plca.logical_collision is True
    assert small_problem.routing.metric is Metric.RECTILINEAR


def test_shipped_multidrop_grade_has_the_delays_of_its_clause(small_problem) -> None:
    grade = small_problem.catalogue.grades["10BASE-T1S-multidrop"]
    # IEEE Std 802.3 Clause 147 delay table: 440 ns to the wire, 4.0 us from it; carrier seen off
    # 120 + 640 to 440 + 1120 ns after the last bit.
    assert (grade.phy_tx_ns, grade.phy_rx_ns) == (440, 4_000)
    assert (grade.loop_delay_min_ns, grade.loop_delay_max_ns) == (120 + 640, 440 + 1_120)
    assert (grade.medium, grade.rate_bps, grade.full_duplex) == (Medium.MIXING, 10_000_000, False)


def test_every_shipped_entry_says_where_it_comes_from(small_problem) -> None:
    catalogue = small_problem.catalogue
    assert set(catalogue.grades) == {
        "10BASE-T1S-multidrop",
        "10BASE-T1S-link",
        "10BASE-T1L",
        "100BASE-T1",
        "1000BASE-T1",
    }
    for grade in catalogue.grades.values():
        assert grade.cable in catalogue.cables
        assert {grade.device_phy, grade.port_phy, grade.connector} <= set(catalogue.parts)
        assert (grade.terminator is not None) == (grade.medium is Medium.MIXING)
        assert len(grade.source) > 20
    for part in catalogue.parts.values():
        assert part.trust is Trust.INVENTED
        # The junction alone is counted without a price, and its source says so.
        assert (part.price_money > 0) == (part.source != "counted at no price")
        assert (part.source == "counted at no price") == (part.id == "junction-line")
    assert set(catalogue.limit_curves) == {"10BASE-T1S-multidrop"}


def test_a_new_grade_can_be_stated(read, small) -> None:
    text = (
        small
        + """\
catalogue:
  grades:
    own-line:
      {medium: mixing, rate_mbps: 10, full_duplex: false, length_m: 50, nodes: 16, stub_m: 0.2,
       phy_tx_ns: 440, phy_rx_ns: 4000, loop_delay_min_ns: 760, loop_delay_max_ns: 1560,
       cable: pair-10, device_phy: phy-10base-t1s, port_phy: port-phy-10base-t1s,
       connector: connector-line, terminator: terminator-100-ohm}
"""
    ).replace(
        "[10BASE-T1S-multidrop, 10BASE-T1S-link], count",
        "[own-line, 10BASE-T1S-multidrop, 10BASE-T1S-link], count",
    )
    text = text.replace(
        "{id: lamp, place: rear, grades: [10BASE-T1S-multidrop]",
        "{id: lamp, place: rear, grades: [own-line]",
    )
    problem, findings = read(text)
    assert findings == []
    assert problem.catalogue.is_line("own-line")
    assert (problem.limits["own-line"].nodes, problem.limits["own-line"].stub_um) == (16, 200_000)
    assert problem.catalogue.grades["own-line"].trust is Trust.USER


def test_warnings_stand_in_the_problem(read, small) -> None:
    problem, findings = read(small + "options: [{id: winter, take_rate: 0.3}]\n")
    assert [f.severity for f in findings] == ["warning"]
    (text,) = problem.warnings
    assert "warning[not-allowed-together] options[winter]: has no effect" in text
    assert "\n" not in text


def test_digest_tells_every_file(read, small) -> None:
    base = small + "devices_csv: more.csv\n"
    rows = "id,place,grades\nvalve,rear,10BASE-T1S-multidrop\n"
    digests = {
        read(text, more=csv)[0].digest
        for text, csv in [
            (base, rows),
            (base + "# comment\n", rows),
            (base, rows.replace("valve", "volve")),
        ]
    }
    assert len(digests) == 3
    assert read(base, more=rows)[0].digest in digests


def test_order_of_keys_does_not_matter(read, small) -> None:
    data = load(small, "f").data
    turned, _ = read(dump(dict(reversed(data.items()))))
    straight, _ = read(dump(data))
    assert turned is not None
    assert {k: getattr(turned, k) for k in ("devices", "switches", "streams", "limits")} == {
        k: getattr(straight, k) for k in ("devices", "switches", "streams", "limits")
    }


def test_missing_file_is_a_finding(tmp_path: Path) -> None:
    (tmp_path / "problem.yaml").write_text("format: 1\n")
    with pytest.raises(WrongFile) as caught:
        read_problem(tmp_path / "probelm.yaml")
    (finding,) = caught.value.findings
    assert (finding.code, finding.line) == ("unreadable-file", 0)
    assert finding.hint == "did you mean 'problem.yaml'?"
    with pytest.raises(WrongFile) as caught:
        read_problem(tmp_path)
    assert caught.value.findings[0].message == "expected a file, got a folder"


def test_byte_order_mark_is_no_fault(tmp_path: Path, small: str) -> None:
    path = tmp_path / "problem.yaml"
    path.write_text("\ufeff" + small, encoding="utf-8")
    assert read_problem(path).name == "small"


def test_wrong_format_ends_the_reading(read, small) -> None:
    """A file of another format is not judged by the keys of this one."""
    problem, findings = read(small.replace("format: 1", "format: 2") + "new_key: 1\n")
    assert problem is None
    assert [f.code for f in findings] == ["unsupported-version"]


@pytest.mark.parametrize("section", ["grades", "cables", "parts", "limit_curves"])
def test_a_new_entry_of_the_catalogue_needs_a_name(read, small, section) -> None:
    text = small + f'catalogue:\n  {section}:\n    "=a\\nb": {{}}\n'
    problem, findings = read(text)
    assert problem is None
    assert [(f.code, f.line, f.column) for f in findings] == [
        ("wrong-kind", text.count("\n"), 5)
    ], findings
    assert "expected a name" in findings[0].message
