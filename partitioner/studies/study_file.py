"""Reads a study file: strict keys, and everything that is wrong told with its line."""

from __future__ import annotations

import contextlib
import pickle
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any

from pydantic_core import PydanticCustomError

from partitioner.errors import Finding, WrongFile
from partitioner.model.problem import Problem
from partitioner.reading.files import Folders, Unreadable, as_text
from partitioner.reading.kinds import Choice, Names, Number, Text, ValueKind, Whole, fault, got
from partitioner.reading.origin import Enough, Findings, YamlOrigin
from partitioner.reading.problem import FileKind, problem_of, read_document, read_text, read_whole
from partitioner.reading.schema import FileName, KeyTable, ProblemTable, Sentence, key
from partitioner.reading.tables import Item, key_names, kind_of, read_table, tables_inside
from partitioner.replan.reading import earlier_layout
from partitioner.studies.keys import problem_digest
from partitioner.studies.study import (
    AS_IS,
    QUESTION_KEYS,
    Ask,
    Case,
    Factor,
    Question,
    Setting,
    Study,
    grid_cases,
    grid_size,
)
from partitioner.studies.variation import FIXED, NoSuchItem, NotThere, path_steps, varied

FORMAT = 1
MOST_CASES = 10_000
"""Cases of one study."""
_MADE_BYTES = 100_000_000
"""Problems of cases are kept from their check until they are asked, up to so much."""
_ADDABLE = ("devices", "streams", "switches", "groups", "transfers", "options")


@dataclass(frozen=True)
class Free(ValueKind):
    """Anything; what it has to be is told where it is used."""

    def read(self, value: Any) -> Any:
        """Accept anything."""
        return value

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {}


@dataclass(frozen=True)
class Axis(ValueKind):
    """An axis of a trade-off."""

    def read(self, value: Any) -> str:
        """Accept the name of one."""
        if not isinstance(value, str) or value not in _axes():
            raise fault("wrong-kind", f"expected one of {', '.join(_axes())}, got {got(value)}")
        return value

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {"enum": list(_axes())}


def _axes() -> Sequence[str]:
    """Names of the axes; the solver comes with them, so only where a study names one."""
    from partitioner.tradeoff.axes import AXES

    return list(AXES)


Anything = Annotated[Any, Free()]


class DrawTable(KeyTable):
    """Random cases of the grid, all different."""

    count: Annotated[int, Whole(1, MOST_CASES)] = key("How many.")
    seed: Annotated[int, Whole(0, 2**31 - 1)] = key("Seed of the draw.", 0)


class RangeTable(KeyTable):
    """Numbers from one to another in steps."""

    low: Annotated[Decimal, Number("", 1_000_000, low=None)] = key("The first.")
    high: Annotated[Decimal, Number("", 1_000_000, low=None)] = key("None is above this.")
    step: Annotated[Decimal, Number("", 1_000_000, above=True)] = key("From one to the next.")


class VariantTable(KeyTable):
    """One variant of a factor: several changes under one name."""

    set: Anything = key("Values by path in the problem.", None)
    leave_out: Annotated[tuple[str, ...], Names("device or switch", least=0)] = key(
        "Devices and switches that are not there, nor what depends on them.", ()
    )
    add: Anything = key("Items to add, by list section of the problem.", None)


class StudyTable(KeyTable):
    """A study: what varies in a problem, and what is asked of each case."""

    format: Annotated[int, Whole(1, 1_000_000)] = key("Format of the file: 1.")
    name: Annotated[str, Text(longest=200, shortest=1)] = key("Name of the study.")
    note: Sentence = key("Anything a reader of the report should know.", "")
    problem: FileName = key("The problem, in the folder of this file or below it.")
    ask: Annotated[Ask, Choice(Ask)] = key("What each case is asked.", Ask.PLAN)
    time_limit_s: Annotated[Decimal, Number("s", 1_000, above=True, high=Decimal(1_000_000))] = (
        key("Time that a case may take.", Decimal(60))
    )
    seed: Annotated[int, Whole(0, 2**31 - 1)] = key("Seed of every search.", 0)
    work_limit: Annotated[int, Whole(1, 1_000_000_000)] | None = key(
        "Rounds of search after which a plan ends; default: none.", None
    )
    axis: Annotated[str, Axis()] = key("What a trade-off weighs against cost.", "latency")
    points: Annotated[int, Whole(2, 1_000)] = key("Points of a trade-off.", 8)
    gap: Annotated[Decimal, Number("", 1_000_000, high=Decimal(1))] = key(
        "Proven gap, a share, that a point of a trade-off must reach.", Decimal("0.01")
    )
    before: FileName | None = key("The layout that a replan starts from.", None)
    vary: Anything = key("What varies: values, a range or variants, by path or name.", None)
    cases: Anything = key("A list of cases in place of the grid; each by path or name.", None)
    draws: DrawTable | None = key("Random cases of the grid in place of all.", None)


