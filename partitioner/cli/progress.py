"""How a search is going, on stderr: best cost, proven bound, gap, seconds left."""

from __future__ import annotations

import sys
from collections.abc import Callable

from partitioner.cli.voice import Voice
from partitioner.model.outcome import Sample
from partitioner.units import MONEY_STEPS
from partitioner.visible import visible

_PLAIN_EVERY_S = 10.0
_LINE_EVERY_S = 0.2


class Progress:
    """Shows samples of a running search.

    On a terminal one line is rewritten; elsewhere a line is written every 10 s. With ``-vv`` every
    sample has a line. There is no bar: nobody knows how much of a search is done.

    Parameters
    ----------
    voice
        Where to speak.
    limit_s
        Seconds the search may take.
    currency
        Written after amounts.
    clock
        Seconds, increasing.
    """

    def __init__(self, voice: Voice, limit_s: float, currency: str, clock: Callable[[], float]):
        self._voice = voice
        self._limit_s = limit_s
        self._currency = currency
        self._clock = clock
        self._next_at = -1.0
        self._is_terminal = sys.stderr.isatty()

    def __call__(self, sample: Sample, message: str) -> None:
        """Show one sample, if it is time to."""
        session = self._voice.session
        if session.is_quiet:
            return
        text = progress_text(sample, message, self._limit_s, self._currency)
        if session.verbosity >= 2:
            self._voice.plain(f"{sample.seconds:8.1f} s  {visible(text)}")
            return
        now = self._clock()
        if now < self._next_at:
            return
        if self._is_terminal:
            self._next_at = now + _LINE_EVERY_S
            self._voice.rewrite_line(text)
        else:
            # The first sample of a short run is no news; wait one interval before speaking.
            is_first = self._next_at < 0
            self._next_at = now + _PLAIN_EVERY_S
            if not is_first:
                self._voice.plain(visible(text))

    def close(self) -> None:
        """Wipe the line."""
        self._voice.clear_line()


def progress_text(sample: Sample, message: str, limit_s: float, currency: str) -> str:
    """Put one sample into words.

    Examples
    --------
    >>> progress_text(Sample(12.0, 8_123_400, 8_000_000), "improving", 60.0, "EUR")
    'best 812.34 EUR, bound 800.00, gap 1.5 %, 48 s left: improving'
    >>> progress_text(Sample(0.2, None, None), "", 60.0, "EUR")
    'no layout yet, 60 s left'
    """
    parts = []
    if sample.cost_money is None:
        parts.append("no layout yet")
    else:
        parts.append(f"best {sample.cost_money / MONEY_STEPS:.2f} {currency}")
    if sample.bound_money is not None:
        parts.append(f"bound {sample.bound_money / MONEY_STEPS:.2f}")
        if sample.cost_money:
            gap = max(0.0, 1 - sample.bound_money / sample.cost_money)
            parts.append(f"gap {gap:.1%}".replace("%", " %"))
    parts.append(f"{max(0.0, limit_s - sample.seconds):.0f} s left")
    return ", ".join(parts) + (f": {message}" if message else "")
