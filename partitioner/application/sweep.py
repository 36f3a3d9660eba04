"""``sweep``: one question over many cases, on the cores of this machine or of a cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from partitioner.application.search import never, silent
from partitioner.cluster.connection import Cluster, local_cluster
from partitioner.cluster.tasks import MOST_DEATHS, Ended, run_tasks
from partitioner.errors import ExitCode, MachineFault
from partitioner.model.layout import Layout
from partitioner.pages.sweep import sweep_data, sweep_files, sweep_page, sweep_text
from partitioner.reading.layout_file import layout_from_text
from partitioner.reading.yaml_text import dump
from partitioner.replan.reading import earlier_layout
from partitioner.report.sections import Page
from partitioner.report.writer import LAYOUT
from partitioner.studies.folder import RESULT, RUN, InMemory, Results, data_of
from partitioner.studies.keys import case_key, judge_key
from partitioner.studies.lessons import CaseResult, Estimate, Learned, Robustness, robustness
from partitioner.studies.study import Ask, Case, CaseTask, JudgeTask, Study, asked_of
from partitioner.studies.study_file import case_digest, case_problem
from partitioner.studies.variation import varied
from partitioner.visible import json_file

if TYPE_CHECKING:
    from partitioner.cluster.connection import Client

# By name: the planner is loaded where cases run, and not here.
_RUN_CASE = "partitioner.application.sweep_case:run_case"
_RUN_JUDGEMENT = "partitioner.application.sweep_case:run_judgement"
_AGAIN = {int(ExitCode.FAULT), int(ExitCode.NO_ANSWER)}
"""Exit codes of results that another try may change."""


class SweepAnswer(Learned):
    """All results of a study, in the order of its cases, and how the best layouts do elsewhere."""

    def text(self) -> str:
        """The verdict with the best cases, for a terminal."""
        return sweep_text(self)

    def data(self) -> dict[str, Any]:
        """The same as plain data."""
        return sweep_data(self)

    def page(self) -> Page:
        """The page of the report."""
        return sweep_page(self)

    def files(self) -> dict[str, str]:
        """The page with its tables as CSV, and the data, by name."""
        return sweep_files(self)

    def best_files(self) -> list[dict[str, str | bytes]]:
        """For each of the best layouts its problem as a file, and the report of it."""
        return [_best_files(self.study, one) for one in self.best]


class Sweep:
    """A study at work: iterate over it for the results as they come.

    Results that are there already come first. When the iteration ends, every case has a result,
    unless ``should_stop``, which is asked several times a second, said so earlier; :meth:`answer`
    gives all of it. A cluster of its own is closed when no case is left to run, or, where it is
    used with ``with``, at the end of that.

    ``results`` are kept, and found again by another call, and so are ``judgements`` of the best
    layouts in other cases; None: in memory. The ``cluster`` is opened at the first case that has to
    run; None: a process for each of ``workers`` cores of this machine. ``retry`` runs cases again
    that failed for want of time, memory, or by a fault. ``on_warning`` is told each worker that is
    not used, and why.
    """

    def __init__(
        self,
        study: Study,
        results: Results | None = None,
        *,
        cluster: Cluster | None = None,
        workers: int = 1,
        should_stop: Callable[[], bool] = never,
        retry: bool = False,
        judgements: Results | None = None,
        on_warning: Callable[[str], None] = silent,
        on_step: Callable[[str], None] = silent,
    ):
        self.study = study
        self._results = results or InMemory()
        self._judgements = judgements or InMemory()
        self._cluster = cluster or local_cluster(workers)
        self._workers = workers
        self.should_stop = should_stop
        self._retry = retry
        self._on_warning = on_warning
        self._on_step = on_step
        self._stack = ExitStack()
        self._is_held = False
        self._client: Client | None = None
        self._cases: dict[str, list[Case]] = {}
        for case in study.cases:
            key = case_key(case_digest(study, case), asked_of(study, case), study.before)
            self._cases.setdefault(key, []).append(case)

    def __enter__(self) -> Sweep:
        """Keep the cluster open, once it is, until the end of the ``with``."""
        self._is_held = True
        return self

    def __exit__(self, *_: object) -> None:
        """Close the cluster, if it is the sweep's own."""
        self._is_held = False
        self._leave()

    def _leave(self) -> None:
        if not self._is_held:
            self._client = None
            self._stack.close()

    def estimate(self) -> Estimate:
        """Count what is there and what is to run, and how long that takes."""
        kept = {key: self._kept(key) for key in self._cases}
        missing = [self._cases[key][0] for key, data in kept.items() if data is None]
        limits = [asked_of(self.study, case).time_limit_s for case in missing]
        seconds = [data["run"].get("seconds") for data in kept.values() if data is not None]
        known = [s for s in seconds if isinstance(s, int | float)]
        mean = sum(known) / len(known) if known else None
        return Estimate(
            cases=len(self.study.cases),
            done=sum(len(c) for k, c in self._cases.items() if kept[k] is not None),
            to_run=len(missing),
            workers=self._workers,
            longest_s=sum(limits) / self._workers,
            likely_s=None if mean is None else mean * len(missing) / self._workers,
        )

    def _kept(self, key: str) -> dict[str, Any] | None:
        data = self._results.read(key)
        if data is not None and self._retry and data.get("exit_code") in _AGAIN:
            return None
        return data

    def __iter__(self) -> Iterator[CaseResult]:
        """Give each result once: those that are there, then the others as they come."""
        missing = []
        for key, cases in self._cases.items():
            if (data := self._kept(key)) is None:
                missing.append(key)
            else:
                yield from (CaseResult(case, key, data) for case in cases)
        for ended in self._run(_RUN_CASE, (self._task(key) for key in missing), len(missing)):
            key, files = ended.task.key, _files_of(ended)
            self._results.keep(key, files)
            data = data_of(files)
            yield from (CaseResult(case, key, data) for case in self._cases[key])
        # Another try is one try.
        self._retry = False

    def _task(self, key: str) -> CaseTask:
        case = self._cases[key][0]
        problem, question = case_problem(self.study, case), asked_of(self.study, case)
        before = None
        if question.ask is Ask.REPLAN:
            before, _ = earlier_layout(self.study.before, self.study.before_file, problem)
        return CaseTask(key, problem, question, before)

    def _run(self, function: str, tasks: Iterable[Any], count: int) -> Iterator[Ended]:
        if not count:
            return
        try:
            if self._client is None:
                self._on_step("starting the workers")
                self._client = self._stack.enter_context(self._cluster())
            yield from run_tasks(
                self._client, function, tasks, should_stop=self.should_stop,
                on_refused=self._on_warning,
            )  # fmt: skip
        finally:
            self._leave()

    def answer(self, best: int = 3) -> SweepAnswer:
        """Run what is missing, judge the ``best`` cheapest layouts in every case, and sum up.

        A case that was planned and in which one of these layouts costs less than what was found is
        planned once more, from that layout.
        """
        results = self._results_in_order()
        if len(results) < len(self.study.cases):
            return SweepAnswer(self.study, results, (), False)
        chosen = self._best(results, best)
        judged = self._judge(chosen, results)
        if self._plan_again(chosen, judged, results):
            results = self._results_in_order()
            chosen = self._best(results, best)
            judged = self._judge(chosen, results)
        told = (
            robustness(result, layout, results, [None if j is None else j[n] for j in judged])
            for n, (result, layout, _) in enumerate(chosen)
        )
        return SweepAnswer(self.study, results, tuple(told), True)

    def _results_in_order(self) -> tuple[CaseResult, ...]:
        """The result of each case, as far as there is one."""
        found = {result.case.number: result for result in self}
        return tuple(found[case.number] for case in self.study.cases if case.number in found)

    def _plan_again(
        self,
        chosen: Sequence[tuple[CaseResult, Layout, str]],
        judged: Sequence[list[dict[str, Any]] | None],
        results: Sequence[CaseResult],
    ) -> int:
        """Plan cases again in which a layout of another costs less; gives how many."""
        tasks: dict[str, CaseTask] = {}
        for result, layouts in zip(results, judged, strict=True):
            own = result.data.get("layout_money")
            better = [
                (told["layout_money"], n) for n, told in enumerate(layouts or ())
                if told["is_acceptable"] and (own is None or told["layout_money"] < own)
            ]
            task = self._task(result.key) if better and not self.should_stop() else None
            if task is not None and task.question.ask is Ask.PLAN:
                of, layout, _ = chosen[min(better)[1]]
                tasks[result.key] = replace(task, start=layout, start_case=of.case.number)
        if tasks:
            self._on_step(f"planning {len(tasks)} cases again, from cheaper layouts of others")
        for ended in self._run(_RUN_CASE, iter(tasks.values()), len(tasks)):
            if ended.value is not None:
                self._results.keep(ended.task.key, _files_of(ended))
        return len(tasks)

    def _best(
        self, results: Sequence[CaseResult], count: int
    ) -> list[tuple[CaseResult, Layout, str]]:
        """The cheapest layouts that differ from each other, with their texts."""
        ranked = sorted(
            (r for r in results if r.cost_money is not None),
            key=lambda r: (r.cost_money, r.case.number),
        )
        found: list[tuple[CaseResult, Layout, str]] = []
        seen = set()
        for result in ranked:
            if len(found) == count:
                break
            text = self._results.text(result.key, LAYOUT)
            problem = case_problem(self.study, result.case)
            layout, _ = layout_from_text(text, f"{result.key}/{LAYOUT}", problem)
            if layout is None:
                raise MachineFault(f"{result.key}/{LAYOUT} is no layout of its case any more")
            what = (layout.open_switches, layout.backbone, layout.segments)
            if what not in seen:
                seen.add(what)
                found.append((result, layout, text))
        return found

    def _judge(
        self, chosen: Sequence[tuple[CaseResult, Layout, str]], results: Sequence[CaseResult]
    ) -> list[list[dict[str, Any]] | None]:
        """By case: what the check says there of each layout chosen; None if it was not asked."""
        if not chosen:
            return [None] * len(results)
        self._on_step(f"judging {len(chosen)} layouts in every case")
        layouts = tuple(layout for _, layout, _ in chosen)
        texts = [text for _, _, text in chosen]
        case_of: dict[str, Case] = {}
        keys = []
        for result in results:
            keys.append(judge_key(case_digest(self.study, result.case), texts))
            case_of.setdefault(keys[-1], result.case)
        missing = [key for key in case_of if self._judgements.read(key) is None]
        tasks = (JudgeTask(key, case_problem(self.study, case_of[key]), layouts) for key in missing)
        for ended in self._run(_RUN_JUDGEMENT, tasks, len(missing)):
            if ended.value is not None:
                self._judgements.keep(ended.task.key, _files_of(ended))
        told = [self._judgements.read(key) for key in keys]
        return [None if t is None else t["judged"] for t in told]


def _files_of(ended: Ended) -> dict[str, str]:
    """Files of a task that ended: its own, or what there is to say of one that was set aside."""
    run = {"seconds": round(ended.seconds, 3), "worker": ended.worker}
    files = ended.value
    if files is None:
        told = f"it ended {MOST_DEATHS} workers: out of memory, killed, or crashed; set aside"
        answer = {"exit_code": int(ExitCode.FAULT), "status": "set-aside", "message": told}
        files = {RESULT: json_file({"ask": ended.task.question.ask, **answer})}
    return {**files, RUN: json_file(run)}


def _best_files(study: Study, one: Robustness) -> dict[str, str | bytes]:
    """The problem of a case as a file of its own, and the report of its layout."""
    from partitioner.application.report import report
    from partitioner.reading.problem import problem_from_text

    data = varied(study.base.document.data, one.result.case.settings)
    text = f"# Case {one.result.case.number} of the study.\n" + dump(data)
    problem = problem_from_text(text, "problem.yaml")
    return {"problem.yaml": text, **report(problem, one.layout).files()}