def read_study(path: Path, lists_from: Sequence[Path] = ()) -> Study:
    """Read a study with its problem; every case of it has a problem without a fault.

    Problem and earlier layout lie in the folder of the study or below; the lists of the problem may
    lie in ``lists_from`` too.

    Raises
    ------
    WrongFile
        With every finding: of the study, of its problem, or of a case, told at the line of the
        study that makes it.
    """
    findings = Findings()
    study = None
    with contextlib.suppress(Enough):
        read = read_text(path, FileKind.STUDY, findings)
        root = None if read is None else read_document(
            read[0], str(path), FileKind.STUDY, findings
        )
        if root is not None:
            study = _Reader(root, path.parent, lists_from, findings).study()
    if study is None or findings.errors():
        raise WrongFile(findings.in_order(str(path)))
    return study


class _Reader:
    """Reads one study; what is wrong goes to the findings."""

    def __init__(
        self, root: YamlOrigin, folder: Path, lists_from: Sequence[Path], findings: Findings
    ):
        self._root = root
        self._raw: dict[str, Any] = root.document.data
        self._folders = Folders(folder)
        self._lists_from = lists_from
        self._findings = findings

    def study(self) -> Study | None:
        top = read_table(StudyTable, self._raw, self._root, self._findings)
        factors = self._factors()
        if not top.whole or self._findings.errors():
            return None
        cases, factors = self._cases(top, factors)
        base = self._base(top.table.problem)
        before = self._text("before", top.table.before) if top.table.before else ""
        table = top.table
        if table.ask is Ask.REPLAN and table.before is None:
            self._findings.add(
                self._root, "missing-key", "a replan needs the key 'before', a layout file",
            )  # fmt: skip
        for name in ("work_limit", "axis", "points", "gap", "before"):
            asked = {"work_limit": Ask.PLAN, "before": Ask.REPLAN}.get(name, Ask.TRADEOFF)
            if name in top.given and table.ask is not asked:
                self._findings.clash(
                    self._root, f"only for ask: {asked}, got ask: {table.ask}", name, on_key=True
                )
        if base is None or self._findings.errors():
            return None
        made = Study(
            name=table.name,
            note=table.note,
            base=base,
            question=Question(
                table.ask, float(table.time_limit_s), table.seed, table.work_limit, table.axis,
                table.points, float(table.gap),
            ),
            factors=factors,
            cases=cases,
            before_file=table.before or "",
            before=before,
        )  # fmt: skip
        self._check_cases(made)
        if before:
            problem, _ = problem_of(base, "")
            assert problem is not None
            earlier_layout(before, str(self._folders.own / made.before_file), problem)
        return made

    @contextlib.contextmanager
    def _unreadable_told(self, name: str) -> Iterator[None]:
        """Tell at the key that names a file why it cannot be read."""
        try:
            yield
        except Unreadable as error:
            self._findings.add(self._root, "unreadable-file", error.message, name, hint=error.hint)

    def _text(self, name: str, file: str) -> str:
        with self._unreadable_told(name):
            return as_text(self._folders.read(file)[1])
        return ""

    def _base(self, file: str) -> YamlOrigin | None:
        with self._unreadable_told("problem"):
            return read_whole(self._folders.read(file)[0], self._lists_from)
        return None

    def _factors(self) -> tuple[Factor, ...]:
        raw = self._raw.get("vary")
        if raw is None:
            return ()
        origin = self._root.part("vary")
        if not isinstance(raw, dict):
            self._wrong(origin, "a mapping by path or name", raw)
            return ()
        made = []
        for name, value in raw.items():
            settings = self._settings(name, value, origin.part(name, label=f"vary[{name}]"))
            labels = [s.label for s in settings]
            for number, setting in enumerate(settings):
                if setting.label in labels[:number]:
                    self._findings.add(
                        setting.origin or origin, "duplicate-name", f"{setting.label} stands twice"
                    )
            made.append(Factor(name, tuple(settings)))
        return tuple(made)

    def _wrong(self, origin: YamlOrigin, expected: str, value: Any) -> None:
        self._findings.add(origin, "wrong-kind", f"expected {expected}, got {got(value)}")

    def _settings(self, name: str, value: Any, origin: YamlOrigin) -> list[Setting]:
        """Settings of one factor: a list of values, a range of numbers, or variants by name."""
        if isinstance(value, list):
            if not value:
                self._findings.add(origin, "out-of-range", "expected at least 1 value, got none")
            self._check_path(name, origin)
            return [self._one(name, v, origin.part(i)) for i, v in enumerate(value)]
        if not isinstance(value, dict):
            self._wrong(origin, "a list of values, a range, or variants by name", value)
            return []
        if set(value) & set(RangeTable.model_fields):
            self._check_path(name, origin)
            item = read_table(RangeTable, value, origin, self._findings)
            return self._range(name, item, origin) if item.whole else []
        return [self._variant(v, content, origin.part(v)) for v, content in value.items()]

    def _check_path(self, path: str, origin: YamlOrigin) -> None:
        steps = path_steps(path)
        known = key_names(ProblemTable)
        if steps and steps[0] in FIXED:
            self._findings.clash(origin, f"'{steps[0]}' cannot vary", on_key=True)
        elif path not in QUESTION_KEYS and (not steps or steps[0] not in known):
            first = steps[0] if steps else path
            self._findings.unknown(
                origin, f"no such key of a problem: '{first}'", first, [*known, *QUESTION_KEYS],
                on_key=True,
            )  # fmt: skip

    def _one(self, path: str, value: Any, origin: YamlOrigin) -> Setting:
        if path in QUESTION_KEYS:
            value = self._asked(path, value, origin)
        number = value if isinstance(value, int | Decimal) and not isinstance(value, bool) else None
        return Setting(
            label=_label(value),
            number=None if number is None else float(number),
            put={path: value},
            origin=origin,
        )

    def _asked(self, name: str, value: Any, origin: YamlOrigin) -> Any:
        """A value of the question, read as the study itself reads its own."""
        kind = kind_of(StudyTable.model_fields[name])
        assert kind is not None
        try:
            return kind.read(value)
        except PydanticCustomError as error:
            self._findings.refused(origin, error, name)
            return value

    def _range(self, name: str, item: Item[RangeTable], origin: YamlOrigin) -> list[Setting]:
        table = item.table
        if table.low > table.high:
            self._findings.clash(origin, f"expected low at most high, got {table.low}", "low")
            return []
        count = int((table.high - table.low) / table.step) + 1
        if count > MOST_CASES:
            self._findings.add(
                origin, "out-of-range", f"expected at most {MOST_CASES} values, got {count}"
            )
            return []
        values = [table.low + k * table.step for k in range(count)]
        whole = all(v == v.to_integral_value() for v in values)
        return [self._one(name, int(v) if whole else v, origin) for v in values]

    def _variant(self, name: str, value: Any, origin: YamlOrigin) -> Setting:
        item = read_table(VariantTable, {} if value is None else value, origin, self._findings)
        put, add = item.table.set, item.table.add
        if put is not None and not isinstance(put, dict):
            self._wrong(origin.part("set"), "a mapping by path", put)
            put = None
        for path in put or ():
            self._check_path(path, origin.part("set", path))
            if path in QUESTION_KEYS:
                put = {**put, path: self._asked(path, put[path], origin.part("set", path))}
        if add is not None and not isinstance(add, dict):
            self._wrong(origin.part("add"), "a mapping by list section", add)
            add = None
        return Setting(
            label=name,
            put=put or {},
            leave_out=item.table.leave_out or (),
            add={s: self._added(s, rows, origin.part("add", s)) for s, rows in (add or {}).items()},
            origin=origin,
        )

    def _added(self, section: str, items: Any, origin: YamlOrigin) -> list[Any]:
        if section not in _ADDABLE:
            self._findings.unknown(
                origin, f"no items of '{section}' can be added", section, _ADDABLE, on_key=True
            )
            return []
        if not isinstance(items, list):
            self._wrong(origin, "a list", items)
            return []
        model = tables_inside(ProblemTable.model_fields[section].annotation)[0]
        for number, item in enumerate(items):
            read_table(model, item, origin.part(number), self._findings)
        return items

    def _cases(
        self, top: Item[StudyTable], factors: tuple[Factor, ...]
    ) -> tuple[tuple[Case, ...], tuple[Factor, ...]]:
        draws, listed = top.table.draws, top.table.cases
        if draws is not None and listed is not None:
            self._findings.clash(self._root, "draws are of the grid; cases are listed", "draws")
            return (), factors
        if listed is not None:
            return self._listed(listed, factors)
        size = grid_size(factors)
        count = size if draws is None else draws.count
        if count > MOST_CASES:
            self._findings.add(
                self._root, "out-of-range", f"expected at most {MOST_CASES} cases, got {size}",
                "vary", hint="draw some of them: draws: {count: 200, seed: 1}",
            )  # fmt: skip
            return (), factors
        if count > size:
            self._findings.add(
                self._root, "out-of-range", f"expected at most the {size} of the grid, got {count}",
                "draws", "count",
            )  # fmt: skip
            return (), factors
        if draws is None:
            return grid_cases(factors, range(size)), factors
        # Each case of the grid is as likely as any other.
        drawn = random.Random(draws.seed).sample(range(size), draws.count)
        return grid_cases(factors, drawn), factors

    def _listed(
        self, raw: Any, factors: tuple[Factor, ...]
    ) -> tuple[tuple[Case, ...], tuple[Factor, ...]]:
        """Cases of a list; a key that ``vary`` does not have is a path."""
        origin = self._root.part("cases")
        if not isinstance(raw, list) or not raw:
            self._wrong(origin, "a list of cases, each a mapping", raw)
            return (), factors
        if len(raw) > MOST_CASES:
            self._findings.add(
                origin, "out-of-range", f"expected at most {MOST_CASES} cases, got {len(raw)}"
            )
            return (), factors
        known = {f.name: {s.label: s for s in f.settings} for f in factors}
        rows: list[dict[str, Setting]] = []
        for number, row in enumerate(raw):
            place = origin.part(number)
            if not isinstance(row, dict):
                self._wrong(place, "a mapping by path or name", row)
                continue
            rows.append({k: self._of_row(k, v, known, place.part(k)) for k, v in row.items()})
        names = dict.fromkeys([*known, *(name for row in rows for name in row)])
        found = []
        for name in names:
            used = {row.get(name, AS_IS).label: row.get(name, AS_IS) for row in rows}
            found.append(Factor(name, tuple(used.values())))
        cases = [Case(n, tuple(r.get(f.name, AS_IS) for f in found)) for n, r in enumerate(rows, 1)]
        return tuple(cases), tuple(found)

    def _of_row(
        self, name: str, value: Any, known: Mapping[str, Mapping[str, Setting]], origin: YamlOrigin
    ) -> Setting:
        variants = known.get(name, {})
        label = _label(value)
        if label in variants:
            return replace(variants[label], origin=origin)
        if any(name not in s.put for s in variants.values()):
            self._findings.unknown(
                origin, f"no such variant of {name}: '{label}'", label, list(variants)
            )
            return AS_IS
        self._check_path(name, origin)
        return self._one(name, value, origin)

    def _check_cases(self, study: Study) -> None:
        """Make the problem of every case; what is wrong is told where the study makes it so."""
        told: set[tuple[str, str]] = set()
        for case in study.cases:
            for finding, setting in case_findings(study, case):
                origin = (setting.origin if setting else None) or self._root.part("vary")
                what = (finding.where, finding.message)
                if what in told:
                    continue
                told.add(what)
                where = f"{finding.where}: " if finding.where else ""
                words = f"case {case.number} ({study.words(case)}): {where}{finding.message}"
                self._findings.add(origin, finding.code, words, hint=finding.hint)


