"""``partitioner explain``: why there is no layout, what a rule costs, why a device is there."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli import options
from partitioner.cli.completion import complete_devices
from partitioner.cli.lazy import near_words
from partitioner.cli.session import Session, asking_options


@click.command(
    short_help="Say why there is no layout, or what each rule costs.",
    epilog="Example: partitioner explain problem.yaml --device lamp-1",
)
@options.problem
@click.option(
    "--device", metavar="ID", default=None, shell_complete=complete_devices,
    help="Say why this device is where it is: what it would cost elsewhere.",
)  # fmt: skip
@options.output("Also write the explanation as a page and as JSON into this folder.")
@options.time_limit("2min", "all plans")
@options.search
@options.force
@asking_options
@click.pass_obj
def command(
    session: Session,
    problem: Path,
    device: str | None,
    output: Path | None,
    time_limit: float,
    start: Path | None,
    seed: int,
    workers: int | None,
    force: bool,
) -> None:
    """Explain PROBLEM.

    Without a layout: the smallest set of rules in conflict, with the lines they stand at, and the
    cheapest ways out, each tried. With one: what each rule costs, found by planning without it.
    Exit code 0 in both cases: the explanation is the answer.
    """
    from partitioner.cli.machine import usable_workers

    # Before anything large is imported that would end the process for want of memory.
    cores = usable_workers(workers)

    from contextlib import ExitStack

    from partitioner.application.explain import EXPLANATION, PRICES, ExplainAnswer, explain
    from partitioner.cli.output import Place, today
    from partitioner.cli.searching import read_aloud, searching, start_of, stop_wish, tell_start
    from partitioner.cli.so_far import kept_so_far
    from partitioner.cli.voice import Voice

    voice = Voice(session)
    read = read_aloud(problem, voice)
    if device is not None and device not in read.devices:
        near = near_words(device, read.devices)
        raise click.UsageError(f"the problem has no device '{device}'{near}")
    begin_from = start_of(start, read, voice)

    with stop_wish(voice, "what is known", "told") as wish, ExitStack() as stack:
        place = None
        if output is not None:
            place = stack.enter_context(Place(output, voice, force=force, marks=(EXPLANATION,)))
        so_far = None
        if place is not None:
            so_far = kept_so_far(place, read, voice, is_offered=start is None)

        def keep(now: ExplainAnswer) -> None:
            if so_far is not None:
                so_far.take_text(PRICES, now.text)

        with searching(
            voice, read, problem, time_limit, seed, cores, wish, place, so_far=so_far
        ) as search:
            answer = explain(
                read, search, device=device, start=begin_from, on_prices=keep
            )
        tell_start(answer.start_unusable, voice)
        if place is not None:
            place.write(answer.files(made_on=today()))
        if so_far is not None and answer.outcome is not None:
            so_far.end(answer.outcome.cost_money, voice)
        voice.answer_as_asked(answer)
        if place is not None:
            voice.note(f"wrote {output}/ (open report.html)")
