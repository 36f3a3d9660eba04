"""Tables of measured rows in Markdown, and the blocks of a page that they are written into.

A block stands between ``<!-- bench:NAME -->`` and ``<!-- /bench -->``; what is between is
replaced. Every sentence with a figure in a block is worked out here from the rows.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from statistics import median
from typing import Any

from partitioner.units import MONEY_STEPS
from tests.bench.fleet import dropped_rules
from tests.bench.instances import open_vrp_constant_money, open_vrp_problem, open_vrp_rows
from tests.bench.measure import OURS, SOLVERS, Row, problem_of

NAMES = {
    OURS: "this program",
    "arcs": "arc CP-SAT",
    "routing": "routing library",
    "pyvrp": "PyVRP",
}
HEADS = (*(NAMES[s] for s in SOLVERS), "our bound", "our gap")
MONEY_DIGITS = 4
PUBLISHED_SLACK = 1e-5
"""Published values are rounded to six decimals and our ways to whole µm, so a cost this little
below the published one (in metres) is the same one."""
NOTHING = "–"


class BelowPublished(AssertionError):
    """A cost below a published optimum: one of the two is wrong."""


class BoundTooHigh(AssertionError):
    """A layout that keeps all rules costs less than a bound proved for its problem."""


def latest(rows: Iterable[Row]) -> dict[str, Row]:
    """The last row of each key."""
    return {row["key"]: row for row in rows}


def money(value: int | None) -> str:
    """Money in currency units."""
    return NOTHING if value is None else f"{value / MONEY_STEPS:.{MONEY_DIGITS}f}"


def percent(share: float | None, digits: int = 2) -> str:
    """A share as per cent; tiny ones are said to be tiny, never rounded to nothing."""
    if share is None:
        return NOTHING
    least = 10.0 ** -(digits + 2)
    if 0 < abs(share) < least:
        return f"{'<' if share > 0 else '>-'}{100 * least:.{digits}f} %"
    return f"{100 * share:.{digits}f} %"


def seconds(value: float | None) -> str:
    """Seconds to the tenth."""
    return NOTHING if value is None else f"{value:.1f}"


def gap(row: Row) -> float | None:
    """Proven relative gap of a row."""
    cost, bound = row.get("cost_money"), row.get("bound_money")
    if cost is None or bound is None:
        return None
    return max(0.0, (cost - bound) / cost) if cost else 0.0


def grid(head: Sequence[str], lines: Iterable[Sequence[str]]) -> list[str]:
    """A Markdown table; all columns but the first are set to the right."""
    out = ["| " + " | ".join(head) + " |", "|---|" + "---:|" * (len(head) - 1)]
    return out + ["| " + " | ".join(line) + " |" for line in lines]


def circumstances(rows: Sequence[Row]) -> str:
    """One sentence on machine, versions, days and load."""
    def several(values: Iterable[str]) -> str:
        return ", ".join(sorted(set(values)))

    versions = several(
        ", ".join(f"{name} {v}" for name, v in r["versions"].items()) for r in rows
    )
    loads = [r["load"] for r in rows]
    return (
        f"Measured {several(r['date'][:10] for r in rows)} on {several(r['machine'] for r in rows)}"
        f" (Python {several(r['python'] for r in rows)}, {versions}); load average at the start of "
        f"a run {min(loads):.1f} to {max(loads):.1f}, median {median(loads):.1f}."
    )


def cell(row: Row | None, best: int | None) -> str:
    """A rival's cost, how far above the best cost of the line it is, and seconds to it."""
    if row is None:
        return NOTHING
    cost = row.get("cost_money")
    if cost is None:
        return f"{row['left_out']} left out" if row.get("left_out") else "none"
    above = "" if best is None else f" (+{percent(cost / best - 1)})" if cost > best else " (best)"
    return f"{money(cost)}{above} {seconds(row.get('seconds_to_best'))} s"


def grouped(rows: Iterable[Row]) -> dict[tuple[str, float, int], dict[str, Row]]:
    """Rows of one instance, limit and seed, by solver; instances in natural order."""
    found: dict[tuple[str, float, int], dict[str, Row]] = {}
    for row in rows:
        key = (row["instance"], row["limit_s"], row["solver_seed"])
        found.setdefault(key, {})[row["solver"]] = row

    def natural(key: tuple[str, float, int]) -> tuple[Any, ...]:
        words = re.findall(r"\d+|\D+", key[0])
        return (key[1], [(w.isdigit(), int(w) if w.isdigit() else 0, w) for w in words], key[2])

    return {key: found[key] for key in sorted(found, key=natural)}


