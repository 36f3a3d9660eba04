"""The reference page of the rules, made from the register of the check and that of handles."""

from __future__ import annotations

import textwrap

from partitioner.check.rules.registry import CHAPTERS
from partitioner.check.rules.rule import Rule
from partitioner.explain.handles.register import HOLDS, NO_HOLD

_EXAMPLE = (
    "length: line-front is 5.2 m long and keeps 2 m free: 0.2 m above the limit of 7 m for "
    "10BASE-T1S-multidrop."
)
_HEAD = f"""# Rules of the check

<!-- Made from the program's own register of rules; change that, not this page. -->

`partitioner check PROBLEM LAYOUT` applies every rule below to a layout and ends with exit code 6
when one is broken. `plan` only writes layouts that keep all of them. Each finding has the rule's
short name, the ids it concerns, and a sentence with the amount, for instance

```
{_EXAMPLE}
```

Everything is worked out from the layout alone: cable ways, loads and delays are computed again, and
nothing the optimiser found is taken over. A file that names a switch, device or grade which the
problem does not have is refused when it is read, with line and column. Any other layout can be
judged, also one that leaves devices out: what makes sense is measured, the rest becomes a finding.

Limits count the [reserve](problem-file.md#reserve) as used: a line with 7 devices and a reserve of
one node needs a limit of at least 9 nodes (7, the switch port, 1 kept free).

Under each rule stand the keys of the [problem file](problem-file.md) that state it, `*` for an id
or a number in a list. `explain` names a rule in a conflict, moves it in a way out and tells its
price, under the same name, unless the contrary is said here.
"""


def rules_page(chapters=CHAPTERS) -> str:
    """Text of ``docs/reference/rules.md``."""
    parts = [_HEAD]
    for chapter in chapters:
        parts.append(f"## {chapter.title}\n")
        parts += [_section(rule) for rule in chapter.rules]
    return "\n".join(parts)


def _section(rule: Rule) -> str:
    paragraphs = [rule.meaning]
    if rule.note:
        paragraphs.append(_wrapped(rule.note))
    told = []
    if rule.keys:
        told.append(f"Stated by {', '.join(f'`{key}`' for key in rule.keys)}.")
    if rule.source:
        told.append(f"Source: {rule.source}.")
    if rule.name in NO_HOLD:
        told.append(f"Not in `explain`: {NO_HOLD[rule.name]}")
    elif titles := [h.priced_as for h in HOLDS if h.rule == rule.name and h.priced_as]:
        told.append(f"Priced as *{titles[0]}* first, and one by one if that costs something.")
    if told:
        paragraphs.append(_wrapped(" ".join(told)))
    return f"### {rule.name}\n\n" + "\n\n".join(paragraphs) + "\n"


def _wrapped(text: str) -> str:
    return textwrap.fill(text, 100, break_long_words=False, break_on_hyphens=False)
