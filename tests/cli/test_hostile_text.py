"""No name, value or name of a file can steer the terminal or forge a line of the program's."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest

from partitioner.application.reading import read_layout_of, read_problem
from partitioner.cli.main import run
from partitioner.cli.progress import progress_text
from partitioner.cli.session import Session
from partitioner.cli.voice import Voice
from partitioner.errors import ExitCode
from partitioner.model.outcome import Sample
from partitioner.reading.layout_file import layout_text

STEERING = "\x1b[2J\x1b]0;t\x07\x7f\x9b31m\x00\u202e\u2066\u2028\u200f\ufeff"
HOSTILE = STEERING + "\nerror: forged"
# What a file name may hold on Linux: anything but NUL and the slash.
NAME = HOSTILE.replace("\x00", "")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no file can have such a name")
FORGED = re.compile(r"^(error|warning): forged", re.MULTILINE)
OUR_COLOURS = re.compile(r"\x1b\[(?:3[0-9]|[01])m")


def assert_harmless(*texts: str) -> None:
    for text in texts:
        bad = {
            c
            for c in OUR_COLOURS.sub("", text)
            if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") and c not in "\n\t"
        }
        assert not bad, (bad, text)
        assert not FORGED.search(text), text


def quoted(text: str) -> str:
    """A text as YAML that holds it exactly."""
    return json.dumps(text)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of hostile name to stand in."""
    made = tmp_path / NAME
    made.mkdir()
    monkeypatch.chdir(made)
    return made


@pytest.fixture
def hostile(example: Path, by_hand: Path, folder: Path) -> tuple[str, str]:
    """A right problem whose free texts are all hostile, and a layout for it; paths of both."""
    text = example.read_text(encoding="utf-8")
    text, count = re.subn(r"(?m)^name: .*$", lambda _: f"name: {quoted('n' + HOSTILE)}", text)
    assert count == 1
    text, count = re.subn(
        r"(?m)^currency: .*$", lambda _: f"currency: {quoted(chr(27) + '[7m')}", text
    )
    assert count <= 1
    text += f"note: {quoted(HOSTILE)}\n" if "\nnote:" not in text else ""
    problem = folder / f"p{NAME}.yaml"
    problem.write_text(text, encoding="utf-8")
    layout = folder / f"l{NAME}.yaml"
    layout.write_text(
        by_hand.read_text(encoding="utf-8").replace(
            "problem: small-sprayer", f"problem: {quoted('x' + HOSTILE)}"
        ),
        encoding="utf-8",
    )
    return str(problem), str(layout)


