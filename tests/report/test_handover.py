"""What others take from a layout is read back by their own libraries, with the same content."""

from __future__ import annotations

import hashlib
import io
import json
import re
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import jsonschema
import networkx as nx
import openpyxl
import pandas as pd
import pytest
from yangson import DataModel
from yangson.enumerations import ContentType
from yangson.exceptions import YangsonException

from partitioner.application.check import judged
from partitioner.application.earlier import stale_beside
from partitioner.application.reading import for_batch, read_problem
from partitioner.model.assessment import Assessment
from partitioner.model.problem import Problem
from partitioner.pages.layout import handover_sections
from partitioner.report.archive import with_archive
from partitioner.report.ethtool import plca_commands
from partitioner.report.file_names import clean_name
from partitioner.report.files import SHOP_SHEETS, report_files
from partitioner.report.outcome_schema import outcome_schema
from partitioner.report.sections import Column, Kind, Table
from partitioner.report.svg import Canvas, standalone
from partitioner.report.tables import plca_table
from partitioner.report.told import Told
from partitioner.report.workbook import workbook
from partitioner.report.writer import MANIFEST, write_set
from tests.report.fixtures import greedy_layout, outcome_of

DEMOS = (
    "street-sweeper",
    "river-ferry",
    pytest.param("glasshouse", marks=pytest.mark.slow),
    pytest.param("city-bus", marks=pytest.mark.slow),
)
YANG = Path(__file__).parent.parent / "data" / "yang"
IMPLEMENTED = ("ietf-interfaces", "iana-if-type", "ieee802-dot1q-bridge", "ieee802-dot1q-types")

Case = tuple[Problem, Assessment, dict[str, str | bytes]]


@pytest.fixture(scope="module", params=DEMOS)
def demo(request: pytest.FixtureRequest, problems: Path) -> Case:
    """A demo problem with a plain layout, a batch of it, and its files."""
    problem = for_batch(read_problem(problems / request.param / "problem.yaml"), 200)
    facts, assessment = judged(problem, greedy_layout(problem))
    sections = handover_sections(facts, assessment)
    told = Told(problem, assessment, outcome_of(assessment), sections)
    return problem, assessment, report_files(told)


@pytest.fixture(scope="module")
def modules() -> DataModel:
    """The published modules for interfaces and bridges."""
    rows = []
    for path in sorted(YANG.glob("*.yang")):
        name, revision = path.stem.split("@")
        space = re.search(r'namespace\s+"?([^";\s]+)"?\s*;', path.read_text(encoding="utf-8"))
        kind = "implement" if name in IMPLEMENTED else "import"
        rows.append(
            {"name": name, "revision": revision, "namespace": space[1], "conformance-type": kind}
        )
    library = {"ietf-yang-library:modules-state": {"module-set-id": "tests", "module": rows}}
    return DataModel(json.dumps(library), (str(YANG),))


def frame(files: dict[str, str | bytes], name: str) -> pd.DataFrame:
    return pd.read_csv(io.StringIO(files[f"{name}.csv"]), keep_default_na=False)


def test_every_file_tells_of_which_problem_and_layout_it_is(demo: Case) -> None:
    problem, _, files = demo
    digest = hashlib.sha256(files["layout.yaml"].encode()).hexdigest()
    for name, content in files.items():
        if name.endswith((".csv", ".yaml", ".html", ".xlsx")):
            continue
        assert problem.digest in content, name
        assert digest in content, name
    assert problem.digest in files["layout.yaml"]
    assert problem.digest in files["report.html"]
    book = openpyxl.load_workbook(io.BytesIO(files["harness.xlsx"]))
    about = dict(list(book["about"].values)[1:])
    assert (about["problem_digest"], about["layout_digest"]) == (problem.digest, digest)
    assert "Local codes" in about["caution"]


