"""From an exception to words on stderr and an exit code; the only place that does it."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from typing import Any

from partitioner.cli.machine import machine_words
from partitioner.cli.voice import Voice
from partitioner.errors import (
    BrokenRules,
    ExitCode,
    MachineFault,
    NoAnswer,
    NoLayout,
    NotWritten,
    PartitionerError,
    WrongFile,
)
from partitioner.visible import some_of, visible

MOST_PLACES = 4
"""Further places in files told of one conflict; ``--json`` has all."""
MOST_ALIKE = 10
"""Statements of one rule told of what has no layout; ``--json`` has all."""


def tell_failure(error: BaseException, voice: Voice) -> ExitCode:
    """Tell a failure the way its kind asks for and give the exit code.

    With ``--json`` one object goes to stdout as well: ``exit_code``, ``status`` and what belongs
    to the kind (``findings``, ``conflicts``, ``bound``).
    """
    if isinstance(error, WrongFile):
        data = _tell_wrong_file(error, voice)
    elif isinstance(error, NoLayout):
        data = _tell_no_layout(error, voice)
    elif isinstance(error, NoAnswer):
        data = _tell_no_answer(error, voice)
    elif isinstance(error, BrokenRules):
        data = _tell_broken_rules(error, voice)
    elif isinstance(error, MachineFault):
        data = _tell_machine(str(error), error, voice)
    elif (refused := machine_words(error)) is not None:
        data = _tell_machine(refused, error, voice)
    else:
        data = _tell_fault(error, voice)
    code = error.exit_code if isinstance(error, PartitionerError) else ExitCode.FAULT
    if voice.session.is_json:
        voice.answer_json({"exit_code": int(code), **data})
    elif voice.session.is_debug and code == ExitCode.FAULT:
        import traceback

        voice.plain("".join(traceback.format_exception(error)).rstrip())
    return code


def _tell_wrong_file(error: WrongFile, voice: Voice) -> dict[str, Any]:
    from partitioner.reading.render import findings_as_data, format_findings

    voice.plain(format_findings(error.findings))
    return {"status": "wrong-file", "findings": findings_as_data(error.findings)}


def _tell_no_layout(error: NoLayout, voice: Voice) -> dict[str, Any]:
    voice.error("no layout keeps all rules; this is proved.")
    told: Counter[str] = Counter()
    for conflict in error.conflicts:
        told[conflict.rule] += 1
        if told[conflict.rule] > MOST_ALIKE:
            continue
        first = "".join(f"{place}: " for place in conflict.where[:1])
        voice.plain(f"  {first}[{conflict.rule}] {visible(conflict.sentence)}")
        if further := conflict.where[1:]:
            voice.plain(f"    also at {some_of(further, MOST_PLACES)}")
        if conflict.way_out:
            voice.plain(f"    way out: {visible(conflict.way_out)}")
    for rule, number in told.items():
        if number > MOST_ALIKE:
            voice.plain(f"  [{rule}] and {number - MOST_ALIKE} more; --json lists all.")
    if voice.session.has_slips:
        voice.plain(
            "  Look first whether values that were warned of as unlikely are meant; it may be they."
        )
    if any(conflict.way_out for conflict in error.conflicts):
        voice.plain(
            "  Which of these lead to a layout, how far they have to go and what it then costs:\n"
            "  partitioner explain with the same problem."
        )
    else:
        voice.plain(
            "  Which rules, and what would help: partitioner explain with the same problem."
        )
    return {"status": "no-layout", "conflicts": [asdict(c) for c in error.conflicts]}


def _tell_no_answer(error: NoAnswer, voice: Voice) -> dict[str, Any]:
    from partitioner.cli.searching import tell_start
    from partitioner.units import MONEY_STEPS, in_units

    tell_start(error.start_unusable, voice)
    voice.error(f"{error}")
    voice.plain(f"  {error.hint}")
    nearest = {} if error.nearest is None else _tell_nearest(error, voice)
    return {
        "status": "no-answer",
        "message": str(error),
        "seconds": error.seconds,
        "ended_by": error.ended_by,
        "hint": error.hint,
        "bound": in_units(error.bound_money, MONEY_STEPS),
        "start_unusable": list(error.start_unusable),
        **nearest,
    }


def _tell_nearest(error: NoAnswer, voice: Voice) -> dict[str, Any]:
    from partitioner.application.nearest import StillIncomplete

    if not isinstance(error, StillIncomplete):
        return {}
    for line in error.answer.lines():
        voice.plain(f"  {visible(line)}")
    where = error.written_to
    if where is not None:
        voice.plain(
            f"  The rest is in {where}/ (open report.html); --start {where}/layout.yaml "
            "goes on from it."
        )
    missing = error.answer.miss.missing
    return {"missing": list(missing), "places": error.answer.data(), "written_to": where}


def _tell_broken_rules(error: BrokenRules, voice: Voice) -> dict[str, Any]:
    from partitioner.model.assessment import COMPLETE
    from partitioner.report.outcome_json import rule_findings_data
    from partitioner.report.text import plain
    from partitioner.report.verdict import broken_text

    broken = [f for f in error.findings if f.rule != COMPLETE]
    breaks = plain(broken_text(broken))
    if error.incomplete:
        voice.error(plain(f"the layout is incomplete: {error.incomplete}."))
        rest = f"The rest breaks {breaks}:" if broken else "The rest keeps every rule."
        voice.plain(f"  plan --start with this layout goes on from it. {rest}")
    else:
        voice.error(f"the layout breaks {breaks}.")
    for finding in broken:
        voice.plain(f"  {visible(finding.line)}")
    return {
        **error.data,
        "status": "broken-rules" if broken else "incomplete",
        "findings": rule_findings_data(error.findings),
    }


def _tell_machine(what: str, error: BaseException, voice: Voice) -> dict[str, Any]:
    """A disk that is full or a folder without permission is nobody's bug."""
    voice.error(what)
    data: dict[str, Any] = {"status": "machine", "message": what}
    if isinstance(error, NotWritten):
        data |= {"rescued_in": error.rescued_in, "layout": error.layout}
        if error.layout is not None and not voice.session.is_json:
            voice.answer(error.layout.rstrip("\n"))
    return data


def _tell_fault(error: BaseException, voice: Voice) -> dict[str, Any]:
    what = str(error) or type(error).__name__
    voice.error(f"a fault of the program: {what}")
    for detail in getattr(error, "details", []):
        voice.plain(f"  {visible(detail)}")
    kept = getattr(error, "kept_in", None)
    if kept:
        voice.plain(f"  The files that show it are in {visible(kept)}.")
    if not voice.session.is_debug:
        voice.plain("  Please report it, with what --debug prints.")
    return {"status": "fault", "message": what, "details": list(getattr(error, "details", []))}
