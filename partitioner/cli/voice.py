"""The only module that prints: the answer goes to stdout, everything else to stderr."""

from __future__ import annotations

import os
import sys
from typing import IO, Any, Protocol

import click

from partitioner.cli.machine import silence, stdout_words
from partitioner.cli.session import Session
from partitioner.cli.signals import say_now
from partitioner.errors import MachineFault
from partitioner.visible import json_text, visible, visible_lines


class Answer(Protocol):
    """What a command answers, in both its forms."""

    def text(self) -> str:
        """For a terminal."""
        ...

    def data(self) -> dict[str, Any]:
        """For ``--json``."""
        ...


class Voice:
    """Speaks for one session.

    A line of progress that is rewritten in place is cleared before anything else is written, so
    the two never mix. Whatever the texts hold, no control character but a line break of ours
    reaches the terminal: methods that say one line show a line break as a code too.
    """

    def __init__(self, session: Session):
        self.session = session
        self._line_width = 0

    def has_color(self, stream: IO[str]) -> bool:
        """Whether to colour what goes to ``stream``; a word always says the same as the colour."""
        if self.session.color is not None:
            return self.session.color
        return not os.environ.get("NO_COLOR") and stream.isatty()

    def answer(self, text: str) -> None:
        """Write the answer to stdout.

        Raises
        ------
        BrokenPipeError
            Whoever was reading it has had enough.
        MachineFault
            If it cannot be written.
        """
        self.clear_line()
        try:
            click.echo(visible_lines(text), color=self.has_color(sys.stdout))
        except BrokenPipeError:
            raise
        except OSError as error:
            silence(sys.stdout)
            raise MachineFault(stdout_words(error)) from error

    def answer_json(self, data: Any) -> None:
        """Write one JSON object to stdout."""
        self.answer(json_text(data))

    def answer_as_asked(self, answer: Answer) -> None:
        """Write the answer in the form that was asked for."""
        if self.session.is_json:
            self.answer_json(answer.data())
        else:
            self.answer(answer.text())

    def note(self, text: str) -> None:
        """Say something worth knowing, unless quiet."""
        if not self.session.is_quiet:
            self._write(visible(text))

    def note_now(self, text: str) -> None:
        """Say something worth knowing from a signal's handler, unless quiet."""
        if not self.session.is_quiet:
            say_now(text + "\n")

    def step(self, text: str) -> None:
        """Say which step is under way (``-v``)."""
        if self.session.verbosity >= 1 and not self.session.is_quiet:
            self._write(visible(text))

    def warn(self, text: str) -> None:
        """Warn, unless quiet."""
        if not self.session.is_quiet:
            self._write(self._styled("warning", "yellow") + f": {visible(text)}")

    def error(self, text: str) -> None:
        """Say what went wrong, always."""
        self._write(self._styled("error", "red") + f": {visible(text)}")

    def plain(self, text: str) -> None:
        """Write a ready text of one or more lines to stderr, always."""
        self._write(visible_lines(text))

    def rewrite_line(self, text: str) -> None:
        """Put ``text`` in place of the current line of progress (terminals only)."""
        text = visible(text)
        padded = text.ljust(self._line_width)
        self._line_width = len(text)
        self._to_stderr("\r" + padded)

    def clear_line(self) -> None:
        """Wipe the line of progress, if one stands there."""
        if self._line_width:
            self._to_stderr("\r" + " " * self._line_width + "\r")
            self._line_width = 0

    def _styled(self, word: str, color: str) -> str:
        return click.style(word, fg=color, bold=True)

    def _write(self, text: str) -> None:
        """Write what is safe to show; the colours in it are ours."""
        self.clear_line()
        self._to_stderr(text + "\n")

    def _to_stderr(self, text: str) -> None:
        """Write to stderr; that nobody hears it is no reason to give up the work."""
        try:
            click.echo(text, nl=False, err=True, color=self.has_color(sys.stderr))
        except (OSError, ValueError):
            silence(sys.stderr)
