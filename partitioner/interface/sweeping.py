"""One question over many cases: each as it ends, and what all of them teach."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from partitioner.application.search import cores_for
from partitioner.interface.answers import Printed
from partitioner.interface.problem import AnyPath, problem_of_data
from partitioner.interface.stopping import stop_wish
from partitioner.units import MONEY_STEPS, in_units

if TYPE_CHECKING:
    from partitioner.application import sweep as application
    from partitioner.cluster.connection import Client
    from partitioner.studies.lessons import CaseResult

SWEEP = "sweep.json"


@dataclass(frozen=True, slots=True)
class SweepCase:
    """A case of a study that has ended.

    Attributes
    ----------
    number
        Its number in the study, from 1.
    settings
        What it has of each thing that varies, as the study calls it.
    status
        ``optimal``, ``feasible``, ``no-layout``, ``no-answer``, ``fault`` or ``set-aside``.
    priced_total
        What was minimised, in the currency of the problem; None without a layout.
    bound
        No layout of this case has a priced total below this; None where nothing is proved.
    data
        All of its answer, as the command keeps it.
    """

    number: int
    settings: Mapping[str, str]
    status: str
    priced_total: float | None
    bound: float | None
    data: Mapping[str, Any]


@dataclass(frozen=True, repr=False)
class SweepAnswer(Printed):
    """All cases of a study that have ended, what is best where, and how safe that is."""

    _answer: application.SweepAnswer
    _folder: Path | None
    _marks = (SWEEP,)

    @property
    def is_complete(self) -> bool:
        """Whether every case has ended."""
        return self._answer.is_whole

    def write(self, folder: AnyPath, *, force: bool = False, archive: bool = False) -> Path:
        """Write what the command writes, the folders of the best layouts too; give the folder.

        Parameters
        ----------
        folder
            As of other answers; that of the study itself is never refused.
        force, archive
            As of other answers.

        Raises
        ------
        FileExistsError
            If it holds other things.
        OSError
            If the disk refuses.
        """
        from partitioner.report.writer import write_set

        own = self._folder is not None and Path(folder).resolve() == self._folder.resolve()
        target = super().write(folder, force=force or own, archive=archive)
        for number, files in enumerate(self._answer.best_files(), start=1):
            write_set(target / f"best-{number}", files, force)
        return target


class Sweep:
    """A study at work: iterate over it for the cases as they end.

    Cases that have ended before come first. With ``with``, the processes of this machine stay until
    its end, and are not started twice.
    """

    def __init__(self, running: application.Sweep, folder: Path | None):
        self._running = running
        self._folder = folder
        self._stack = ExitStack()
        self.problem = problem_of_data(running.study.base.document.data)

    def __enter__(self) -> Sweep:
        self._stack.enter_context(self._running)
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def __iter__(self) -> Iterator[SweepCase]:
        """Give each case once: those that have ended, then the others as they do."""
        for result in self._running:
            yield self._case(result)

    def _case(self, result: CaseResult) -> SweepCase:
        pairs = zip(self._running.study.factors, result.case.settings, strict=True)
        return SweepCase(
            result.case.number,
            {factor.name: setting.label for factor, setting in pairs},
            result.status,
            in_units(result.cost_money, MONEY_STEPS),
            in_units(result.bound_money, MONEY_STEPS),
            result.data,
        )

    def answer(self, best: int = 3) -> SweepAnswer:
        """Run what is missing and sum up; Ctrl-C gives what there is.

        Parameters
        ----------
        best
            How many of the cheapest layouts to judge in every case.
        """
        with stop_wish() as is_stopped:
            self._running.should_stop = is_stopped
            return SweepAnswer(self.problem, self._running.answer(best), self._folder)

    def __repr__(self) -> str:
        return f"<Sweep {self._running.study.name}: {len(self._running.study.cases)} cases>"


def sweep(
    study: AnyPath,
    folder: AnyPath | None = None,
    *,
    client: Client | None = None,
    workers: int | None = None,
    memory_bytes: int | None = None,
    retry: bool = False,
    lists_from: Sequence[AnyPath] = (),
) -> Sweep:
    """Ask one question over many cases; nothing runs before the answer is iterated over.

    Parameters
    ----------
    study
        The study file.
    folder
        Where results are kept, as by the command: what is there is not run again. None: in memory.
    client
        A ``distributed.Client`` of a cluster to run on, which stays open. Its workers, and its
        scheduler, need the program in the same version.
    workers
        Without a client: processes on this machine; None: one for each core. A script must be
        guarded by ``if __name__ == "__main__"`` then, since each process imports it.
    memory_bytes
        Most memory of each such process; None: the machine's, shared out.
    retry
        Run cases again that failed by a fault or for want of time or memory.
    lists_from
        Folders, besides that of the problem, that its lists may lie in.

    Raises
    ------
    WrongFile
        With every finding in the study or its problem.
    """
    from partitioner.application.sweep import Sweep as Running
    from partitioner.cluster.connection import given_cluster, local_cluster
    from partitioner.studies.folder import CASES, JUDGED, InFolder
    from partitioner.studies.study_file import read_study

    place = None if folder is None else Path(folder)
    cores = cores_for(workers)
    memory: str | int = "auto" if memory_bytes is None else memory_bytes
    running = Running(
        read_study(Path(study), [Path(lists) for lists in lists_from]),
        None if place is None else InFolder(place / CASES),
        cluster=local_cluster(cores, memory) if client is None else given_cluster(client),
        workers=cores,
        retry=retry,
        judgements=None if place is None else InFolder(place / JUDGED),
    )
    return Sweep(running, place)
