"""The command line: finds the command, runs it, ends with the right exit code."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from io import StringIO

import click

from partitioner.cli.failures import tell_failure
from partitioner.cli.lazy import LazyGroup
from partitioner.cli.machine import end_streams, is_of_echo, settle_streams, silence, stdout_words
from partitioner.cli.session import Session, manner_options
from partitioner.cli.voice import Voice
from partitioner.errors import ExitCode, MachineFault
from partitioner.visible import visible

COMMANDS = {
    "new": "partitioner.cli.new",
    "import": "partitioner.cli.import_",
    "plan": "partitioner.cli.plan",
    "check": "partitioner.cli.check",
    "report": "partitioner.cli.report",
    "replan": "partitioner.cli.replan",
    "tradeoff": "partitioner.cli.tradeoff",
    "sweep": "partitioner.cli.sweep",
    "explain": "partitioner.cli.explain",
    "schema": "partitioner.cli.schema",
}


def _print_version(context: click.Context, parameter: click.Parameter, value: bool) -> None:
    if not value or context.resilient_parsing:
        return
    # From the metadata: importing the solver to learn its version would cost a second.
    from importlib.metadata import version

    from partitioner import __version__

    python = ".".join(str(n) for n in sys.version_info[:3])
    click.echo(f"partitioner {__version__} (ortools {version('ortools')}, Python {python})")
    context.exit()


@click.group(
    cls=LazyGroup,
    modules=COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"], "auto_envvar_prefix": "PARTITIONER"},
    epilog="Example: partitioner new problem.yaml && partitioner plan problem.yaml -o out",
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_print_version,
    help="Print the versions of the program and its solver.",
)  # fmt: skip
@manner_options
def partitioner() -> None:
    """Plan an Ethernet layout of shared 10BASE-T1S lines and point-to-point links.

    From a list of devices, switches, streams and cable pathways: which devices share a line, in
    which order and at which port; every deadline proved; and how far from the cheapest layout the
    plan can be at most.
    """


def _on_one_line(error: click.ClickException) -> click.ClickException:
    """The same with a message in which nothing that was typed can forge a line of ours."""
    message = visible(error.format_message())
    if isinstance(error, click.UsageError):
        return click.UsageError(message, error.ctx)
    return click.ClickException(message)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line, without the program's name, and give its exit code; None: our own."""
    settle_streams()
    session = Session()
    voice = Voice(session)
    code = _run(arguments, session, voice)
    refused = end_streams()
    if refused is not None:
        voice.error(refused)
        code = int(ExitCode.FAULT)
    return code


def _run(arguments: Sequence[str] | None, session: Session, voice: Voice) -> int:
    """Run one command line and tell how it failed, if it did."""
    try:
        result = partitioner.main(
            args=None if arguments is None else list(arguments),
            prog_name="partitioner",
            standalone_mode=False,
            obj=session,
        )
        return int(result) if isinstance(result, int) else int(ExitCode.OK)
    except SystemExit as end:
        # The shell completion of click ends this way.
        return end.code if isinstance(end.code, int) else int(ExitCode.FAULT)
    except click.ClickException as error:
        said = StringIO()
        _on_one_line(error).show(said)
        voice.plain(said.getvalue().rstrip("\n"))
        return int(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        voice.error("stopped by you before there was anything to keep")
        return int(ExitCode.FAULT)
    except BrokenPipeError:
        # The reader of our output went away. Python would complain once more while it closes.
        silence(sys.stdout)
        return int(ExitCode.FAULT)
    except Exception as error:
        if isinstance(error, OSError) and is_of_echo(error):
            # Help and version, which click prints.
            silence(sys.stdout)
            error = MachineFault(stdout_words(error))
        try:
            return int(tell_failure(error, voice))
        except BrokenPipeError:
            silence(sys.stdout)
            return int(ExitCode.FAULT)
        except MemoryError:
            # Not even the words could be made: these need nothing more.
            os.write(2, b"error: there is not enough memory\n")
            return int(ExitCode.FAULT)