def least_cost(by_solver: dict[str, Row], solvers: Sequence[str] = SOLVERS) -> int | None:
    """Least cost among the solvers."""
    costs = [by_solver[s]["cost_money"] for s in solvers if s in by_solver]
    return min((c for c in costs if c is not None), default=None)


def side_by_side(rows: Sequence[Row]) -> list[str]:
    """Every instance a line, every solver a column."""
    lines = []
    for (instance, limit, _), group in grouped(rows).items():
        best = least_cost(group)
        ours = group.get(OURS, {})
        lines.append(
            [
                instance,
                f"{limit:g}",
                *(cell(group.get(s), best) for s in SOLVERS),
                money(ours.get("bound_money")),
                percent(gap(ours)) if ours else NOTHING,
            ]
        )
    return grid(["instance", "limit s", *HEADS], lines)


def against(rows: Sequence[Row], limit: float, rival: str) -> str | None:
    """One sentence on our cost against a rival's at one limit."""
    ratios = []
    only_ours = 0
    for group in grouped(r for r in rows if r["limit_s"] == limit).values():
        if OURS not in group or rival not in group:
            continue
        ours, other = group[OURS]["cost_money"], group[rival]["cost_money"]
        if ours is not None and other is None:
            only_ours += 1
        elif ours is not None:
            ratios.append(ours / other)
    if not ratios and not only_ours:
        return None
    parts = []
    if ratios:
        parts.append(
            f"median {median(ratios):.4f}, least {min(ratios):.4f}, most {max(ratios):.4f}; "
            f"cheaper on {sum(r < 1 for r in ratios)}, equal on {sum(r == 1 for r in ratios)}, "
            f"dearer on {sum(r > 1 for r in ratios)}"
        )
    if only_ours:
        parts.append(f"{NAMES[rival]} found nothing whole on {only_ours}")
    return f"- {limit:g} s, our cost divided by that of {NAMES[rival]}: {'; '.join(parts)}."


def geometry(rows: Sequence[Row]) -> list[str]:
    """Table and summary of the geometry instances."""
    out = side_by_side(rows)
    out += ["", "Cost in units (port 8, cable 1 a metre); in brackets above the cheapest in the "
            "line; then seconds to that cost.", ""]
    limits = sorted({r["limit_s"] for r in rows})
    for limit in limits:
        out += [
            s for rival in SOLVERS if rival != OURS and (s := against(rows, limit, rival))
        ]
        of_size: dict[int, list[Row]] = {}
        for row in rows:
            if row["solver"] == OURS and row["limit_s"] == limit and "devices" in row:
                of_size.setdefault(row["devices"], []).append(row)
        for devices, those in sorted(of_size.items()):
            gaps = [g for r in those if (g := gap(r)) is not None]
            if not gaps:
                continue
            proved = [r for r in those if r["status"] == "optimal"]
            longest = max((r["seconds"] for r in proved), default=0.0)
            slowest = f", the slowest in {longest:.1f} s" if proved else ""
            out.append(
                f"- {limit:g} s, {devices} devices: gap at most {percent(max(gaps))}, median "
                f"{percent(median(gaps))}; {len(proved)} of {len(those)} proved optimal{slowest}."
            )
    return [*out, "", circumstances(rows)]


def open_costs(rows: Sequence[Row]) -> dict[str, tuple[float, Callable[[int], float]]]:
    """Published value in metres of each instance, and how to get metres from money."""
    wanted = {r["instance"] for r in rows}
    found: dict[str, tuple[float, Callable[[int], float]]] = {}
    for entry in open_vrp_rows():
        if entry.instance in wanted:
            constant = open_vrp_constant_money(entry, open_vrp_problem(entry))
            found[entry.instance] = (
                entry.best_known,
                lambda cost, c=constant: (cost - c) / MONEY_STEPS,
            )
    return found


def below_published(rows: Sequence[Row]) -> list[str]:
    """Every cost that is below the published one, as a sentence; must be empty."""
    published = open_costs(rows)
    wrong = []
    for row in rows:
        if row.get("cost_money") is None or row.get("findings"):
            continue
        value, metres = published[row["instance"]]
        if metres(row["cost_money"]) < value - PUBLISHED_SLACK:
            wrong.append(
                f"{row['key']}: {metres(row['cost_money']):.6f} is below the published {value}"
            )
    return wrong


