"""The reference page of the command line, made from the commands themselves."""

from __future__ import annotations

import click

from partitioner.cli.main import partitioner

_HEAD = """# The command line

This page is made from the program; `partitioner COMMAND --help` prints the same.

The answer goes to stdout, everything else (progress, warnings, errors) to stderr. How a command
ended is in its [exit code](exit-codes.md). Each option can also be set by an environment variable:
`PARTITIONER_`, the command, the option, in capitals with underscores, such as
`PARTITIONER_PLAN_TIME_LIMIT=2min`.

"""


def reference_text() -> str:
    """Write the whole page as Markdown."""
    root = click.Context(partitioner, info_name="partitioner")
    parts = [_HEAD, _section(partitioner, root, "partitioner")]
    for name in partitioner.list_commands(root):
        command = partitioner.get_command(root, name)
        assert command is not None
        context = click.Context(command, info_name=name, parent=root)
        parts.append(_section(command, context, f"partitioner {name}"))
    return "".join(parts).rstrip() + "\n"


_COMMON = {"quiet", "verbose", "debug", "color"}
"""Options that every command has; told once."""


def _section(command: click.Command, context: click.Context, title: str) -> str:
    lines = [f"## {title}\n\n"]
    usage = " ".join([title, *command.collect_usage_pieces(context)])
    lines.append(f"```\n{usage}\n```\n\n{_paragraphs(command.help or '')}\n\n")
    arguments = [p for p in command.params if isinstance(p, click.Argument)]
    options = [p for p in command.params if isinstance(p, click.Option)]
    if arguments:
        lines.append("| argument | meaning |\n|---|---|\n")
        lines += [f"| `{p.make_metavar(context)}` | {p.help} |\n" for p in arguments]
        lines.append("\n")
    lines.append("| option | meaning |\n|---|---|\n")
    if isinstance(command, click.Group):
        lines += [_row(option, context) for option in options]
        lines.append("| `-h, --help` | Show the help text and end. |\n\n")
        lines.append("All but `--version` may also stand after the command.\n\n")
    else:
        own = [option for option in options if option.name not in _COMMON]
        lines += [_row(option, context) for option in own]
        lines.append("| `-q`, `-v`, `--debug`, `--color` | As [above](#partitioner). |\n\n")
    if isinstance(command, click.Group):
        lines.append("| command | does |\n|---|---|\n")
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            lines.append(f"| [`{name}`](#partitioner-{name}) | {inner.get_short_help_str(90)} |\n")
        lines.append("\n")
    if command.epilog:
        lines.append(f"{command.epilog.replace('Example: ', 'Example: `', 1)}`\n\n")
    return "".join(lines)


def _row(option: click.Option, context: click.Context) -> str:
    record = option.get_help_record(context)
    assert record is not None
    names, text = record
    first, _, metavar = names.partition(" ") if "," not in names else (names, "", "")
    shown = f"{first} {metavar}".strip()
    return f"| `{shown}` | {' '.join(text.split())} |\n".replace("[default", "· [default")


def _paragraphs(text: str) -> str:
    return "\n\n".join(" ".join(p.split()) for p in text.split("\n\n"))