def both(capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    out, err = capsys.readouterr()
    assert_harmless(out, err)
    return out, err


@pytest.mark.parametrize("colour", ["--color", "--no-color"])
def test_check(hostile, capsys, colour: str) -> None:
    assert run([colour, "-vv", "check", *hostile]) == ExitCode.OK
    out, err = both(capsys)
    assert out.startswith(
        r"n\x1b[2J\x1b]0;t\x07\x7f\x9b31m\x00\u202e\u2066\u2028\u200f\ufeff\nerror"
    )
    assert r"made for the problem 'x\x1b[2J" in err


@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes on Linux only")
def test_a_name_that_is_no_utf8(example, by_hand, folder, capsys) -> None:
    name = "p" + os.fsdecode(b"\xff\x9b")
    Path(name).write_bytes(example.read_bytes())
    assert run(["-v", "explain", name, "--time-limit", "1s", "--device", "x"]) == ExitCode.USAGE
    _, err = both(capsys)
    assert r"reading p\udcff\udc9b" in err
    assert run(["-v", "check", name, name, "--json"]) == ExitCode.WRONG_FILE
    out, _ = both(capsys)
    assert json.loads(out)["findings"][0]["file"] == name
    assert run(["report", name, str(by_hand), "-o", name + "o", "--json"]) != ExitCode.FAULT
    both(capsys)


def test_json_is_equal_when_read(hostile, capsys) -> None:
    assert run(["check", *hostile, "--json"]) == ExitCode.OK
    out, _ = both(capsys)
    assert json.loads(out)["problem"]["name"] == "n" + HOSTILE


def test_plan(hostile, capsys) -> None:
    arguments = ["-vv", "plan", hostile[0], "-o", "out" + NAME, "--time-limit", "5s"]
    assert run([*arguments, "--workers", "1"]) == ExitCode.OK
    _, err = both(capsys)
    assert r"wrote out\x1b[2J" in err
    assert run([*arguments, "--workers", "1", "--json"]) == ExitCode.OK
    out, _ = both(capsys)
    assert json.loads(out)["problem"]["name"] == "n" + HOSTILE
    for file in Path("out" + NAME).glob("*.json"):
        assert_harmless(file.read_text(encoding="utf-8"))


def test_report(hostile, capsys) -> None:
    assert run(["-vv", "report", *hostile, "-o", "out" + NAME]) == ExitCode.OK
    _, err = both(capsys)
    assert r"wrote out\x1b[2J" in err


def test_explain(example, folder, capsys) -> None:
    text = (Path(__file__).parent / "data" / "pumps.yaml").read_text(encoding="utf-8")
    text = text.replace("name: pumps", f"name: {quoted('n' + HOSTILE)}")
    devices = re.findall(r"id: (pump-\d), position_m: \[(\d)", text)
    text = re.sub(r"(?ms)^devices:\n(  - .*?\n)+", "", text)
    name = f"d{NAME}.csv"
    rows = "".join(f"{d},{x},0,10BASE-T1S-multidrop\n" for d, x in devices)
    Path(name).write_text("id,x_m,y_m,grades\n" + rows, encoding="utf-8")
    Path(f"p{NAME}").write_text(f"{text}\ndevices_csv: {quoted(name)}\n", encoding="utf-8")
    assert (
        run(["-vv", "explain", f"p{NAME}", "--time-limit", "20s", "--workers", "1"]) == ExitCode.OK
    )
    out, _ = both(capsys)
    assert out.startswith(r"n\x1b[2J")
    assert r"p\x1b[2J" in out
    assert run(["explain", f"p{NAME}", "--time-limit", "20s", "--json"]) == ExitCode.OK
    out, _ = both(capsys)
    assert json.loads(out)["problem"] == "n" + HOSTILE


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("format: 1", f"format: {quoted(HOSTILE)}", 1),
        lambda text: text + f"{quoted('k' + HOSTILE)}: {quoted(HOSTILE)}\n",
        lambda text: text.replace("- id: zone-front", f"- id: {quoted(HOSTILE)}", 1),
        lambda text: re.sub(
            r"to: \[[\w-]+", lambda _: f"to: [{quoted('z' + HOSTILE)}", text, count=1
        ),
        lambda text: text + f"devices_csv: {quoted('no' + HOSTILE)}\n",
        lambda text: text + f"catalogue: {{parts: {{{quoted(HOSTILE)}: {{price: 1}}}}}}\n",
        lambda text: text + f"x: &{'a'} {{}}\n# \u202e\ny: !t\u202eag 1\n",
        lambda text: text + "z: \x1b[2J\n",
        lambda text: text + "z: [\u202e\x85\u2066\n",
    ],
)
def test_findings(example, folder, capsys, change) -> None:
    before = example.read_text(encoding="utf-8")
    text = change(before)
    assert text != before
    path = f"p{NAME}"
    Path(path).write_text(text, encoding="utf-8")
    assert run(["plan", path]) == ExitCode.WRONG_FILE
    _, err = both(capsys)
    assert r"p\x1b[2J" in err
    assert run(["--color", "check", path, path, "--json"]) == ExitCode.WRONG_FILE
    out, _ = both(capsys)
    assert json.loads(out)["findings"][0]["file"] == path


