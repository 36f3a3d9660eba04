"""An amount beside its limit: the one reckoning behind a breach and a margin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.model.catalogue import Trust
from partitioner.units import UM_PER_M, ceil_div
from partitioner.wording import metres

Breach = tuple[tuple[str, ...], str]
"""Subjects and sentence of one breach of a rule."""

FILE = "problem file"
_MM = UM_PER_M // 1_000


@dataclass(frozen=True, slots=True)
class Measure:
    """An amount that a rule limits, at one place of a layout.

    Attributes
    ----------
    subjects
        Whom a breach would concern.
    where
        The place in words, for the margin.
    used, limit
        In the base unit that ``show`` puts into people's units.
    breach, margin
        Sentence of a breach, and text of the margin, with ``{0}``, ``{1}`` … for the subjects and
        ``{used}``, ``{limit}``, ``{over}``, ``{left}``, ``{kept}``, ``{grade}``.
    spare
        Kept free for growth, counted as used.
    is_least
        The limit is the least allowed, not the most.
    source, trust
        Where the limit comes from.
    """

    subjects: tuple[str, ...]
    where: str
    used: int
    limit: int
    show: Callable[[int], str]
    breach: str = ""
    margin: str = "{used}{kept} of {limit}, {left}"
    spare: int = 0
    grade: str = ""
    is_least: bool = False
    source: str = FILE
    trust: Trust = Trust.USER

    @property
    def over(self) -> int:
        """How far the limit is passed; 0 or below where it is kept."""
        over = self.used + self.spare - self.limit
        return -over if self.is_least else over

    @property
    def share(self) -> float:
        """Share of the limit in use; above 1 is broken."""
        used, limit = self.used + self.spare, self.limit
        if self.is_least:
            used, limit = limit, used
        if limit > 0:
            return used / limit
        return 1.0 if used <= 0 else float("inf")

    @property
    def sentence(self) -> str:
        """Say how the limit is passed."""
        return self._filled(self.breach, " and keeps {} free")

    @property
    def text(self) -> str:
        """Say how much is left."""
        return self._filled(self.margin, " and {} kept free")

    def _filled(self, template: str, kept: str) -> str:
        # A used length is told in whole millimetres where its limit is in such, and rounded to the
        # harder side: what is kept or broken never looks otherwise, and the amounts add up.
        is_whole = self.show is metres and not (self.limit % _MM or self.spare % _MM)
        step = _MM if is_whole else 1
        used = (self.used // step if self.is_least else ceil_div(self.used, step)) * step
        over = self.show(abs(used + self.spare - self.limit))
        return template.format(
            *self.subjects,
            used=self.show(used),
            limit=self.show(self.limit),
            over=over,
            left=f"{over} {'left' if self.over <= 0 else 'too much'}",
            kept=kept.format(self.show(self.spare)) if self.spare else "",
            grade=self.grade,
        )