def _label(value: Any) -> str:
    """What a value is called."""
    if isinstance(value, list):
        return " ".join(_label(v) for v in value)
    if isinstance(value, dict):
        return ", ".join(f"{k} {_label(v)}" for k, v in value.items())
    return "none" if value is None else value if isinstance(value, str) else got(value)


def case_problem(study: Study, case: Case) -> Problem:
    """Make the problem of a case of a study that was read."""
    if (made := study.made.get(case.number)) is not None:
        problem: Problem = pickle.loads(made)
        return problem
    data = varied(study.base.document.data, case.settings)
    found, findings = problem_of(_origin_of(study, data), problem_digest(data))
    if found is None:
        raise WrongFile(findings)
    return found


def case_digest(study: Study, case: Case) -> str:
    """Digest of the problem of a case."""
    if (told := study.digests.get(case.number)) is not None:
        return told
    return problem_digest(varied(study.base.document.data, case.settings))


def _origin_of(study: Study, data: dict[str, Any]) -> YamlOrigin:
    return YamlOrigin(replace(study.base.document, data=data))


def case_findings(study: Study, case: Case) -> list[tuple[Finding, Setting | None]]:
    """What is wrong with the problem of a case, with the setting that makes it so if clear."""
    base = study.base.document
    lists = [base.data.get(s) for s in ("devices", "switches", "forecast")]
    known = {i["id"] for items in lists if isinstance(items, list) for i in items}
    added = (item for s in case.settings for items in s.add.values() for item in items)
    known |= {item.get("id") for item in added}
    for setting in case.settings:
        for name in setting.leave_out:
            if name not in known:
                message = f"no such device or switch: '{name}'"
                its = [d["id"] for d in base.data.get("devices") or () if d.get("option") == name]
                hint = f"an option goes with its devices: [{', '.join(its)}]" if its else ""
                finding = Finding(base.file, 0, 0, "unknown-name", "leave_out", message, hint)
                return [(finding, setting)]
    for setting in case.settings:
        try:
            varied(base.data, [setting])
        except (NoSuchItem, NotThere) as error:
            hint = Findings().near(error.name, error.known) if isinstance(error, NoSuchItem) else ""
            told = str(error) if hint or isinstance(error, NoSuchItem) else "leads into a value"
            return [(Finding(base.file, 0, 0, "unknown-name", "", told, hint), setting)]
    try:
        data = varied(base.data, case.settings)
    except NoSuchItem as error:
        # Each setting has what it names, so another one leaves it out.
        told, hint = f"'{error.name}' varies and is left out", "vary it among what keeps it"
        puts = (s for s in case.settings for path in s.put if error.name in path_steps(path))
        finding = Finding(base.file, 0, 0, "not-allowed-together", "", told, hint)
        return [(finding, next(puts, None))]
    digest = problem_digest(data)
    problem, findings = problem_of(_origin_of(study, data), digest)
    study.digests[case.number] = digest
    first = next(iter(study.made.values()), b"")
    if problem is not None and len(study.made) * len(first) < _MADE_BYTES:
        study.made[case.number] = pickle.dumps(problem, pickle.HIGHEST_PROTOCOL)
    return [(f, _cause(f, case)) for f in findings if f.severity == "error"]


def _cause(finding: Finding, case: Case) -> Setting | None:
    """The setting of a case that put what a finding is about; else the only one that changes."""
    where = path_steps(finding.where)
    best, length = None, 0
    for setting in case.settings:
        for path in setting.put:
            steps = path_steps(path)
            shared = 0
            for a, b in zip(steps, where, strict=False):
                if a != b:
                    break
                shared += 1
            if shared > length and shared >= min(len(steps), len(where)):
                best, length = setting, shared
    if best is not None:
        return best
    changing = [s for s in case.settings if s.put or s.leave_out or s.add]
    return changing[0] if len(changing) == 1 else None