def test_the_graph_is_read_back_equal_from_both_files(demo: Case) -> None:
    problem, assessment, files = demo
    graph = nx.parse_graphml(files["layout.graphml"])
    assert graph.graph["problem_digest"] == problem.digest
    placed = {d for s in assessment.layout.segments for d in s.devices}
    assert set(graph) == placed | set(assessment.layout.open_switches)
    kinds = nx.get_node_attributes(graph, "kind")
    assert {n for n, kind in kinds.items() if kind == "device"} == placed
    other = nx.node_link_graph(json.loads(files["layout-graph.json"]), edges="links")
    assert dict(other.nodes(data=True)) == dict(graph.nodes(data=True))
    assert nx.utils.edges_equal(other.edges(data=True), graph.edges(data=True))
    whole = [w for w in assessment.wires if not w.id.endswith(("/stub", "/end"))]
    assert {data["piece"] for _, _, data in graph.edges(data=True)} == {w.id for w in whole}
    lengths = nx.get_edge_attributes(graph, "length_m")
    for figures in assessment.segments:
        own = [e for e, s in nx.get_edge_attributes(graph, "segment").items()
               if s == figures.segment.id]  # fmt: skip
        assert len(own) == len(figures.segment.devices)
        assert sum(lengths[e] for e in own) >= figures.length_um / 1e6 - 1e-6


def test_the_workbook_is_read_back_with_frozen_headings_units_and_widths(demo: Case) -> None:
    _, _, files = demo
    book = openpyxl.load_workbook(io.BytesIO(files["harness.xlsx"]))
    there = [n for n in SHOP_SHEETS if f"{n}.csv" in files]
    assert book.sheetnames == ["about", *there]
    assert {"wires", "cuts", "orders", "drops", "terminators"} <= set(there)
    for name in there:
        sheet = book[name]
        assert sheet.freeze_panes == "A2"
        assert sheet["A1"].font.bold
        csv = pd.read_csv(io.StringIO(files[f"{name}.csv"]))
        read = pd.read_excel(io.BytesIO(files["harness.xlsx"]), name, engine="openpyxl")
        pd.testing.assert_frame_equal(read.set_axis(csv.columns, axis=1), csv, check_dtype=False)
        widths = [sheet.column_dimensions[c.column_letter].width for c in sheet[1]]
        for width, heading in zip(widths, sheet[1], strict=True):
            assert width >= min(len(heading.value), 60)
        for key, heading in zip(csv.columns, sheet[1], strict=True):
            assert key.endswith("_m") <= ("[m]" in heading.value)
            assert heading.value[0].isupper(), "no bare key among the headings"
        assert not any(c.data_type == "f" for row in sheet.iter_rows() for c in row)


def test_a_workbook_has_no_formula_whatever_a_name_begins_with() -> None:
    table = Table("t", "t", [Column("a", "A", Kind.ID), Column("b_m", "B", Kind.NUMBER, "m", 3)],
                  [("=1+1", 0.5), ("+x\x07", None)])  # fmt: skip
    made = workbook([table], [("problem", "@sum")])
    assert made == workbook([table], [("problem", "@sum")])
    book = openpyxl.load_workbook(io.BytesIO(made))
    rows = list(book["t"].values)
    assert rows == [("A", "B [m]"), ("=1+1", 0.5), (r"+x\x07", None)]
    assert {c.data_type for row in book["t"].iter_rows() for c in row} == {"s", "n"}
    assert book["t"]["B2"].number_format == "0.000"
    assert book.properties.created.year == 1980


def test_switch_configuration_is_valid_data_of_the_published_modules(
    demo: Case, modules: DataModel
) -> None:
    _, _, files = demo
    ports, entries = frame(files, "switch-ports"), frame(files, "forwarding")
    queues = frame(files, "pcp-queues")
    for switch in frame(files, "vlans")["switch"]:
        raw = json.loads(files[clean_name(f"bridge-{switch}.json")])
        modules.from_raw(raw).validate(ctype=ContentType.config)
        interfaces = raw["ietf-interfaces:interfaces"]["interface"]
        own = ports[ports["switch"] == switch]
        assert [i["name"] for i in interfaces] == [f"port-{p}" for p in own["port"]]
        for interface in interfaces:
            classes = interface["ieee802-dot1q-bridge:bridge-port"]["traffic-class"]
            table = classes["traffic-class-table"]
            assert [table[f"priority{p}"] for p in queues["pcp"]] == list(queues["queue"])
        component = raw["ieee802-dot1q-bridge:bridges"]["bridge"][0]["component"][0]
        forwarded = {
            row["address"]: " ".join(
                str(p["port-ref"])
                for p in row["port-map"]
                if p["static-filtering-entries"]["control-element"] == "forward"
            )
            for row in component["filtering-database"]["filtering-entry"]
        }
        of_switch = entries[entries["switch"] == switch]
        assert forwarded == dict(
            zip(of_switch["address"], of_switch["ports"].astype(str), strict=True)
        )


