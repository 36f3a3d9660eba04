"""How a search is going, on stderr: what is found, what is sought, time left."""

from __future__ import annotations

import sys
from collections.abc import Callable

from partitioner.cli.voice import Voice
from partitioner.model.outcome import Sample
from partitioner.report.amounts import NBSP, gap_text
from partitioner.units import MONEY_STEPS, duration_text, gap_share
from partitioner.visible import visible

_PLAIN_EVERY_S = 10.0
_LINE_EVERY_S = 0.2


class Progress:
    """Shows how a running search is going, with ``limit_s`` seconds left from now on.

    On a terminal one line is rewritten; elsewhere a line is written every 10 s. With ``-vv`` every
    word has a line. There is no bar: nobody knows how much of a search is done.
    """

    def __init__(self, voice: Voice, limit_s: float, currency: str, clock: Callable[[], float]):
        self._voice = voice
        self._begun_at = clock()
        self._ends_at = self._begun_at + limit_s
        self._currency = currency
        self._clock = clock
        self._next_at = -1.0
        self._is_terminal = sys.stderr.isatty()

    def sample(self, sample: Sample, message: str) -> None:
        """Show best cost, bound and gap, if it is time to."""
        self._tell(lambda left: progress_text(sample, message, left, self._currency))

    def state(self, text: str) -> None:
        """Show what is found and sought, if it is time to."""
        self._tell(lambda left: f"{text}, {left} left")

    def words(self, text: str) -> None:
        """Show a sentence, if it is time to."""
        self._tell(lambda _: text)

    def _tell(self, words: Callable[[str], str]) -> None:
        session = self._voice.session
        if session.is_quiet:
            return
        now = self._clock()
        text = words(duration_text(max(0, round(self._ends_at - now))))
        if session.verbosity >= 2:
            self._voice.plain(f"{now - self._begun_at:8.1f} s  {visible(text)}")
            return
        if now < self._next_at:
            return
        if self._is_terminal:
            self._next_at = now + _LINE_EVERY_S
            self._voice.rewrite_line(text)
        else:
            # The first word of a short run is no news; wait one interval before speaking.
            is_first = self._next_at < 0
            self._next_at = now + _PLAIN_EVERY_S
            if not is_first:
                self._voice.plain(visible(text))


def progress_text(sample: Sample, message: str, left: str, currency: str) -> str:
    """Put one sample into words.

    Examples
    --------
    >>> progress_text(Sample(12.0, 8_123_400, 8_000_000), "improving", "48 s", "EUR")
    'best 812.34 EUR, bound 800.00, gap 1.6 %, 48 s left: improving'
    >>> progress_text(Sample(0.2, None, None), "", "1 min", "EUR")
    'no layout yet, 1 min left'
    """
    parts = []
    if sample.cost_money is None:
        parts.append("no layout yet")
    else:
        parts.append(f"best {sample.cost_money / MONEY_STEPS:.2f} {currency}")
    if sample.bound_money is not None:
        parts.append(f"bound {sample.bound_money / MONEY_STEPS:.2f}")
        if sample.cost_money:
            gap = gap_text(gap_share(sample.cost_money, sample.bound_money))
            parts.append(f"gap {gap}".replace(NBSP, " "))
    parts.append(f"{left} left")
    return ", ".join(parts) + (f": {message}" if message else "")
