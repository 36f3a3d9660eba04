"""Options that lead to a dask cluster, and what is said of it, worded once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from partitioner.cli.options import FILE
from partitioner.cli.session import together

if TYPE_CHECKING:
    from partitioner.cli.voice import Voice
    from partitioner.cluster.connection import Cluster

cluster_options = together(
    click.option(
        "--scheduler", metavar="ADDRESS", default=None,
        help="Run on a dask cluster that is there already, by the address of its scheduler, such "
        "as tls://HOST:8786.",
    ),
    click.option(
        "--tls-ca", metavar="FILE", type=FILE,
        help="Certificate of the authority that the cluster is trusted by (PEM).",
    ),
    click.option(
        "--tls-cert", metavar="FILE", type=FILE,
        help="Certificate that shows who we are (PEM).",
    ),
    click.option(
        "--tls-key", metavar="FILE", type=FILE,
        help="Key of that certificate (PEM).",
    ),
)  # fmt: skip
"""The four options that :func:`cluster_at` takes."""


def must_belong_together(
    scheduler: str | None, *files: Path | None, of_this_machine: dict[str, object]
) -> None:
    """Refuse certificates without a scheduler, and with one what is of this machine alone.

    Raises
    ------
    UsageError
        If they do not go together.
    """
    if scheduler is None and any(files):
        raise click.UsageError("--tls-ca, --tls-cert and --tls-key belong to --scheduler")
    if scheduler is not None and any(of_this_machine.values()):
        names = " and ".join(of_this_machine)
        verb = "are" if len(of_this_machine) > 1 else "is"
        raise click.UsageError(f"{names} {verb} for this machine, not for --scheduler")


def cluster_at(
    scheduler: str, ca_file: Path | None, cert_file: Path | None, key_file: Path | None,
    voice: Voice,
) -> Cluster:  # fmt: skip
    """Give the cluster of a scheduler; a warning where anybody may reach it."""
    from partitioner.cluster.connection import is_exposed, remote_cluster

    if is_exposed(scheduler):
        voice.warn(
            f"{scheduler} is not encrypted and asks nobody who they are: whoever reaches it "
            "can run programs as the owner of the workers, and read and change what is sent. "
            "Use tls:// with --tls-ca, --tls-cert and --tls-key"
        )
    return remote_cluster(scheduler, ca_file=ca_file, cert_file=cert_file, key_file=key_file)