def test_every_module_keeps_its_notice_and_its_terms_are_listed() -> None:
    page = (YANG / "README.md").read_text("utf-8")
    for path in YANG.glob("*.yang"):
        head = path.read_text("utf-8")[:3_000]
        name = path.stem.partition("@")[0]
        owner = "IEEE" if name.startswith("ieee") else "IETF Trust"
        assert re.search(rf"Copyright \(c\) (\d{{4}} )?{owner}", head, re.I), name
        [terms] = [line for line in page.splitlines() if line[:1] == "|" and f"`{name}`" in line]
        assert ("IEEE" if owner == "IEEE" else "BSD") in terms.split("|")[3]
    assert "Copyright release for YANG modules" in page


def test_the_modules_refuse_what_is_no_configuration(demo: Case, modules: DataModel) -> None:
    _, _, files = demo
    raw = json.loads(next(c for n, c in files.items() if n.startswith("bridge-")))
    port = raw["ietf-interfaces:interfaces"]["interface"][0]
    port["ieee802-dot1q-bridge:bridge-port"]["default-priority"] = 8
    with pytest.raises(YangsonException):
        modules.from_raw(raw).validate(ctype=ContentType.config)


def test_outcome_fits_its_published_schema(demo: Case) -> None:
    _, _, files = demo
    data = json.loads(files["outcome.json"])
    schema = outcome_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(data, schema)
    del data["cost"]["mass_g"]
    with pytest.raises(jsonschema.ValidationError, match="mass_g"):
        jsonschema.validate(data, schema)


def test_lists_added_up_from_the_files_give_the_totals_of_the_outcome(demo: Case) -> None:
    problem, _, files = demo
    outcome = json.loads(files["outcome.json"])
    parts = frame(files, "parts")
    assert parts["price"].sum() == pytest.approx(outcome["cost"]["money"], abs=1e-6)
    assert parts["mass_g"].sum() == pytest.approx(outcome["cost"]["mass_g"], abs=1e-6)
    baseline = frame(files, "baseline").set_index("quantity")["layout"]
    wires = frame(files, "wires")
    full = wires[[_is_carried(row, set(problem.options)) for _, row in wires.iterrows()]]
    assert full["length_m"].sum() == pytest.approx(baseline["cable"], abs=1e-6)
    assert (wires["cut_m"] >= wires["length_m"] - 1e-9).all()
    orders, cuts = frame(files, "orders"), frame(files, "cuts")
    sums = frame(files, "cut-sums").set_index("build")
    cable = orders[orders["kind"] == "cable"].groupby("build")[["quantity", "order_quantity"]]
    listed = cuts.groupby("build")[["length_m", "cut_m"]].sum()
    for build, needed, cut in cable.sum().itertuples():
        if build in listed.index:
            assert listed.loc[build].tolist() == pytest.approx([needed, cut], abs=1e-6)
            assert sums.loc[build, ["cable_m", "cut_m"]].tolist() == pytest.approx(
                [needed, cut], abs=1e-6
            )
    batch = orders[orders["build"] == "whole batch"]
    assert set(batch["units"]) == {200}
    # Builds come in whole units, and items of the plan are rounded up one by one.
    average = outcome["cost"]["money"]
    assert batch["price"].sum() / 200 == pytest.approx(average, rel=0.01)


def test_a_backbone_link_is_as_long_at_every_place(demo: Case) -> None:
    problem, assessment, files = demo
    shown = frame(files, "backbone").set_index(["from_switch", "to_switch"])["length_m"]
    assert len(shown) == len(assessment.layout.backbone) > 0
    wires = frame(files, "wires").set_index("piece")
    graph = nx.parse_graphml(files["layout.graphml"])
    for (a, b), length_m in shown.items():
        piece = ":".join(sorted((a, b)))
        assert wires.loc[piece, "segment"] == graph.edges[a, b]["segment"] == "backbone"
        assert wires.loc[piece, "length_m"] == graph.edges[a, b]["length_m"] == length_m
        assert wires.loc[piece, "cut_m"] == problem.shop.cut_um(round(length_m * 1e6)) / 1e6


