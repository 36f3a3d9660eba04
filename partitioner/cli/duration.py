"""Durations as people write them on a command line."""

from __future__ import annotations

import re

import click

_SECONDS = {"": 1, "s": 1, "m": 60, "min": 60, "h": 3600}


class Duration(click.ParamType[float, str | float]):
    """A length of time above zero, in seconds: ``90``, ``90s``, ``1.5m``, ``2min``, ``1h``."""

    name = "time"

    def convert(
        self, value: str | float, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Give the seconds; anything else is a wrong command line."""
        if isinstance(value, int | float):
            return float(value)
        match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)\s*(s|m|min|h)?", value.strip())
        seconds = float(match[1]) * _SECONDS[match[2] or ""] if match else 0.0
        if seconds <= 0:
            self.fail(
                f"{value!r} is no time: write seconds, or a number with s, min or h, as in 90s",
                param,
                ctx,
            )
        return seconds
