"""A small catalogue for tests: invented prices with awkward digits, so that rounding shows."""

from __future__ import annotations

from partitioner.model.catalogue import Cable, Catalogue, Grade, Medium, Part, Trust

LINE = "10BASE-T1S-multidrop"
LINK10 = "10BASE-T1S-link"
LINK100 = "100BASE-T1"
LINK1000 = "1000BASE-T1"


def _grade(id_, medium, rate_mbps, full_duplex, length_m, nodes, key, terminator=None) -> Grade:
    return Grade(
        id=id_,
        medium=medium,
        rate_bps=rate_mbps * 1_000_000,
        full_duplex=full_duplex,
        guaranteed_length_um=length_m * 1_000_000,
        guaranteed_nodes=nodes,
        guaranteed_stub_um=100_000 if medium is Medium.MIXING else 0,
        phy_tx_ns=440,
        phy_rx_ns=4_000 if rate_mbps == 10 else 960,
        loop_delay_min_ns=760 if rate_mbps == 10 else 0,
        loop_delay_max_ns=1_560 if rate_mbps == 10 else 0,
        cable=f"cable-{key}",
        device_phy=f"phy-{key}",
        port_phy=f"port-phy-{key}",
        connector=f"connector-{key}",
        terminator=terminator,
        source="invented for the tests",
        trust=Trust.INVENTED,
        junction="junction" if medium is Medium.MIXING else None,
    )


def _parts(key: str, phy: int, port_phy: int, connector: int) -> list[Part]:
    return [
        Part(f"phy-{key}", phy, 1_237, "invented", Trust.INVENTED),
        Part(f"port-phy-{key}", port_phy, 1_511, "invented", Trust.INVENTED),
        Part(f"connector-{key}", connector, 3_001, "invented", Trust.INVENTED),
    ]


def small_catalogue() -> Catalogue:
    """Four grades: a shared line and three kinds of link."""
    grades = [
        _grade(LINE, Medium.MIXING, 10, False, 25, 8, "line", "terminator"),
        _grade(LINK10, Medium.LINK, 10, False, 15, 2, "link10"),
        _grade(LINK100, Medium.LINK, 100, True, 15, 2, "link100"),
        _grade(LINK1000, Medium.LINK, 1000, True, 15, 2, "link1000"),
    ]
    cables = [
        Cable("cable-line", 6_173, 14_007, 5.0, "invented", Trust.INVENTED),
        Cable("cable-link10", 6_173, 14_007, 5.0, "invented", Trust.INVENTED),
        Cable("cable-link100", 9_371, 17_003, 5.0, "invented", Trust.INVENTED),
        Cable("cable-link1000", 14_503, 23_011, 5.0, "invented", Trust.INVENTED),
    ]
    parts = [
        *_parts("line", 12_501, 14_003, 4_001),
        *_parts("link10", 11_003, 13_001, 5_003),
        *_parts("link100", 23_011, 27_007, 6_007),
        *_parts("link1000", 51_001, 57_003, 9_001),
        Part("terminator", 1_501, 503, "invented", Trust.INVENTED),
        Part("junction", 907, 409, "invented", Trust.INVENTED),
    ]
    return Catalogue(
        grades={g.id: g for g in grades},
        cables={c.id: c for c in cables},
        parts={p.id: p for p in parts},
        limit_curves={},
    )