def bounds_too_high(rows: Iterable[Row]) -> list[str]:
    """Every bound of ours or of a rival above the cost of a whole layout that breaks no rule.

    Layouts of all solvers, limits and seeds count, so each row is a test of each bound.
    """
    costs: dict[tuple[str, str], tuple[int, str]] = {}
    rows = list(rows)
    for row in rows:
        if row.get("cost_money") is not None and not row.get("findings"):
            key = (row["what"], row["instance"])
            costs[key] = min(costs.get(key, (2**62, "")), (row["cost_money"], row["key"]))
    wrong = []
    for row in rows:
        known = costs.get((row["what"], row["instance"]))
        bound = row.get("bound_money")
        if known is not None and bound is not None and bound > known[0]:
            wrong.append(f"{row['key']}: bound {bound} above the cost {known[0]} of {known[1]}")
    return wrong


def openvrp(rows: Sequence[Row]) -> list[str]:
    """Table and summary of the open vehicle-routing instances.

    Raises
    ------
    BelowPublished
        If any cost is below the published one.
    """
    wrong = below_published(rows)
    if wrong:
        raise BelowPublished("; ".join(wrong))
    published = open_costs(rows)
    lines = []
    ours_above: dict[float, list[float]] = {}
    gaps: dict[float, list[float]] = {}
    for (instance, limit, _), group in grouped(rows).items():
        value, metres = published[instance]
        cells = []
        for solver in SOLVERS:
            row = group.get(solver)
            cost = None if row is None else row.get("cost_money")
            if row is None or cost is None:
                cells.append(cell(row, None))
                continue
            above = max(0.0, metres(cost) / value - 1)
            cells.append(f"+{100 * above:.3f} % {seconds(row['seconds_to_best'])} s")
            if solver == OURS:
                ours_above.setdefault(limit, []).append(above)
        ours = group.get(OURS)
        share = bound = None
        if ours is not None and ours.get("cost_money") is not None:
            # The slack at the drops is no cost of the published problem: the gap is without it.
            bound = max(0.0, metres(ours["bound_money"]))
            share = max(0.0, 1 - bound / metres(ours["cost_money"]))
            gaps.setdefault(limit, []).append(share)
        lines.append(
            [
                instance,
                f"{limit:g}",
                f"{value:.4f}",
                *cells,
                NOTHING if bound is None else f"{bound:.4f}",
                percent(share),
            ]
        )
    head = ["instance", "limit s", "published", *HEADS]
    out = [*grid(head, lines), "", "Costs as per cent above the published value, then seconds to "
           "it. No cost is below a published one; the bench fails if one ever is.", ""]
    for limit, shares in sorted(ours_above.items()):
        typical, widest = percent(median(gaps[limit])), percent(max(gaps[limit]))
        out.append(
            f"- {limit:g} s: this program within 0.1 % of the published value on "
            f"{sum(a <= 0.001 for a in shares)} of {len(shares)} instances, within 0.5 % on "
            f"{sum(a <= 0.005 for a in shares)}; proven gap: median {typical}, most {widest}."
        )
    return [*out, "", circumstances(rows)]


def demos(rows: Sequence[Row]) -> list[str]:
    """Table of the demo problems, the rules left out, and what the rivals' layouts break."""
    lines, broken = [], []
    for (instance, limit, _), group in grouped(rows).items():
        ours = group.get(OURS, {})
        cells = []
        for solver in SOLVERS:
            row = group.get(solver)
            text = cell(row, None)
            if row is not None and row.get("findings"):
                count = sum(row["findings"].values())
                text += f", breaks {count} rule{'s' if count > 1 else ''}"
                named = ", ".join(f"`{rule}` {k}" for rule, k in row["findings"].items())
                broken.append([instance, f"{limit:g}", NAMES[solver], named])
            cells.append(text)
        lines.append(
            [
                instance, f"{limit:g}", *cells, money(ours.get("bound_money")),
                percent(gap(ours)) if ours else NOTHING,
            ]
        )  # fmt: skip
    out = grid(["problem", "limit s", *HEADS], lines)
    out += [
        "",
        "Only this program keeps all rules. A rival's layout that breaks rules is no layout, and "
        "its cost, of an easier problem, may be lower.",
        "",
    ]
    names = sorted({r["instance"] for r in rows})
    left: dict[str, dict[str, tuple[str, ...]]] = {}
    for name in names:
        for rule, who in dropped_rules(problem_of("demos", name)).items():
            left.setdefault(rule, {})[name] = who
    out += grid(
        ["rule left out for rivals", *names],
        [
            [rule, *(_who(by_demo.get(name)) for name in names)]
            for rule, by_demo in left.items()
        ],
    )
    if broken:
        out += ["", *grid(["problem", "limit s", "whose layout", "rules broken"], broken)]
    return [*out, "", circumstances(rows)]


