"""Bus messages become streams; what a gateway copied is one stream to all receivers."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from partitioner.application.import_tables import TableInput, import_tables
from partitioner.reading.messages import buses_of, crossings, forwarded, streams_of
from partitioner.reading.schema import MessageTable, Packing
from tests.application.test_import import imported


def message(id: str, bus: str, sender: str, *to: str, **more) -> MessageTable:
    raw = {"id": id, "bus": bus, "from": sender, "to": list(to), "payload_bytes": 8,
           "period_us": 10_000, **more}  # fmt: skip
    return MessageTable.model_validate(raw)


SPEED = message("speed", "drive", "wheel", "gate", "brake")
COPY = message("speed", "body", "gate", "panel", "lamp")
STEER = message("steer", "drive", "wheel", "brake", "gate", payload_bytes=6)
KEYS = message("keys", "body", "panel", "gate", kind="sporadic", period_us=50_000)
ALL = [SPEED, COPY, STEER, KEYS]


def test_a_copy_of_a_gateway_is_no_stream_of_its_own() -> None:
    assert [(f.original, f.copy, f.gateway) for f in forwarded(ALL)] == [(SPEED, COPY, "gate")]
    assert forwarded(ALL)[0].per_second == Decimal(100)
    made = {m.raw["id"]: m.raw for m in streams_of(ALL, Packing.NONE)}
    assert list(made) == ["speed", "steer", "keys"]
    assert made["speed"]["to"] == ["brake", "panel", "lamp"], "the gateway only passed it on"
    assert made["keys"]["kind"] == "sporadic"
    assert made["keys"]["period_us"] == 50_000


def test_who_hangs_on_which_bus() -> None:
    assert buses_of(ALL) == {
        "drive": {"wheel": "sends", "brake": "receives"},
        "body": {"gate": "sends", "panel": "sends", "lamp": "receives"},
    }
    assert [(c.message, c.receivers) for c in crossings([SPEED, COPY])] == [(SPEED, ("gate",))]


def test_messages_of_one_sender_share_a_frame() -> None:
    alike = [message(f"m{n}", "b", "a", "x", "y", payload_bytes=n) for n in (8, 5, 1)]
    other = message("slow", "b", "a", "y", "x", period_us=20_000)
    event = message("event", "b", "a", "x", "y", kind="sporadic")
    rows = [*alike, other, event]
    acf = [m.raw for m in streams_of(rows, Packing.ACF)]
    assert [m["id"] for m in acf] == ["m8+2", "slow", "event"]
    # NTSCF 12; each message 16 and its data padded to 4: 8, 8 and 4.
    assert acf[0]["payload_bytes"] == 12 + 3 * 16 + 8 + 8 + 4
    data = [m.raw for m in streams_of(rows, Packing.DATA)]
    assert data[0]["payload_bytes"] == 14
    assert [len(m.messages) for m in streams_of(rows, Packing.DATA)] == [3, 1, 1]
    # The strictest of them counts.
    urgent = message("m9", "b", "a", "x", "y", deadline_us=2_000, pcp=5)
    first = streams_of([*alike, urgent], Packing.ACF)[0].raw
    assert (first["deadline_us"], first["pcp"]) == (2_000, 5)


def test_no_frame_is_longer_than_ethernet_carries() -> None:
    rows = [message(f"m{n}", "b", "a", "x", payload_bytes=64) for n in range(40)]
    made = streams_of(rows, Packing.ACF)
    assert sum(len(m.messages) for m in made) == 40
    assert len(made) == 3
    assert max(m.raw["payload_bytes"] for m in made) <= 1_500


DBC = """\
VERSION ""
BU_: wheel brake gate
BO_ 100 speed: 8 wheel
 SG_ front : 0|8@1+ (1,0) [0|0] "" brake,gate
