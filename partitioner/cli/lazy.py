"""A group whose commands are imported when they are needed, so that ``--help`` stays quick."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib import import_module
from typing import Any

import click


class LazyGroup(click.Group):
    """A click group over modules, by name of the command, in the order of the help text.

    The command object in each module is called ``command``.
    """

    def __init__(self, *args: Any, modules: Mapping[str, str], **kwargs: Any):
        super().__init__(*args, **kwargs)
        self._modules = dict(modules)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the commands, in the order given."""
        return list(self._modules)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command; None when there is no such command."""
        module = self._modules.get(cmd_name)
        return import_module(module).command if module else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or suggest the nearest name."""
        if args and args[0] not in self._modules and not args[0].startswith("-"):
            ctx.fail(f"there is no command '{args[0]}'{near_words(args[0], self._modules)}")
        return super().resolve_command(ctx, args)


def near_words(name: str, known: Iterable[str]) -> str:
    """Ask whether the nearest known name was meant, if any is near."""
    from difflib import get_close_matches

    near = get_close_matches(name, known, n=1)
    return f"; did you mean '{near[0]}'?" if near else ""