@pytest.mark.parametrize(
    "rows",
    [
        f'id,x_m,y_m,grades\n"{STEERING.replace(chr(0), "")}",1,1,"g{HOSTILE}"\n',
        f"id,x_m,y_m,grades,{STEERING}\na,1,1,10BASE-T1S-link,x\n",
        f"id,x_m,y_m,grades\n{STEERING},left,1,10BASE-T1S-link\n",
        f'id,x_m,y_m,grades\na,1,1,"{HOSTILE}\n',
    ],
)
def test_findings_of_a_list(example, folder, capsys, rows: str) -> None:
    Path("list.csv").write_text(rows, encoding="utf-8", newline="")
    text = example.read_text(encoding="utf-8") + "devices_csv: list.csv\n"
    Path("problem.yaml").write_text(text, encoding="utf-8")
    assert run(["check", "problem.yaml", "none.yaml"]) == ExitCode.WRONG_FILE
    _, err = both(capsys)
    assert "list.csv:" in err
    assert run(["check", "problem.yaml", "none.yaml", "--json"]) == ExitCode.WRONG_FILE
    out, _ = both(capsys)
    json.loads(out)


@pytest.mark.parametrize(
    "arguments",
    [
        [NAME],
        ["plan"],
        ["plan", NAME, NAME],
        ["plan", "p", f"--{NAME}"],
        ["plan", "p", "--time-limit", NAME],
        ["plan", "p", "--seed", NAME],
        ["tradeoff", "p", "--axis", NAME],
        ["explain", "EXAMPLE", "--device", NAME],
        ["new", "EXISTS"],
        ["plan", "EXAMPLE", "-o", "EXISTS"],
        ["new", f"no{NAME}/x"],
        ["schema", "-o", f"no{NAME}/x"],
    ],
)
def test_what_was_typed_wrong(example, folder, capsys, arguments: list[str]) -> None:
    there = f"e{NAME}"
    Path(there).write_text("x")
    places = {"EXAMPLE": str(example), "EXISTS": there}
    code = run(["--color", *(places.get(a, a) for a in arguments)])
    assert code in (ExitCode.USAGE, ExitCode.FAULT)
    _, err = both(capsys)
    assert len(re.findall(r"(?im)^.{0,9}error\b", err)) == 1
    if arguments != ["plan"]:
        assert r"\x1b[2J" in err


def test_as_a_process_of_its_own(hostile) -> None:
    """Bytes on its streams, the name of the file as a shell hands it over."""
    ended = subprocess.run(
        [
            sys.executable,
            "-m",
            "partitioner",
            "--color",
            "-v",
            "check",
            *hostile,
        ],
        capture_output=True,
        timeout=120,
    )
    assert ended.returncode == ExitCode.OK
    assert_harmless(ended.stdout.decode("utf-8"), ended.stderr.decode("utf-8"))


def test_our_own_colours_stay(capsys) -> None:
    run(["--color", "check", "none.yaml", "none.yaml"])
    run(["--color", "plan", "p", "--seed", "1", "-o", "/dev/null/x"])
    run(["--color", "new", "/dev/null/x"])
    assert "\x1b[31m\x1b[1merror\x1b[0m: " in capsys.readouterr().err


def test_a_layout_keeps_hostile_texts(hostile) -> None:
    """What is shown as codes is still the same text in the files."""
    problem = read_problem(Path(hostile[0]))
    assert problem.name == "n" + HOSTILE
    layout = read_layout_of(problem, Path(hostile[1])).layout
    assert layout.problem_name == "x" + HOSTILE
    assert quoted("x") in layout_text(layout, problem) or r"x\e[2J" in layout_text(layout, problem)


@pytest.mark.parametrize(
    "say", ["note", "step", "warn", "error", "plain", "answer", "rewrite_line"]
)
def test_whatever_is_said_is_harmless(capsys, say: str) -> None:
    voice = Voice(Session(verbosity=2, color=True))
    getattr(voice, say)(STEERING)
    voice.clear_line()
    out, err = capsys.readouterr()
    shown = (out + err).replace("\r", "")
    assert_harmless(shown)
    assert r"\x1b[2J\x1b]0;t\x07\x7f\x9b31m\x00\u202e\u2066\u2028\u200f\ufeff" in shown


def test_a_line_of_progress_stays_one_line(capsys) -> None:
    voice = Voice(Session())
    voice.rewrite_line(progress_text(Sample(1.0, 10_000, None), "", "8 s", "E\n\x1b["))
    assert capsys.readouterr().err == "\rbest 1.00 E\\n\\x1b[, 8 s left"