BO_ 101 steer: 6 wheel
 SG_ angle : 0|8@1+ (1,0) [0|0] "" brake
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 1000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 100 20;
"""


def test_a_bus_description_file_gives_streams(tmp_path: Path) -> None:
    pytest.importorskip("cantools")
    (tmp_path / "drive.dbc").write_text(DBC)
    made = imported(tmp_path / "drive.dbc")
    streams = made.problem.streams
    assert {s: (v.source, v.destinations, v.period_ns) for s, v in streams.items()} == {
        "speed": ("wheel", ("brake", "gate"), 20_000_000),
        "steer": ("wheel", ("brake",), 20_000_000),
    }
    assert streams["steer"].kind == "sporadic"
    assert any("without a cycle time" in told for told in made.draft.assumed)
    assert any("stand a metre apart" in told for told in made.draft.assumed)
    (tmp_path / "broken.dbc").write_text("BO_ what")
    from partitioner.errors import WrongFile

    with pytest.raises(WrongFile, match="1 finding"):
        imported(tmp_path / "broken.dbc")


def message_list(path: Path, kind: int) -> None:
    """Two hundred invented messages: 12 nodes on two buses, or 20 nodes on three."""
    nodes, buses = ((12, 2), (20, 3))[kind]
    rows = ["Bus;Message;ID (hex);Sender;Receivers;Bytes;Cycle [ms];Send type"]
    periods = (10, 20, 50, 100, 200)
    for n in range(200):
        bus = n % buses
        own = [k for k in range(nodes) if k % buses == bus]
        sender = own[n // buses % len(own)]
        to = own[(n // buses + 1 + n // 37) % len(own)]
        if to == sender:
            to = own[(own.index(sender) + 1) % len(own)]
        event = n % 9 == 8
        rows.append(
            f"bus{bus};msg-{n};0x{256 + n:X};Node {sender};Node {to};{(8, 8, 4, 6)[n % 4]};"
            f"{'' if event else periods[n // 40]};{'on change' if event else 'cyclic'}"
        )
    path.write_text("\n".join(rows), encoding="utf-8")


@pytest.mark.parametrize("kind", [0, 1])
def test_two_hundred_messages_packed_and_not(kind: int, tmp_path: Path) -> None:
    path = tmp_path / "messages.csv"
    message_list(path, kind)
    plain = imported(path)
    packed = import_tables(
        [TableInput(path)], "packed", tmp_path / "p.yaml", packing="acf"
    )
    assert plain.problem is not None
    assert packed.problem is not None
    assert len(plain.problem.streams) == 200
    rows = [line.split(";") for line in path.read_text("utf-8").splitlines()[1:]]
    together = {(r[3], r[4], r[6]) for r in rows if r[6]}
    assert len(packed.problem.streams) == len(together) + 200 // 9
    events = [s for s in plain.problem.streams.values() if s.kind == "sporadic"]
    assert len(events) == 200 // 9
    assert all(s.period_ns == 20_000_000 for s in events)
    [section] = [s for s in plain.page.sections if s.id == "buses"]
    ways = next(t for t in section.tables if t.id == "bus-packing")
    weighed = {(r["bus"], r["packing"]): r for r in ways.records()}
    assert len(weighed) == 3 * (2, 3)[kind]
    for bus in {b for b, _ in weighed}:
        none, acf, data = (weighed[bus, p] for p in ("none", "acf", "data"))
        assert none["messages"] == acf["messages"] == data["messages"]
        assert data["load_share"] < acf["load_share"] < none["load_share"] < 1
        assert data["worst_ms"] < none["worst_ms"]


@pytest.mark.slow
@pytest.mark.parametrize("kind", [0, 1])
@pytest.mark.parametrize("packing", ["none", "acf", "data"])
def test_two_hundred_messages_are_planned_and_kept(
    kind: int, packing: str, tmp_path: Path
) -> None:
    from partitioner.check.judge import assess
    from partitioner.solve.planner import PlanSettings, plan_layout

    path = tmp_path / "messages.csv"
    message_list(path, kind)
    made = import_tables([TableInput(path)], "m", tmp_path / "p.yaml", packing=packing)
    assert made.problem is not None
    # Counted rounds: on a busy machine it takes longer and finds the same.
    settings = PlanSettings(time_limit_s=1_800, seed=0, workers=1, work_limit=1)
    outcome = plan_layout(made.problem, settings)
    judged = assess(made.problem, outcome.layout)
    assert judged.findings == ()
    assert len(judged.streams) >= len(made.problem.streams)