def _is_carried(row: pd.Series, options: set[str]) -> bool:
    with_one, without = str(row["only_with"]).split(), str(row["only_without"]).split()
    return (not with_one or bool(options & set(with_one))) and not options & set(without)


def test_every_drawing_is_a_file_of_its_own(demo: Case) -> None:
    problem, _, files = demo
    drawings = [name for name in files if name.endswith(".svg")]
    assert "drawing-layout-top.svg" in drawings
    for name in drawings:
        root = ET.fromstring(files[name])
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        text = "".join(root.itertext())
        assert problem.digest in text
        assert "--ink" in text


def test_a_drawing_is_a_file_whatever_a_name_holds() -> None:
    canvas = Canvas("a", "title \x1b[2J\x00", "a\nb", 10)
    root = ET.fromstring(standalone(canvas.finish(10), "mark"))
    assert r"\x1b[2J\x00" in "".join(root.itertext())


def test_half_duplex_segments_of_every_kind_have_settings_and_lines_to_read_them_back(
    demo: Case,
) -> None:
    problem, assessment, files = demo
    half = {
        s.id for s in assessment.layout.segments
        if not problem.catalogue.grades[s.grade].full_duplex
    }  # fmt: skip
    plca = frame(files, "plca")
    assert set(plca["segment"]) == half
    lines = files["plca-ethtool.sh"].splitlines()
    for option in ("--set-plca-cfg", "--get-plca-cfg", "--get-plca-status"):
        assert sum(line.startswith(f"ethtool {option} ") for line in lines) == len(plca)
    assert any("6.3" in line for line in lines)


def test_ethtool_lines_are_a_shell_script_and_the_coordinator_comes_first(demo: Case) -> None:
    problem, assessment, _ = demo
    script = plca_commands(plca_table(problem, assessment), "mark\n$(reboot)")
    subprocess.run(["sh", "-n"], input=script, text=True, check=True)
    ids = [
        int(line.split(" node-id ")[1].split()[0]) if " node-id " in line else line
        for line in script.splitlines()
        if " node-id " in line or line.startswith("# segment ")
    ]
    heads = [k for k, value in enumerate(ids) if isinstance(value, str)]
    assert heads
    assert all(ids[k + 1] == 0 for k in heads)
    assert "\n$(reboot)" not in script


def test_the_archive_holds_the_set(demo: Case, tmp_path: Path) -> None:
    problem, _, files = demo
    packed = with_archive(files, problem.name)
    assert packed == with_archive(files, problem.name)
    name = f"{problem.name}.zip"
    with zipfile.ZipFile(io.BytesIO(packed[name])) as archive:
        assert archive.testzip() is None
        held = {n.removeprefix(f"{problem.name}/"): archive.read(n) for n in archive.namelist()}
    listed = held.pop(MANIFEST).decode().splitlines()
    assert held == {n: c.encode() if isinstance(c, str) else c for n, c in files.items()}
    assert listed == [f"{hashlib.sha256(c).hexdigest()}  {n}" for n, c in held.items()]
    write_set(tmp_path / "out", packed)
    assert (tmp_path / "out" / name).read_bytes() == packed[name]


@pytest.fixture
def folder(twelve: tuple[Problem, Assessment], tmp_path: Path) -> Path:
    problem, assessment = twelve
    write_set(tmp_path, report_files(Told(problem, assessment, outcome_of(assessment))))
    return tmp_path


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda folder: None, ""),
        (lambda folder: (folder / "wires.csv").unlink(), ""),
        (lambda folder: (folder / MANIFEST).unlink(), ""),
        (lambda folder: _append(folder / "wires.csv"), "changed since written with layout.yaml: "
         "wires.csv"),
        (lambda folder: _append(folder / "layout.yaml"), "they belong to another layout"),
    ],
)  # fmt: skip
def test_stale_files_are_told(folder: Path, change: Callable[[Path], None], words: str) -> None:
    change(folder)
    told = stale_beside(folder / "layout.yaml")
    assert words in told
    assert bool(words) == bool(told)


def _append(path: Path) -> None:
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
