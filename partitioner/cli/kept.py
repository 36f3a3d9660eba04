"""A better result is not replaced by a worse one: both are kept, and that is said."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from partitioner.application.earlier import Earlier, read_earlier
from partitioner.cli.output import ALSO_FOUND, Place
from partitioner.cli.voice import Voice
from partitioner.model.problem import Problem
from partitioner.report.amounts import gap_text
from partitioner.report.archive import with_archive
from partitioner.report.text import plain, verdict_text
from partitioner.report.verdict import total_text
from partitioner.units import MONEY_STEPS, gap_share, in_units


@dataclass(frozen=True, slots=True)
class Kept:
    """An earlier result that stays, and where the result of this run is.

    ``cost_money`` and ``bound_money`` are the objective values of this run's layout.
    """

    problem: Problem
    folder: Path
    earlier: Earlier
    also_found: Path
    cost_money: int
    bound_money: int | None

    @property
    def is_proved(self) -> bool:
        """Whether the layout that stays is proved optimal."""
        return _is_proved(*self._stays)

    def text(self) -> str:
        """The verdict on the layout that stays, for stdout."""
        return verdict_text(self.problem, self.earlier.assessment, self.earlier.outcome)

    def data(self) -> dict[str, Any]:
        """What ``outcome.json`` tells of the layout that stays, and where this run's is."""
        return {**self._stored(), "also_found": self.also_found_data()}

    def also_found_data(self) -> dict[str, Any]:
        """Give the result of this run in short."""
        return _in_short(self.also_found, self.cost_money, self.bound_money)

    def kept_data(self) -> dict[str, Any]:
        """Give the result that stays in short."""
        return {**_in_short(self.folder, *self._stays), "also_found": self.also_found_data()}

    def sentence(self) -> str:
        """Say which of the two stays, and where the other one is."""
        stays = self._with_proof(*self._stays)
        found = self._with_proof(self.cost_money, self.bound_money)
        return plain(
            f"kept the earlier layout in {self.folder}/ with {stays}; this run's, with {found}, is "
            f"in {self.also_found}/ (--replace would put it in place)"
        )

    def _stored(self) -> dict[str, Any]:
        if not self.earlier.is_edited:
            return self.earlier.data
        from partitioner.report.outcome_json import outcome_data
        from partitioner.report.told import Told

        earlier = self.earlier
        return outcome_data(Told(self.problem, earlier.assessment, earlier.outcome))

    @property
    def _stays(self) -> tuple[int, int | None]:
        outcome = self.earlier.outcome
        cost = self.earlier.assessment.cost.objective_money
        return cost, None if outcome is None else outcome.bound_money

    def _with_proof(self, cost_money: int, bound_money: int | None) -> str:
        amount = total_text(self.problem, cost_money)
        if bound_money is None:
            return f"{amount} (not planned)"
        if bound_money <= 0:
            return f"{amount} (nothing proved)"
        if _is_proved(cost_money, bound_money):
            return f"{amount} (proved optimal)"
        return f"{amount} (gap {gap_text(gap_share(cost_money, bound_money))})"


def keep_better(
    place: Place,
    problem: Problem,
    files: Mapping[str, str | bytes],
    cost_money: int,
    bound_money: int | None,
    voice: Voice,
    *,
    replace: bool,
    is_zipped: bool,
    is_better: Callable[[Earlier], bool] | None = None,
) -> Kept | None:
    """Write a set into its folder, or within it if the folder holds a better one.

    ``cost_money`` and ``bound_money`` are the objective value of the layout and its bound; None
    without one. ``replace`` writes it into the folder whatever that holds; ``is_zipped`` adds an
    archive. ``is_better`` says whether an earlier layout that keeps all rules is the better one;
    None: by cost, then by bound. Gives None if the set is in the folder.
    """
    if is_zipped:
        files = with_archive(files, problem.name)
    earlier = None if replace else read_earlier(place.folder, problem)
    if earlier is not None:
        voice.step("comparing with the layout that the folder holds")
        judged = (
            earlier.is_better_than(cost_money, bound_money)
            if is_better is None
            else is_better(earlier)
        )
        if judged:
            within = place.write_within(ALSO_FOUND, files)
            return Kept(problem, place.folder, earlier, within, cost_money, bound_money)
    place.write(files)
    return None


def _in_short(folder: Path, cost_money: int, bound_money: int | None) -> dict[str, Any]:
    bound = in_units(bound_money, MONEY_STEPS)
    return {"folder": str(folder), "priced_total": cost_money / MONEY_STEPS, "bound": bound}


def _is_proved(cost_money: int, bound_money: int | None) -> bool:
    return bound_money is not None and bound_money >= cost_money
