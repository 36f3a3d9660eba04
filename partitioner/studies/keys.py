"""Keys of results: digests of all that an answer depends on."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from partitioner.cluster.connection import program_version
from partitioner.studies.study import Question

_LENGTH = 24
"""Hexadecimal digits: 96 bits, far more than ten thousand cases need to stay apart."""


def digest(*parts: object) -> str:
    """Digest of plain values; equal values give equal digests in every process."""
    return hashlib.sha256(repr(parts).encode("utf-8", "surrogateescape")).hexdigest()


def problem_digest(data: dict[str, Any]) -> str:
    """Digest of the data of a problem."""
    return digest(data)


def case_key(data_digest: str, question: Question, before: str) -> str:
    """Key of a case: the problem, what is asked, the earlier layout, the program's version."""
    asked = sorted(asdict(question).items())
    return digest(data_digest, asked, before, program_version())[:_LENGTH]


def judge_key(data_digest: str, layouts: Sequence[str]) -> str:
    """Key of the judgement of layouts (as texts) in a case."""
    return digest("judge", data_digest, list(layouts), program_version())[:_LENGTH]