def _who(rivals: tuple[str, ...] | None) -> str:
    if rivals is None:
        return "no such rule"
    return "all three" if len(rivals) == 3 else ", ".join(NAMES[r] for r in rivals)


def slope(points: Sequence[tuple[float, float]]) -> float | None:
    """Exponent of growth: slope of the least-squares line through the logarithms."""
    if len({x for x, _ in points}) < 2:
        return None
    xs = [math.log(x) for x, _ in points]
    ys = [math.log(max(y, 1e-3)) for _, y in points]
    mx, my = sum(xs) / len(xs), sum(ys) / len(ys)
    return sum((x - mx) * (y - my) for x, y in zip(xs, ys, strict=True)) / sum(
        (x - mx) ** 2 for x in xs
    )


def points_to_gap(rows: Iterable[Row], percent_text: str = "5") -> list[tuple[float, float]]:
    """(devices, seconds) of each run of ours that came to the gap."""
    return [
        (float(r["devices"]), float(t))
        for r in rows
        if r["solver"] == OURS
        and (t := (r.get("seconds_to_gap") or {}).get(percent_text)) is not None
    ]


def large(rows: Sequence[Row]) -> list[str]:
    """Table of the large problems and how the time to a gap of 5 % grows."""
    lines = []
    late = 0
    for (instance, limit, _), group in grouped(rows).items():
        row = group.get(OURS)
        if row is None:
            continue
        to_gap = row.get("seconds_to_gap") or {}
        late += to_gap.get("5") is None
        lines.append(
            [
                instance.split("-")[0],
                instance.split("-")[1],
                f"{limit:g}",
                money(row.get("cost_money")),
                money(row.get("bound_money")),
                percent(gap(row)),
                seconds(row.get("seconds_to_first")),
                seconds(to_gap.get("8")),
                seconds(to_gap.get("5")),
                seconds(row.get("seconds_to_best")),
                f"{row['peak_mib']:,}" if "peak_mib" in row else NOTHING,
            ]
        )
    head = [
        "devices", "seed", "limit s", "cost", "bound", "gap", "s to a layout", "s to 8 %",
        "s to 5 %", "s to best", "peak MiB",
    ]  # fmt: skip
    out = grid(head, lines)
    exponent = slope(points_to_gap(rows))
    if exponent is not None:
        out += [
            "",
            f"Seconds to a gap of 5 % grow with the number of devices to the power "
            f"{exponent:.2f} (least squares on logarithms, "
            f"{len(points_to_gap(rows))} runs"
            + (f"; {late} that never came to 5 % are left out" if late else "")
            + ").",
            "",
            "![Seconds to a gap of 5 % against devices, both logarithmic](../figures/"
            "optimiser-scale.svg)",
        ]
    return [*out, "", circumstances(rows)]


TABLES: dict[str, Callable[[Sequence[Row]], list[str]]] = {
    "geometry": geometry,
    "openvrp": openvrp,
    "demos": demos,
    "large": large,
}


def table(what: str, rows: Iterable[Row]) -> str:
    """Markdown of all rows of one kind, the last of each key; empty if there are none.

    Raises
    ------
    BoundTooHigh, BelowPublished
        If the rows cannot all be true.
    """
    mine = [r for r in latest(rows).values() if r["what"] == what]
    if wrong := bounds_too_high(mine):
        raise BoundTooHigh("; ".join(wrong))
    return "\n".join(TABLES[what](mine)) if mine else ""


def filled(page: str, blocks: dict[str, str]) -> str:
    """Put texts into the blocks of a page.

    Raises
    ------
    ValueError
        If the page lacks a block.
    """
    for name, text in blocks.items():
        pattern = rf"(<!-- bench:{re.escape(name)} -->\n).*?(<!-- /bench -->)"
        page, count = re.subn(
            pattern, lambda m, t=text: f"{m[1]}\n{t}\n\n{m[2]}", page, flags=re.S
        )
        if count != 1:
            raise ValueError(f"{count} blocks named bench:{name} in the page, expected one")
    return page


def write_blocks(page: Path, blocks: dict[str, str]) -> None:
    """Fill the blocks of a page in its file."""
    text = filled(page.read_text(encoding="utf-8"), blocks)
    beside = page.with_suffix(".new")
    beside.write_text(text, encoding="utf-8")
    beside.replace(page)
